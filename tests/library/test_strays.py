"""What lies in a library's folder and is none of its files."""

import os
import sys
from pathlib import Path

import pytest

from tests.library.test_store import runs
from thermcmp.errors import LibraryError
from thermcmp.library.store import DamageWarning, Library

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="other systems refuse these names")


def test_strays_are_named_and_set_aside_and_no_row_is_lost(tmp_path):
    library = Library(tmp_path)
    library.add(runs(0, 2))
    folder = tmp_path / "results"
    Path(os.fsdecode(os.fsencode(folder) + b"/caf\xe9.parquet")).write_bytes(b"x")
    (folder / "folder.parquet").mkdir()
    (folder / "broken.parquet").symlink_to(tmp_path / "nowhere")
    (folder / "endless.parquet").symlink_to("/dev/zero")
    os.mkfifo(folder / "pipe.parquet")
    with pytest.raises(LibraryError, match=r"(?s)broken.*caf\\xe9.*endless.*device.*pipe"):
        library.results()
    with pytest.warns(DamageWarning):
        assert len(library.results(on_damage="skip")) == 2
    assert len(library.verify()) == 4
    assert len(library.repair()) == 4
    assert library.verify() == []
    assert len(library.results()) == 2
    assert (folder / "folder.parquet").is_dir()


def test_repair_leaves_a_file_that_it_may_not_read(tmp_path, monkeypatch):
    library = Library(tmp_path)
    name = library.add(runs(0, 1)).file
    read = type(library._folder).open

    def refused(self, file):
        if file == name:
            raise PermissionError(13, "Permission denied")
        return read(self, file)

    with monkeypatch.context() as patch:
        patch.setattr(type(library._folder), "open", refused)
        with pytest.raises(LibraryError, match="cannot be read: Permission denied"):
            library.results()
        assert [damage.file for damage in library.repair()] == [name]
    assert len(library.results()) == 1
    assert library.verify() == []
