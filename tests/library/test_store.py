"""The append-only results library."""

import json
import os
import shutil
import subprocess
import sys
import textwrap
from dataclasses import FrozenInstanceError
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from pyarrow import fs

from thermcmp.errors import InputError, LibraryError
from thermcmp.library.journal import Journal
from thermcmp.library.storage import RemoteFolder
from thermcmp.library.store import DamageWarning, Library
from thermcmp.results.arrow import VERSION_KEY
from thermcmp.results.schema import SCHEMA_VERSION
from thermcmp.tabular.coercion import CONVERTERS
from thermcmp.tabular.column import Kind


def runs(first, last, **changes):
    frame = pd.DataFrame(
        {
            "lab": "north",
            "run": [f"r{i}" for i in range(first, last)],
            "sensor": "memory",
            "cooler_model": "Alder r1",
            "board_model": "Kestrel",
            "temperature_c": [80.0 + i % 7 for i in range(first, last)],
            "ambient_c": 21.5,
            "power_w": 220.0,
        }
    )
    return frame.assign(**changes)


def held(root, **equals):
    rows = Library(root).results(**equals)
    return list(zip(rows["run"], rows["power_w"], strict=True))


def files(root):
    return sorted((Path(root) / "results").glob("[!_]*.parquet"))


@pytest.fixture(params=["local", "url", "remote"])
def library(request, tmp_path):
    roots = {
        "local": tmp_path / "bench",
        "url": (tmp_path / "bench").as_uri(),
        "remote": "mock://bench/north",
    }
    return Library(roots[request.param])


def test_add_is_idempotent_by_row(library):
    first = library.add(runs(0, 3), source="monday.csv")
    assert (first.new, first.known) == (3, 0)
    again = library.add(runs(0, 3, source_file="copy.csv"))
    assert (again.new, again.known, again.file) == (0, 3, None)
    more = library.add(runs(1, 5))
    assert (more.new, more.known) == (2, 2)
    assert library.results()["run"].tolist() == ["r0", "r1", "r2", "r3", "r4"]
    assert library.verify() == []
    with pytest.raises(FrozenInstanceError):
        first.new = 7


def test_bad_rows_are_left_out_and_listed_where_asked(tmp_path):
    library, batch = Library(tmp_path), runs(0, 4)
    batch.loc[1, ["temperature_c", "ambient_c"]] = 21.5, 81.0
    batch.loc[3, "power_w"] = -5.0
    with pytest.raises(InputError, match="colder than the air"):
        library.add(batch)
    receipt = library.add(batch, bad_rows="skip")
    assert (receipt.new, receipt.known) == (2, 0)
    # A row is listed with each of its faults.
    assert {fault.row for fault in receipt.skipped} == {1, 3}
    assert any("colder than the air" in fault.message for fault in receipt.skipped)
    assert [run for run, _ in held(tmp_path)] == ["r0", "r2"]
    # Of two rows that contradict each other it is not known which is wrong.
    twice = runs(5, 7).assign(run="r5")
    with pytest.raises(InputError, match="second row"):
        library.add(twice, bad_rows="skip")
    with pytest.raises(InputError, match="column is missing"):
        library.add(runs(8, 9).drop(columns="sensor"), bad_rows="skip")
    with pytest.raises(InputError, match="use 'refuse' or 'skip'"):
        library.add(runs(8, 9), bad_rows="ignore")


def test_a_contradiction_names_run_sensor_columns_and_both_values(library):
    library.add(runs(0, 2, note="a"))
    with pytest.raises(InputError, match="supersede") as caught:
        library.add(runs(1, 3, power_w=230.0, note=None))
    (fault,) = caught.value.faults
    for word in ("'r1'", "'memory'", "power_w 220.0 and 230.0", "note a and blank"):
        assert word in fault.message
    assert len(library.results()) == 2


