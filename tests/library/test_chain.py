"""The chain of imports: a file that is lost together with its entry is missed."""

import json
from itertools import combinations

import pytest

from tests.library.test_store import runs
from thermcmp.library.store import Library


def lose(library, *names):
    """Remove files and all that their own entries say."""
    for name in names:
        library._folder.remove(name)
        library._journal.forget(name)


def missing(library, parts=1):
    found = [damage for k in range(parts) for damage in library.verify(part=(k + 1, parts))]
    assert all(damage.what.startswith("missing") for damage in found)
    return sorted(damage.file for damage in found)


@pytest.fixture
def imports(tmp_path):
    """A library of five imports and a correction, and the names of their files."""
    library = Library(tmp_path)
    names = [library.add(runs(4 * k, 4 * k + 4, product=f"Heron {k % 2}")).file for k in range(5)]
    names.append(library.supersede(runs(0, 1, power_w=230.0, product="Heron 0"), "meter").file)
    return library, names


@pytest.mark.parametrize("count", [1, 2])
def test_any_imports_lost_with_their_entries_are_missed(imports, count):
    library, names = imports
    for lost in combinations(names, count):
        kept = {name: library._folder.read(name) for name in lost}
        entries = {name: library._journal._written.read(f"{name}.json") for name in lost}
        lose(library, *lost)
        # Of two neighbours the earlier one is named by an entry that is lost with it.
        found = missing(library)
        assert found and set(found) <= set(lost)
        # A lost import may be named by files of several parts.
        assert sorted(set(missing(library, parts=3))) == found
        for name in lost:
            library._folder.publish(name, kept[name])
            library._journal._written.publish(f"{name}.json", entries[name])
        assert library.verify() == []


def test_a_lost_correction_is_said_to_bring_rows_back(imports):
    library, names = imports
    lose(library, names[-1])
    (damage,) = library.verify()
    assert damage.file == names[-1] and "the rows that it replaced come back" in damage.what


def test_the_loss_is_settled_by_repair_or_by_the_same_import(imports):
    library, names = imports
    lose(library, names[1], names[3])
    assert [damage.file for damage in library.repair()] == sorted([names[1], names[3]])
    assert library.verify() == []
    lose(library, names[2])
    assert missing(library) == [names[2]]
    assert library.add(runs(8, 12, product="Heron 0")).file == names[2]
    assert library.verify() == []


def test_what_a_file_set_aside_named_is_named_again(imports):
    library, names = imports
    (library._folder._path / names[2]).write_bytes(b"PAR1")
    library.repair()
    lose(library, names[1])
    assert missing(library) == [names[1]]
    library.add(runs(50, 52))
    assert missing(library) == [names[1]]


@pytest.mark.parametrize("rows", [6, 1_000])
def test_the_chain_outlives_compactions(imports, rows):
    library, _ = imports
    library.compact(rows=rows)
    library.add(runs(40, 44))
    assert library.verify() == []
    library.compact()
    assert library.verify() == []
    lose(library, *library._folder.names())
    # Nothing is left but the names of the newest.
    assert len(missing(library)) == 1
    library.add(runs(60, 62))
    assert len(missing(library)) == 1


def test_the_loss_of_a_compacted_file_names_its_imports(imports):
    library, names = imports
    (compacted,) = library.compact()
    last = library.add(runs(40, 44)).file
    lose(library, compacted)
    found = missing(library)
    assert last not in found and names[-1] in found


def test_imports_that_meet_are_joined_by_the_next(tmp_path, monkeypatch):
    library = Library(tmp_path)
    first = library.add(runs(0, 2)).file
    newest = type(library._journal).newest
    met = []

    def adding(self):
        listed = newest(self)
        if not met:
            met.append(None)
            other = Library(tmp_path)
            # As if it had begun before this import's file was there.
            other._enter = lambda view: None
            met[0] = other.add(runs(4, 6)).file
        return listed

    with monkeypatch.context() as patch:
        patch.setattr(type(library._journal), "newest", adding)
        second = library.add(runs(2, 4)).file
    assert library._journal.newest() == {second, met[0]}
    last = library.add(runs(6, 8)).file
    assert library._journal.newest() == {last}
    for name in (first, second, met[0]):
        data, entry = library._folder.read(name), library._journal._written.read(f"{name}.json")
        lose(library, name)
        assert missing(library) == [name]
        library._folder.publish(name, data)
        library._journal._written.publish(f"{name}.json", entry)


def test_two_writers_of_the_same_rows_drop_no_link(tmp_path, monkeypatch):
    library = Library(tmp_path)
    first = library.add(runs(0, 2)).file
    entry = type(library._journal).entry
    met = []

    def adding(self, name):
        if not met:
            met.append(name)
            Library(tmp_path).add(runs(2, 4))
        return entry(self, name)

    with monkeypatch.context() as patch:
        patch.setattr(type(library._journal), "entry", adding)
        library.add(runs(2, 4))
    lose(library, first)
    assert missing(library) == [first]


@pytest.mark.parametrize("compacted", [False, True])
def test_a_library_without_a_chain_is_whole_and_begins_one(imports, compacted):
    library, names = imports
    if compacted:
        library.compact()
    for path in library._journal._written._path.iterdir():
        values = json.loads(path.read_text())
        del values["after"]
        path.write_text(json.dumps(values))
    for name in library._journal.newest():
        library._journal._newest.remove(f"{name}.json")
    assert library.verify() == []
    last = library.add(runs(40, 44)).file
    assert set(library._journal.entry(last).after) == set(names)
    assert library.verify() == []
    if not compacted:
        lose(library, names[0], names[3])
        assert missing(library) == sorted([names[0], names[3]])


def test_a_compacted_file_whose_entry_is_lost_is_entered_again(imports):
    library, _ = imports
    (compacted,) = library.compact()
    library._journal.forget(compacted)
    assert library.verify() == []
    library.add(runs(40, 44))
    library.add(runs(44, 48))
    assert library.verify() == []
    library.compact()
    assert library.verify() == []


def test_an_import_during_a_verification_is_not_missed(imports, tmp_path, monkeypatch):
    library, _ = imports
    newest = type(library._journal).newest

    def adding(self):
        with monkeypatch.context() as patch:
            patch.setattr(type(library._journal), "newest", newest)
            Library(tmp_path).add(runs(80, 82))
        return newest(self)

    with monkeypatch.context() as patch:
        patch.setattr(type(library._journal), "newest", adding)
        assert library.verify() == []
