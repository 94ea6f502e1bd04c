"""Readers of plug-ins: which files they take, and the checks that their frames pass."""

import types

import numpy as np
import pandas as pd
import pytest

import thermcmp as tc
from thermcmp import hooks
from thermcmp.errors import InputError
from thermcmp.hooks import hookimpl, use_plugin


@pytest.fixture(autouse=True)
def fresh_registry():
    hooks._registry.cache_clear()
    yield
    hooks._registry.cache_clear()


class Pairs:
    """A reader of lines such as ``memory_c=50 power_w=200``, one per second."""

    def __init__(self, name="pairs", suffixes=(".pairs",), first_bytes=(), options=()):
        self.name, self.suffixes = name, suffixes
        self.first_bytes, self.options = first_bytes, options

    def read(self, path, reading, book):
        text = path.read_text(encoding=reading.encoding).removeprefix("#pairs\n")
        rows = [dict(pair.split("=") for pair in line.split()) for line in text.splitlines()]
        frame = pd.DataFrame(rows).astype(float)
        yield frame.assign(elapsed_s=np.arange(len(frame)) * 1.0)


def use(*readers, name="lab"):
    module = types.ModuleType(name)
    module.__version__ = "1.0"
    module.readers = hookimpl(specname="thermcmp_readers")(lambda: list(readers))
    use_plugin(module, name)


def log(path, readings=60, **values):
    values = values or {"memory_c": 80.0, "power_w": 200.0}
    line = " ".join(f"{name}={value}" for name, value in values.items())
    path.write_text("\n".join([line] * readings))
    return path


def test_a_folder_is_searched_for_the_endings_of_plugins(tmp_path):
    log(tmp_path / "run.pairs")
    (tmp_path / "notes.other").write_text("x")
    sheet = pd.DataFrame(
        {"file": ["run.pairs"], "run": ["R"], "cooler_model": "C", "board_model": "D"}
    )
    refused = tc.reduce_logs(tmp_path, sheet, progress=False).refused["reason"].tolist()
    assert "not found" in refused[0]
    use(Pairs())
    reduced = tc.reduce_logs(tmp_path, sheet, progress=False)
    # It was found and read; a minute at load is too short for a result.
    assert "at load" in reduced.refused["reason"].iloc[0]
    assert reduced.notes["note"].tolist()[0] == "read by 'pairs' of plug-in 'lab' (1.0)"


def test_first_bytes_decide_between_readers_of_one_ending(tmp_path):
    use(Pairs(suffixes=(".txt",), first_bytes=(b"#pairs\n",)))
    own, plain, marked = tmp_path / "own.txt", tmp_path / "plain.txt", tmp_path / "marked.txt"
    own.write_text("#pairs\nmemory_c=50\nmemory_c=51\n")
    marked.write_bytes(b"\xef\xbb\xbf" + own.read_bytes())
    plain.write_text("elapsed_s;memory_c\n0;50\n1;51\n")
    assert "'pairs'" in tc.read_telemetry(own).attrs["notes"][0]
    assert tc.read_telemetry(plain)["memory_c"].tolist() == [50.0, 51.0]
    assert not [note for note in tc.read_telemetry(plain).attrs["notes"] if "pairs" in note]
    assert hooks.provided("thermcmp_readers")[-1].item.first_bytes == (b"#pairs\n",)
    from thermcmp.telemetry.reading.readers import reader_of

    assert reader_of(marked).name == "pairs"


def test_of_two_claimants_the_built_in_and_then_the_first_registered_reads(tmp_path):
    from thermcmp.telemetry.reading.readers import reader_of

    use(Pairs("first", (".pairs", ".csv")), name="one")
    use(Pairs("second", (".pairs",)), name="two")
    assert reader_of(tmp_path / "a.pairs").name == "first"
    assert reader_of(tmp_path / "a.CSV").name == "delimited text"
    assert reader_of(tmp_path / "a.xyz") is None


def test_what_a_reader_yields_passes_the_checks_of_units_and_ranges(tmp_path):
    use(Pairs())
    hot = log(tmp_path / "hot.pairs", memory_c=8000.0, power_w=200.0)
    with pytest.raises(InputError, match="60 of 60 readings are outside"):
        tc.read_telemetry(hot)
    broken = log(tmp_path / "broken.pairs", memory_c=-127.0, power_w=200.0)
    assert tc.read_telemetry(broken)["memory_c"].isna().all()
    headings = log(tmp_path / "units.pairs", **{"Memory[°F]": 176.0, "Power[mW]": 2e5})
    frame = tc.read_telemetry(headings)
    assert frame["memory_c"].iloc[0] == pytest.approx(80.0)
    assert frame["power_w"].iloc[0] == pytest.approx(200.0)


def test_columns_and_units_are_obeyed_and_other_options_refused(tmp_path):
    use(Pairs())
    path = log(tmp_path / "run.pairs", T1=176.0, power_w=200.0)
    frame = tc.read_telemetry(path, {"memory_c": "T1"}, units={"memory_c": "°F"})
    assert frame["memory_c"].iloc[0] == pytest.approx(80.0)
    assert "power_w" not in frame
    with pytest.raises(InputError, match="no such heading"):
        tc.read_telemetry(path, {"memory_c": "T2"})
    with pytest.raises(InputError, match=r"'encoding': the reader 'pairs' does not take this"):
        tc.read_telemetry(path, {"memory_c": "T1"}, encoding="utf-16")


def test_an_option_that_the_reader_obeys_is_passed(tmp_path):
    use(Pairs(options=("encoding",)))
    path = tmp_path / "run.pairs"
    path.write_text("memory_c=50\nmemory_c=51", encoding="utf-16")
    assert tc.read_telemetry(path, encoding="utf-16")["memory_c"].tolist() == [50.0, 51.0]


def test_a_log_without_readings_is_refused(tmp_path):
    use(Pairs())
    path = tmp_path / "run.pairs"
    path.write_text("")
    with pytest.raises(InputError, match="no readings"):
        tc.read_telemetry(path)