def test_a_correction_replaces_and_history_keeps_both(library):
    library.add(runs(0, 3), source="monday.csv")
    receipt = library.supersede(runs(1, 3, power_w=[225.0, 220.0]), "meter was off")
    assert (receipt.new, receipt.known) == (1, 1)
    again = library.supersede(runs(1, 2, power_w=225.0, source_file="copy.csv"), "once more")
    assert (again.new, again.known, again.file) == (0, 1, None)
    assert library.results()["power_w"].tolist() == [220.0, 225.0, 220.0]
    history = library.history()
    assert history["in_effect"].tolist() == [True, False, True, True]
    assert history["reason"].iloc[3] == "meter was off"
    assert history["source"].tolist()[:3] == ["monday.csv"] * 3
    assert history["power_w"].tolist() == [220.0, 220.0, 220.0, 225.0]
    assert library.verify() == []
    # The old import again changes nothing: the library knows that it was replaced.
    assert library.add(runs(0, 3)).known == 3
    assert library.results()["power_w"].tolist() == [220.0, 225.0, 220.0]


def test_corrections_follow_each_other_also_back_and_forth(library):
    library.add(runs(0, 1))
    for power_w in (230.0, 220.0, 230.0, 220.0):
        assert library.supersede(runs(0, 1, power_w=power_w), "again").new == 1
        assert library.results()["power_w"].tolist() == [power_w]
    assert len(library.history()) == 5
    assert library.verify() == []


@pytest.mark.parametrize("reason", ["", "  ", None])
def test_a_correction_needs_a_reason_and_rows_that_exist(tmp_path, reason):
    library = Library(tmp_path)
    library.add(runs(0, 1))
    with pytest.raises(InputError, match="reason"):
        library.supersede(runs(0, 1, power_w=230), reason)
    with pytest.raises(InputError, match="'r7'"):
        library.supersede(runs(7, 8), "why not")
    assert len(library.history()) == 1


def test_new_rows_must_agree_with_what_is_held(tmp_path):
    library = Library(tmp_path)
    library.add(runs(0, 2, board_id="b1", memory_vendor="Osmer"))
    with pytest.raises(InputError, match="Osmer") as caught:
        library.add(
            runs(1, 4, board_id=["b1", "b2", "b1"], memory_vendor=["Osmer", "Tavic", "Tavic"])
        )
    assert [f.column for f in caught.value.faults] == ["memory_vendor"]
    both = runs(0, 2, board_id="b1", memory_vendor="Tavic")
    with pytest.raises(InputError, match="Osmer"):
        library.supersede(both.iloc[:1], "label misread")
    assert library.supersede(both, "label misread").new == 2


def test_filters_take_values_and_lists_and_name_the_column_meant(tmp_path):
    library = Library(tmp_path)
    library.add(pd.concat([runs(0, 3), runs(0, 3, sensor="edge")]).assign(rack="left"))
    assert len(library.results(sensor="edge")) == 3
    assert held(tmp_path, sensor="memory", run=["r0", "r2"]) == [("r0", 220.0), ("r2", 220.0)]
    assert len(library.results(rack="left")) == 6
    assert str(library.results(run="none")["power_w"].dtype) == "float64"
    with pytest.raises(InputError, match="did you mean 'cooler_model'"):
        library.results(coolermodel="Alder r1")
    with pytest.raises(InputError, match="on_damage"):
        library.results(on_damage="ignore")


def test_the_order_of_imports_does_not_matter(tmp_path):
    parts = [runs(0, 2, heat=1), runs(2, 4), runs(4, 6, heat=2.5, note="x")]
    for name, order in (("a", parts), ("b", parts[::-1])):
        for part in order:
            Library(tmp_path / name).add(part)
    first, second = (Library(tmp_path / n).results() for n in "ab")
    pd.testing.assert_frame_equal(first[sorted(first)], second[sorted(second)])
    assert first["heat"].tolist()[4:] == [2.5, 2.5]


def test_objects_that_carry_results_are_taken(tmp_path):
    class Reduced:
        results = runs(0, 2)

    assert Library(tmp_path).add(Reduced()).new == 2
    with pytest.raises(InputError, match="DataFrame"):
        Library(tmp_path).add([1, 2])


