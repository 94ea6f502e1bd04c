"""Parts of a verification and columns of the rows: together they are the whole."""

import pyarrow as pa
import pytest

from tests.library.test_store import files, race, runs
from thermcmp.errors import InputError
from thermcmp.library.store import Library


def test_the_parts_of_a_verification_find_each_damage_once(tmp_path):
    library = race(tmp_path, runs(0, 2), runs(1, 3, power_w=230.0))
    names = [library.add(runs(k, k + 1)).file for k in range(10, 16)]
    for name in names[:3]:
        path = library._folder._path / name
        path.write_bytes(path.read_bytes()[:-40])
    whole = [str(damage) for damage in library.verify()]
    parts = [str(damage) for k in range(1, 6) for damage in library.verify(part=(k, 5))]
    assert len(whole) == 4
    assert sorted(parts) == sorted(whole)
    for part in ((0, 5), (6, 5)):
        with pytest.raises(InputError, match="no such part"):
            library.verify(part=part)


def test_an_altered_index_is_named_and_removed(tmp_path):
    library = Library(tmp_path)
    library.add(runs(0, 4))
    (path,) = (tmp_path / "index").iterdir()
    table = pa.ipc.open_file(path.read_bytes()).read_all()
    hashes = pa.array([value.as_py() ^ 1 for value in table["hash"]], pa.uint64())
    with pa.ipc.new_file(str(path), table.schema) as writer:
        writer.write_table(table.set_column(0, "hash", hashes))
    (damage,) = library.verify()
    assert damage.file == path.name and "index" in damage.what
    assert len(library.repair()) == 1
    assert library.verify() == []
    assert len(library.results(sensor="memory")) == 4


def test_columns_are_read_alone_and_unknown_ones_named(tmp_path):
    library = race(tmp_path, runs(0, 3, rack="left"), runs(1, 5, rack="left", source_file="b.csv"))
    assert len(files(library.root)) == 2
    found = library.results(columns=["power_w", "rack", "run"])
    assert list(found) == ["power_w", "rack", "run"]
    assert found["run"].tolist() == ["r0", "r1", "r2", "r3", "r4"]
    whole = library.results(run=["r1", "r4"])
    assert library.results(run=["r1", "r4"], columns=list(whole)).equals(whole)
    with pytest.raises(InputError, match="did you mean 'power_w'"):
        library.results(columns=["powerw"])
