"""Compaction: the same rows and history in fewer files, whatever happens meanwhile."""

import json
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from tests.library.test_store import files, runs
from thermcmp.errors import InputError, LibraryError
from thermcmp.library import store_file
from thermcmp.library.journal import Journal
from thermcmp.library.store import Library
from thermcmp.library.store_file import DamagedFileError, check_whole
from thermcmp.library.view import CompactedError


def filled(root):
    """A library of eight imports and a correction, of two layouts."""
    library = Library(root)
    for number in range(8):
        extra = {"rack": "left"} if number % 2 else {}
        part = runs(10 * number, 10 * number + 4, product=f"Heron {number % 3}", **extra)
        library.add(part, source=f"{number}.csv")
    library.supersede(runs(0, 2, product="Heron 0", power_w=230.0), "meter was off")
    return library


@pytest.fixture
def library(tmp_path):
    return filled(tmp_path)


def state(library):
    return library.results(), library.history()


def assert_same(one, other):
    for left, right in zip(one, other, strict=True):
        pd.testing.assert_frame_equal(left, right)


def test_compaction_keeps_rows_and_history_in_plain_parquet(library, tmp_path):
    before, notes = state(library), library.history()[["file", "source", "reason"]]
    written = library.compact()
    # Files of one layout, those without the extra column and those with it.
    assert sorted(written) == [path.name for path in files(tmp_path)]
    assert len(written) == 2
    assert len(list((tmp_path / "imports").iterdir())) == 2
    assert_same(state(library), before)
    pd.testing.assert_frame_equal(library.history()[["file", "source", "reason"]], notes)
    assert library.verify() == []
    assert library.compact() == []
    assert sum(pq.read_table(path).num_rows for path in files(tmp_path)) == 34
    assert_same(state(Library(tmp_path)), before)


def test_a_compacted_library_goes_on(library):
    library.compact()
    assert library.add(runs(0, 4, product="Heron 0")).known == 4
    with pytest.raises(InputError, match="supersede"):
        library.add(runs(10, 11, product="Heron 1", temperature_c=60.0))
    library.supersede(runs(0, 1, product="Heron 0", power_w=240.0), "meter was off again")
    assert library.add(runs(100, 104, product="Heron 1")).new == 4
    powers = library.results(product="Heron 0")["power_w"].tolist()
    assert sorted(powers)[-2:] == [230.0, 240.0]
    assert len(library.results(product="Heron 1", rack="left")) == 8
    before = state(library)
    assert len(library.compact()) == 1
    assert_same(state(library), before)
    assert library.verify() == []


def test_large_files_stay_and_groups_keep_to_their_size(library, tmp_path):
    library.add(runs(500, 600))
    large = {path.name for path in files(tmp_path) if pq.read_metadata(path).num_rows == 100}
    written = library.compact(rows=12)
    assert large <= {path.name for path in files(tmp_path)}
    assert max(pq.read_metadata(tmp_path / "results" / name).num_rows for name in written) <= 12