def test_any_parquet_engine_reads_rows_and_units(tmp_path):
    Library(tmp_path).add(runs(0, 2))
    (path,) = files(tmp_path)
    assert pd.read_parquet(path)["temperature_c"].tolist() == [80.0, 81.0]
    assert pq.read_schema(path).field("power_w").metadata[b"unit"] == b"W"
    assert path.name == Library(tmp_path).history()["file"].iloc[0]


def damaged(root):
    """A library of four files, of which three are damaged in different ways."""
    library = Library(root)
    names = [library.add(runs(i, i + 1)).file for i in range(4)]
    folder = Path(root) / "results"
    cut = folder / names[1]
    cut.write_bytes(cut.read_bytes()[:-40])
    foreign = folder / "mine.parquet"
    pq.write_table(pa.table({"a": [1]}), foreign)
    newer = folder / names[2]
    table = pq.read_table(newer)
    later = str(SCHEMA_VERSION + 1)
    stamped = {**table.schema.metadata, VERSION_KEY: later.encode()}
    pq.write_table(table.replace_schema_metadata(stamped), newer)
    said = f"version {later}"
    return library, {names[1]: "cut short", "mine.parquet": "foreign", names[2]: said}


LATER = {
    1: ["regulated_by", "ambient_error_k", "fan_error_rpm", "power_error_w"],
    2: ["ambient_error_k", "fan_error_rpm", "power_error_w"],
}


@pytest.mark.parametrize(("version", "later"), LATER.items())
def test_a_file_of_an_older_layout_is_read_with_the_later_columns_blank(tmp_path, version, later):
    library = Library(tmp_path)
    path = tmp_path / "results" / library.add(runs(0, 2)).file
    library.add(runs(2, 3))
    table = pq.read_table(path)
    older = table.drop_columns(later)
    stamped = {**table.schema.metadata, VERSION_KEY: str(version).encode()}
    pq.write_table(older.replace_schema_metadata(stamped), path)
    rows = Library(tmp_path).results()
    assert rows["run"].tolist() == ["r0", "r1", "r2"]
    assert rows[later].isna().all(axis=None)
    assert not Library(tmp_path).verify()
    # A file of this layout without the column is no older one.
    pq.write_table(older.replace_schema_metadata(table.schema.metadata), path)
    with pytest.raises(LibraryError, match="altered"):
        Library(tmp_path).results()


def test_every_damaged_file_is_named_and_the_rest_is_read_on_request(tmp_path):
    library, expected = damaged(tmp_path)
    with pytest.raises(LibraryError) as caught:
        library.results()
    for name, word in expected.items():
        assert name in str(caught.value) and word in str(caught.value)
    with pytest.warns(DamageWarning, match="cut short"):
        assert library.results(on_damage="skip")["run"].tolist() == ["r0", "r3"]
    with pytest.warns(DamageWarning):
        assert len(library.history(on_damage="skip")) == 2
    found = {damage.file: damage for damage in library.verify()}
    assert found.keys() == expected.keys()
    assert all(expected[name] in found[name].what and found[name].cure for name in expected)
    for write in (lambda: library.add(runs(8, 9)), lambda: library.supersede(runs(0, 1), "x")):
        with pytest.raises(LibraryError, match="mine"):
            write()


def test_a_damaged_file_moved_away_can_be_imported_again(tmp_path):
    library = Library(tmp_path)
    name = library.add(runs(0, 3)).file
    path = tmp_path / "results" / name
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    assert "cut short" in library.verify()[0].what
    path.rename(tmp_path / "cut.parquet")
    assert library.add(runs(0, 3)).file == name
    assert library.verify() == []


def test_no_cut_and_no_flipped_byte_gives_wrong_rows(tmp_path):
    library = Library(tmp_path)
    library.add(runs(0, 5))
    (path,) = files(tmp_path)
    whole, rows = path.read_bytes(), library.results()
    for length in range(0, len(whole), 1997):
        path.write_bytes(whole[:length])
        with pytest.raises(LibraryError, match="cut short"):
            library.results()
    refused = 0
    for spot in range(4, len(whole), 311):
        path.write_bytes(whole[:spot] + bytes([whole[spot] ^ 0x10]) + whole[spot + 1 :])
        try:
            found = library.results()
        except LibraryError:
            refused += 1
        else:
            # The byte stood in a place that holds no value, such as statistics.
            pd.testing.assert_frame_equal(found, rows)
    assert refused > 10


