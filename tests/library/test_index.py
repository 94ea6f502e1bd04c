"""The index of a library: what is read of it, and that it changes nothing."""

import json
import shutil
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from thermcmp.errors import InputError
from thermcmp.library import index
from thermcmp.library.storage import LocalFolder
from thermcmp.library.store import Library
from thermcmp.library.store_file import encode, make_stored
from thermcmp.results.hashing import content_hash
from thermcmp.results.validation import check_results


def runs(start, product, **changes):
    """Four runs of one card."""
    frame = pd.DataFrame(
        {
            "run": [f"r{i}" for i in range(start, start + 4)],
            "sensor": "memory",
            "product": product,
            "cooler_model": f"{product}-C",
            "cooler_id": f"{product}-c1",
            "board_model": f"{product}-B",
            "board_id": f"{product}-b1",
            "memory_vendor": "Osmer",
            "temperature_c": np.arange(80.0, 84.0),
            "ambient_c": 21.5,
            "power_w": 220.0,
        }
    )
    return frame.assign(**changes)


def merge_early(monkeypatch):
    """Segments merged by three, so that a small library has every kind."""
    monkeypatch.setattr(index, "_MERGED", 3)


@pytest.fixture
def few(monkeypatch):
    merge_early(monkeypatch)


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    """Folder of a library of 31 imports."""
    folder = tmp_path_factory.mktemp("library")
    with pytest.MonkeyPatch.context() as monkeypatch:
        merge_early(monkeypatch)
        library = Library(folder)
        for number in range(30):
            library.add(runs(4 * number, f"P{number % 10}"))
        library.supersede(runs(8, "P2", power_w=230.0), "meter was off")
    return folder


@pytest.fixture
def library(tmp_path, filled, few):
    shutil.copytree(filled, tmp_path, dirs_exist_ok=True)
    return Library(tmp_path)


@pytest.fixture
def read(monkeypatch):
    """Names of the files of results that were read."""
    names = []
    original = LocalFolder.open

    def noting(folder, name):
        if folder._path.name == "results":
            names.append(name)
        return original(folder, name)

    monkeypatch.setattr(LocalFolder, "open", noting)
    return names


def test_segments_are_stored_and_merged_and_cover_each_file_once(library, tmp_path):
    segments = library._view().segments
    covered = [name for segment in segments for name in segment.files]
    assert sorted(covered) == library._view().names
    assert max(len(segment.files) for segment in segments) >= 12
    # Four files without a segment at most, and those that the next import removes.
    assert len(list((tmp_path / "index").iterdir())) <= 8


def test_an_import_reads_only_what_has_no_segment(library, read):
    library.add(runs(400, "P3"))
    assert len(set(read)) <= 5


def test_an_import_of_known_rows_reads_the_files_that_hold_them(library, read):
    assert library.add(runs(12, "P3")).known == 4
    assert len(set(read)) <= 6


def test_a_filter_reads_only_the_files_that_hold_the_value(library, read):
    rows = library.results(product="P3")
    assert len(rows) == 12
    assert len(set(read)) <= 8
    every = library.results()
    whole = every[every["product"].isin(["P2", "P4"])].reset_index(drop=True)
    pd.testing.assert_frame_equal(library.results(product=["P2", "P4"]), whole)
    assert library.results(product="P2")["power_w"].tolist().count(230.0) == 4
    assert library.results(product="none").empty


@pytest.mark.parametrize("damage", ["deleted", "garbled", "of another version"])
def test_the_index_can_be_made_again(library, tmp_path, damage, monkeypatch):
    before = library.results(product="P2")
    if damage == "deleted":
        shutil.rmtree(tmp_path / "index")
    elif damage == "garbled":
        for path in (tmp_path / "index").iterdir():
            path.write_bytes(path.read_bytes()[:100])
    else:
        monkeypatch.setattr(index, "_VERSION", [0, 0])
    pd.testing.assert_frame_equal(library.results(product="P2"), before)
    assert library.add(runs(0, "P0")).new == 0
    assert library.add(runs(500, "P0")).new == 4
    assert library.verify() == []


def test_rules_between_rows_hold_across_files_that_were_not_read(library):
    with pytest.raises(InputError, match="Tavic"):
        library.add(runs(600, "P5", memory_vendor="Tavic"))
    with pytest.raises(InputError, match="P5-C"):
        library.add(runs(600, "P5", cooler_model="another"))
    with pytest.raises(InputError, match="power_w"):
        library.add(runs(20, "P5", sensor="edge", power_w=100.0))
    assert library.add(runs(20, "P5", sensor="edge")).new == 4
    with pytest.raises(InputError, match="supersede"):
        library.add(runs(20, "P5", temperature_c=60.0))


def test_a_part_corrected_everywhere_no_longer_contradicts(library):
    rows = library.results(product="P7").assign(memory_vendor="Tavic")
    library.supersede(rows, "label misread")
    assert library.add(runs(700, "P7", memory_vendor="Tavic")).new == 4
    with pytest.raises(InputError, match="Tavic"):
        library.add(runs(704, "P7"))
    assert library.verify() == []


def test_a_column_of_many_values_is_always_read(tmp_path, few, monkeypatch):
    monkeypatch.setattr(index, "_MOST_VALUES", 2)
    library = Library(tmp_path)
    for number in range(12):
        library.add(runs(4 * number, f"P{number}"))
    assert library.results(run=["r5", "r9"])["product"].tolist() == ["P1", "P2"]


def test_a_file_hashed_by_an_earlier_version_is_whole_and_extended(tmp_path):
    rows = check_results(runs(0, "P0"))
    stored = make_stored(rows, source="monday.csv")
    digest = content_hash(rows, stored.note.statement)
    note = replace(stored.note, content_sha256=digest, hash_version=1)
    values = {name: value for name, value in note.to_values().items() if name != "hash_version"}
    (tmp_path / "results").mkdir()
    data = encode(replace(stored, note=note))
    text = json.dumps(note.to_values()).encode()
    assert text in data
    short = json.dumps(values).encode()
    # The same length, as the file's footer states it.
    data = data.replace(text, short + b" " * (len(text) - len(short)))
    (tmp_path / "results" / note.file).write_bytes(data)
    library = Library(tmp_path)
    assert len(library.results()) == 4
    assert (library.add(runs(0, "P0")).known, library.add(runs(4, "P0")).new) == (4, 4)
    assert library.verify() == []