def test_a_damaged_compacted_file_is_named_and_its_correction_stays(library, tmp_path):
    first, second = sorted(library.compact())
    correction = first if "correction" in first else second
    path = tmp_path / "results" / correction
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2] + b"\x00" + whole[len(whole) // 2 + 1 :])
    (damage,) = library.verify()
    assert damage.file == correction
    with pytest.raises(LibraryError, match="correction"):
        library.compact()
    library.repair()
    assert library.verify() == []
    for number in (0, 2, 4, 6):
        part = runs(10 * number, 10 * number + 4, product=f"Heron {number % 3}")
        library.add(part, source=f"{number}.csv")
    # The readings that were corrected do not come back.
    held = set(library.results()["run"])
    assert {"r2", "r3", "r20"} <= held and not {"r0", "r1"} & held
    assert library.verify() == []


def test_a_long_file_is_checked_a_column_at_a_time(library, tmp_path, monkeypatch):
    name = library.compact()[0]
    path = tmp_path / "results" / name
    monkeypatch.setattr(store_file, "_ROW_GROUP", 4)
    asked = []
    in_file = store_file._table_in

    def noting(file, columns):
        asked.append(columns)
        return in_file(file, columns)

    monkeypatch.setattr(store_file, "_table_in", noting)
    check_whole(name, path.read_bytes())
    assert max(map(len, asked)) == 1 < len(asked)
    table = pq.read_table(path)
    place = table.schema.get_field_index("power_w")
    powers = pa.array([*table["power_w"].to_pylist()[:-1], 221.0])
    pq.write_table(table.set_column(place, table.schema.field(place), powers), path)
    with pytest.raises(DamagedFileError, match="no longer have the noted hash"):
        check_whole(name, path.read_bytes())


def test_a_forged_note_of_a_compacted_import_is_noticed(library, tmp_path):
    name = library.compact()[0]
    path = tmp_path / "results" / name
    table = pq.read_table(path)
    notes = json.loads(table.schema.metadata[b"thermcmp.notes"])
    notes[1]["source"] = "elsewhere.csv"
    stamped = {**table.schema.metadata, b"thermcmp.notes": json.dumps(notes).encode()}
    pq.write_table(table.replace_schema_metadata(stamped), path)
    (damage,) = library.verify()
    assert "note" in damage.what


def test_a_file_that_a_killed_compaction_left_counts_once_and_is_removed(library, tmp_path):
    kept = {path.name: path.read_bytes() for path in files(tmp_path)}
    entries = {p.name: p.read_bytes() for p in (tmp_path / "imports").iterdir()}
    before = state(library)
    library.compact()
    compacted = len(files(tmp_path))
    for name in list(kept)[:5]:
        (tmp_path / "results" / name).write_bytes(kept[name])
    for name in list(kept)[:2]:
        (tmp_path / "imports" / f"{name}.json").write_bytes(entries[f"{name}.json"])
    assert_same(state(library), before)
    assert library.verify() == []
    assert library.compact() == []
    assert len(files(tmp_path)) == compacted
    assert_same(state(library), before)


def test_a_call_that_meets_a_compaction_begins_again(library, tmp_path, monkeypatch):
    before = library.results()
    folder = type(library._folder)
    opened = folder.open
    met = []

    def compacting(self, name):
        if self._path.name == "results" and not met:
            met.append(name)
            Library(tmp_path).compact()
        return opened(self, name)

    monkeypatch.setattr(folder, "open", compacting)
    pd.testing.assert_frame_equal(library.results(), before)
    assert met


def test_a_call_from_the_midst_of_a_compaction_begins_again(library, tmp_path, monkeypatch):
    before = library.results()
    folder = type(library._folder)
    remove, views = folder.remove, []

    def removing(self, name):
        if self._path.name == "results" and not views:
            # The compacted file is there, and so are those whose rows it holds.
            views.append(library._view())
        remove(self, name)

    monkeypatch.setattr(folder, "remove", removing)
    Library(tmp_path).compact()
    with pytest.raises(CompactedError):
        views[0].contents()
    pd.testing.assert_frame_equal(library.results(), before)


def test_an_import_whose_file_is_compacted_before_its_entry_leaves_no_lost_file(
    library, tmp_path, monkeypatch
):
    record = Journal.record
    met = []

    def compacting(self, name, data, notes, *after):
        if not met:
            met.append(name)
            Library(tmp_path).compact()
        record(self, name, data, notes, *after)

    with monkeypatch.context() as patch:
        patch.setattr(Journal, "record", compacting)
        assert library.add(runs(100, 104, product="Heron 1")).new == 4
    assert met
    assert library.verify() == []
    assert len(library.results()) == 36


def test_an_import_that_meets_the_compaction_of_a_file_without_an_entry(
    library, tmp_path, monkeypatch
):
    killed = library.add(runs(100, 104, product="Heron 1")).file
    (tmp_path / "imports" / f"{killed}.json").unlink()
    read = type(library._folder).read
    met = []

    def compacting(self, name):
        if name == killed and not met:
            met.append(name)
            Library(tmp_path).compact()
        return read(self, name)

    monkeypatch.setattr(type(library._folder), "read", compacting)
    library.add(runs(200, 204, product="Heron 2"))
    assert met
    assert library.verify() == []
    assert len(library.results()) == 40


COMPACTING = """
    import sys
    from thermcmp.library.store import Library
    library = Library(sys.argv[1])
    print("ready", flush=True)
    while True:
        library.compact(rows=30)
        library.compact(rows=10_000)
"""


def test_compactions_and_imports_at_once_lose_and_double_nothing(tmp_path):
    library = filled(tmp_path)
    other = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(COMPACTING), str(tmp_path)],
        stdout=subprocess.PIPE,
    )
    assert other.stdout.readline() == b"ready\n"
    for number in range(20, 26):
        library.add(runs(10 * number, 10 * number + 4))
        library.results()
    other.send_signal(signal.SIGKILL)
    other.communicate()
    rows = library.results()
    assert rows["run"].is_unique
    assert len(rows) == 32 + 6 * 4
    assert len(library.history()) == 34 + 6 * 4
    assert [d for d in library.verify() if "left behind" not in d.what] == []
    library.compact()
    assert library.history()["in_effect"].sum() == 32 + 6 * 4
    assert len({Path(p).name for p in files(tmp_path)}) <= 3