def test_altered_rows_are_found_by_their_hash(tmp_path):
    library = Library(tmp_path)
    library.add(runs(0, 3))
    (path,) = files(tmp_path)
    table = pq.read_table(path)
    spot = table.schema.get_field_index("temperature_c")
    cooler = pa.array([70.0, 70.0, 70.0])
    pq.write_table(table.set_column(spot, table.schema.field(spot), cooler), path)
    (damage,) = library.verify()
    assert "hash" in damage.what and damage.file == path.name


def test_a_renamed_file_and_a_missing_one_are_found(tmp_path):
    library = Library(tmp_path)
    first = tmp_path / "results" / library.add(runs(0, 3)).file
    copy = first.with_name("copy.parquet")
    copy.write_bytes(first.read_bytes())
    assert "renamed" in library.verify()[0].what
    copy.unlink()
    library.supersede(runs(0, 1, power_w=230.0), "meter was off")
    first.unlink()
    (damage,) = library.verify()
    assert damage.file == first.name and "missing" in damage.what


def test_a_damaged_correction_says_that_old_rows_come_back(tmp_path):
    library = Library(tmp_path)
    library.add(runs(0, 2))
    name = library.supersede(runs(0, 1, power_w=230.0), "meter was off").file
    (tmp_path / "results" / name).write_bytes(b"PAR1")
    with pytest.warns(DamageWarning, match="correction"):
        assert library.results(on_damage="skip")["power_w"].tolist() == [220.0, 220.0]


def test_unfinished_and_unrelated_files_are_passed_over(tmp_path):
    library = Library(tmp_path)
    library.add(runs(0, 2))
    for name in ("_tmp-1234", "_tmp-1.parquet", ".hidden.parquet", "notes.txt"):
        (tmp_path / "results" / name).write_bytes(b"half")
    assert len(library.results()) == 2
    assert library.verify() == []


# Each step of a write at which a process can die.
STEPS = {
    "before the bytes": (Path, "open"),
    "before they reach the disk": (os, "fsync"),
    "before they are read back": (Path, "read_bytes"),
    "before the rename": (os, "link"),
}
KILLED = """
    import os
    import pandas as pd
    from thermcmp.library.store import Library
    os.link = lambda *names: os._exit(9)
    Library({root!r}).add(pd.read_json({frame!r}, orient="split"))
"""


def test_a_killed_writer_leaves_nothing_visible(tmp_path):
    (tmp_path / "new.json").write_text(runs(2, 4).to_json(orient="split"))
    root = tmp_path / "bench"
    library = Library(root)
    library.add(runs(0, 2))
    script = textwrap.dedent(KILLED).format(frame=str(tmp_path / "new.json"), root=str(root))
    assert subprocess.run([sys.executable, "-c", script], check=False).returncode == 9
    assert len(list((root / "results").glob("_tmp-*"))) == 1
    assert held(root) == [("r0", 220.0), ("r1", 220.0)]
    assert library.verify() == []
    assert library.add(runs(2, 4)).new == 2


@pytest.mark.parametrize("step", STEPS)
def test_a_writer_that_dies_at_any_step_leaves_nothing_visible(tmp_path, monkeypatch, step):
    library = Library(tmp_path)
    library.add(runs(0, 2))
    fail_at(monkeypatch, step)
    # A dead process cleans nothing up.
    monkeypatch.setattr(Path, "unlink", lambda *args, **kwargs: None)
    with pytest.raises(OSError, match="disk is full"):
        library.add(runs(2, 4))
    monkeypatch.undo()
    assert held(tmp_path) == [("r0", 220.0), ("r1", 220.0)]
    assert library.verify() == []
    assert library.add(runs(2, 4)).new == 2


def fail_at(monkeypatch, step):
    """Let one step of a write fail; reading what is held still works."""
    owner, name = STEPS[step]
    original = getattr(owner, name)

    def fail(*args, **kwargs):
        if owner is os or args[0].name.startswith("_tmp-"):
            raise OSError("the disk is full")
        return original(*args, **kwargs)

    monkeypatch.setattr(owner, name, fail)


@pytest.mark.parametrize("step", STEPS)
def test_a_failed_write_is_raised_and_cleans_up(tmp_path, monkeypatch, step):
    library = Library(tmp_path)
    library.add(runs(0, 2))
    before = sorted((tmp_path / "results").iterdir())
    fail_at(monkeypatch, step)
    with pytest.raises(OSError, match="disk is full"):
        library.add(runs(2, 4))
    monkeypatch.undo()
    assert sorted((tmp_path / "results").iterdir()) == before


def test_bytes_that_come_back_altered_are_not_published(tmp_path, monkeypatch):
    library = Library(tmp_path)
    library.add(runs(0, 2))
    original = Path.read_bytes

    def cut(path):
        data = original(path)
        return data[:-100] if path.name.startswith("_tmp-") else data

    monkeypatch.setattr(Path, "read_bytes", cut)
    with pytest.raises(LibraryError, match="Nothing was imported"):
        library.add(runs(2, 4))
    monkeypatch.undo()
    assert len(list((tmp_path / "results").iterdir())) == 1


IMPORTING = """
    import sys
    import pandas as pd
    from thermcmp.library.store import Library
    library = Library({root!r})
    library.results()
    print("ready", flush=True)
    sys.stdin.readline()
    # First rows that all processes share, then rows of its own.
    for name in ("shared", "own{part}"):
        library.add(pd.read_json({folder!r} + "/" + name + ".json", orient="split"))
"""


def test_the_same_rows_imported_twice_at_once_have_the_note_of_one(tmp_path, monkeypatch):
    first, second = Library(tmp_path), Library(tmp_path)
    before, record = second._view(), Journal.record

    def record_after_another(journal, *entry):
        """The second import began before the first one's file, and ends before its entry."""
        monkeypatch.setattr(Journal, "record", record)
        monkeypatch.setattr(second, "_view", lambda: before)
        second.add(runs(0, 3), source="second.csv")
        record(journal, *entry)

    monkeypatch.setattr(Journal, "record", record_after_another)
    first.add(runs(0, 3), source="first.csv")
    assert Library(tmp_path).verify() == []
    assert set(Library(tmp_path).history()["source"]) == {"first.csv"}
    assert len(list((tmp_path / "results").iterdir())) == 1


def test_processes_importing_at_once_lose_and_double_nothing(tmp_path):
    parts = {"shared": (1000, 1010), **{f"own{i}": (i * 10, i * 10 + 12) for i in range(4)}}
    for name, span in parts.items():
        (tmp_path / f"{name}.json").write_text(runs(*span).to_json(orient="split"))
    root = str(tmp_path / "bench")
    writers = [
        subprocess.Popen(
            [
                sys.executable,
                "-W",
                "error",
                "-c",
                textwrap.dedent(IMPORTING).format(root=root, folder=str(tmp_path), part=i),
            ],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for i in range(4)
    ]
    assert [writer.stdout.readline() for writer in writers] == ["ready\n"] * 4
    for writer in writers:
        writer.stdin.write("go\n")
        writer.stdin.flush()
    ends = [(writer.communicate()[1], writer.returncode) for writer in writers]
    assert ends == [("", 0)] * 4
    assert sorted(Library(root).results()["run"]) == sorted(
        f"r{i}" for i in [*range(42), *range(1000, 1010)]
    )
    assert Library(root).verify() == []


def test_a_failed_remote_write_leaves_nothing():
    system, _ = fs.FileSystem.from_uri("mock://bench")
    folder = RemoteFolder(system, "bench/results", ".parquet")

    def refuse(data):
        raise OSError(f"{len(data)} bytes")

    with pytest.raises(OSError, match="4 bytes"):
        folder.publish("x.parquet", b"half", refuse)
    assert system.get_file_info(fs.FileSelector("bench/results")) == []
    folder.publish("x.parquet", b"half", lambda data: None)
    assert folder.names() == ["x.parquet"] and folder.read("x.parquet") == b"half"


def race(tmp_path, one, other):
    """Bring about what two writers leave that did not see each other."""
    for name, frame in (("a", one), ("b", other)):
        Library(tmp_path / name).add(frame)
    for path in files(tmp_path / "b"):
        path.rename(tmp_path / "a" / "results" / path.name)
    return Library(tmp_path / "a")


def test_equal_rows_of_two_writers_are_one(tmp_path):
    library = race(tmp_path, runs(0, 3), runs(1, 5, source_file="other.csv"))
    assert library.results()["run"].tolist() == ["r0", "r1", "r2", "r3", "r4"]
    assert library.verify() == []
    assert library.history()["in_effect"].sum() == 5
    library.supersede(runs(1, 3, power_w=230.0), "meter was off")
    assert library.results()["power_w"].tolist() == [220, 230, 230, 220, 220]


def test_different_values_of_two_writers_are_reported_and_can_be_settled(tmp_path):
    library = race(tmp_path, runs(0, 2), runs(1, 3, power_w=230.0))
    with pytest.raises(LibraryError, match=r"'r1'.*power_w (220.0 and 230.0|230.0 and 220.0)"):
        library.results()
    with pytest.warns(DamageWarning, match="'r1'"):
        assert library.results(on_damage="skip")["run"].tolist() == ["r0", "r2"]
    (damage,) = library.verify()
    assert "supersede" in damage.cure
    library.supersede(runs(1, 2, power_w=230.0), "the second meter holds")
    assert held(tmp_path / "a") == [("r0", 220.0), ("r1", 230.0), ("r2", 230.0)]
    assert library.verify() == []


def test_an_empty_import_writes_nothing(tmp_path):
    assert Library(tmp_path).add(runs(0, 0)).file is None
    assert files(tmp_path) == []


@pytest.fixture
def corrected(tmp_path):
    """A library of two runs, one of them corrected, and the name of the correction."""
    library = Library(tmp_path / "bench")
    library.add(runs(0, 2), source="monday.csv")
    return library, library.supersede(runs(0, 1, power_w=230.0), "meter was off").file


def results_of(library):
    return Path(library.root) / "results"


def test_a_lost_correction_is_noticed_and_its_rows_do_not_come_back(corrected):
    library, name = corrected
    (results_of(library) / name).unlink()
    (damage,) = library.verify()
    assert damage.file == name and "missing" in damage.what and "come back" in damage.what
    with pytest.raises(LibraryError, match="missing"):
        library.results()
    with pytest.raises(LibraryError, match="missing"):
        library.add(runs(5, 6))
    assert [damage.file for damage in library.repair()] == [name]
    assert library.verify() == []
    assert library.results()["run"].tolist() == ["r1"]
    # The old values are known to be wrong; the corrected ones can be imported again.
    assert (library.add(runs(0, 2)).new, library.add(runs(0, 1, power_w=230.0)).new) == (0, 1)
    assert library.results()["power_w"].tolist() == [230.0, 220.0]
    assert library.verify() == []


def test_a_lost_file_is_restored_by_importing_its_source_again(tmp_path):
    library = Library(tmp_path)
    name = library.add(runs(0, 3)).file
    library.add(runs(3, 4))
    (tmp_path / "results" / name).unlink()
    assert "missing" in library.verify()[0].what
    assert library.add(runs(0, 3)).file == name
    assert library.verify() == []


@pytest.mark.parametrize("field", ["imported_at", "source", "reason", "library_version"])
def test_a_forged_note_is_noticed(corrected, field):
    library, name = corrected
    path = results_of(library) / name
    table = pq.read_table(path)
    note = json.loads(table.schema.metadata[b"thermcmp.note"])
    note[field] = "2020-01-01T00:00:00+00:00" if field == "imported_at" else "another"
    stamped = {**table.schema.metadata, b"thermcmp.note": json.dumps(note).encode()}
    pq.write_table(table.replace_schema_metadata(stamped), path)
    (damage,) = library.verify()
    assert damage.file == name and "altered" in damage.what


@pytest.mark.parametrize("field", ["imported_at", "source", "reason", "supersedes"])
def test_a_forged_entry_of_a_whole_file_is_noticed(corrected, field):
    library, name = corrected
    path = results_of(library).parent / "imports" / f"{name}.json"
    values = json.loads(path.read_text())
    forged = {"imported_at": "2020-01-01T00:00:00+00:00", "supersedes": []}
    values["note"][field] = forged.get(field, "another")
    path.write_text(json.dumps(values))
    (damage,) = library.verify()
    assert damage.file == name and "altered" in damage.what
    assert [damage.file for damage in library.repair()] == [name]
    assert library.verify() == []


def test_repair_sets_damaged_files_aside_with_a_note(tmp_path):
    library, expected = damaged(tmp_path)
    taken = {damage.file: damage.what for damage in library.repair()}
    assert taken.keys() == expected.keys()
    assert library.verify() == []
    assert library.results()["run"].tolist() == ["r0", "r3"]
    for name, word in expected.items():
        assert (tmp_path / "quarantine" / name).exists()
        assert word in json.loads((tmp_path / "quarantine" / f"{name}.json").read_text())["what"]
    assert library.add(runs(1, 2)).new == 1
    assert library.repair() == []


def test_what_a_killed_import_left_behind_is_named_and_removed(tmp_path):
    library = Library(tmp_path)
    library.add(runs(0, 2))
    left = tmp_path / "results" / "_tmp-1234"
    left.write_bytes(b"half")
    assert library.verify() == []
    os.utime(left, (0, 0))
    (damage,) = library.verify()
    assert damage.file == left.name and "killed" in damage.what
    assert [damage.file for damage in library.repair()] == [left.name]
    assert not left.exists()
    assert library.verify() == []


def test_rules_between_rows_are_checked_across_files(tmp_path):
    junction = runs(0, 1, sensor="junction", cooler_model="Alder r2", power_w=180.0)
    library = race(tmp_path, runs(0, 2), junction)
    damages = library.verify()
    assert {damage.file for damage in damages} <= {path.name for path in files(tmp_path / "a")}
    words = " ".join(damage.what for damage in damages)
    assert "cooler_model" in words and "power_w" in words
    assert "supersede" in damages[0].cure


def test_a_library_without_entries_gets_them_at_the_next_import(tmp_path):
    library = Library(tmp_path)
    name = library.add(runs(0, 2)).file
    shutil.rmtree(tmp_path / "imports")
    assert library.verify() == []
    library.add(runs(2, 3))
    assert len(list((tmp_path / "imports").iterdir())) == 2
    (tmp_path / "results" / name).unlink()
    assert library.verify()[0].file == name


@pytest.mark.parametrize("root", ["memory://bench", "nonsense://x", Path("s3://bucket/bench")])
def test_a_root_that_is_no_file_system_is_refused(root, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(InputError, match="cannot be opened"):
        Library(root)
    assert list(tmp_path.iterdir()) == []


def test_names_of_an_older_version_are_read_in_one_spelling(tmp_path, monkeypatch):
    odd = runs(0, 2, cooler_model="Alder\u00a0r1", lab="north\u200b")
    with monkeypatch.context() as older:
        older.setitem(CONVERTERS, Kind.TEXT, str.strip)
        Library(tmp_path).add(odd)
    # That version had no index.
    shutil.rmtree(tmp_path / "index")
    library = Library(tmp_path)
    assert library.verify() == []
    assert (library.add(odd).new, library.add(runs(0, 2)).new) == (0, 0)
    assert len(library.results(cooler_model="Alder\u00a0r1")) == 2
    library.supersede(runs(0, 1, power_w=230.0), "meter was off")
    assert held(tmp_path, cooler_model="Alder r1") == [("r0", 230.0), ("r1", 220.0)]


def test_an_extra_column_that_cannot_be_stored_is_named(tmp_path):
    with pytest.raises(InputError, match="serial"):
        Library(tmp_path).add(runs(0, 1, serial=pd.Series([2**70], dtype=object)))
