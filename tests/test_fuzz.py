"""Hostile input: whatever the bytes, an answer or one of our errors.

THERMCMP_FUZZ sets the number of inputs of each kind; thousands are for a run by hand.
"""

from __future__ import annotations

import io
import os
import warnings
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from openpyxl.utils.exceptions import IllegalCharacterError

from tests.library.test_store import runs
from thermcmp.errors import ThermcmpError
from thermcmp.inference.fitting import fit
from thermcmp.inference.storage import load_fit, save_fit
from thermcmp.library.store import Library
from thermcmp.results.firmware_table import read_firmware
from thermcmp.results.results_table import read_results
from thermcmp.results.validation import check_results
from thermcmp.telemetry.campaign.run_sheet import read_run_sheet
from thermcmp.telemetry.inspection.question import inspect
from thermcmp.telemetry.reading.frame import read_telemetry

DEMO = Path(__file__).parents[1] / "datasets" / "demo"
FUZZ = settings(
    max_examples=int(os.environ.get("THERMCMP_FUZZ", "15")),
    deadline=None,
    derandomize="THERMCMP_FUZZ" not in os.environ,
    database=None,
    # Shrinking an input takes minutes.
    phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)
#: What readers stumble over: numbers, quotes, signs that hide or turn text, other alphabets.
TOKENS = st.one_of(
    st.sampled_from(
        ["", ",", ";", "\t", '"', "'", "\n", "\r", "\r\n", "\0", "\x1b[2J", "\ufeff", "\u202e",
         "\u200b", "nan", "NA", "inf", "-inf", "1e999", "-0", "0x1F", "1_000", "1,5", "1.5.2",
         "1.000,5", "9" * 400, "=1+1", "@SUM(A1)", "../..", "٣٫٥", "½", "−5", "1e-400",
         "2026-02-30", "24:00:00", "12:61", "99999-01-01", "true", "°C", "K", "lb", "[W]", "(rpm)",
         "$", "{}", "冷却", "🔥", "e\u0301", "A" * 5000, "," * 3000, "\n" * 300, "run",
         "sensor", "power_w"]
    ),
    st.text(max_size=8),
    st.floats().map(repr),
    st.integers().map(str),
)  # fmt: skip
#: Where, how much is cut away there, and what is put in its place.
EDITS = st.lists(st.tuples(st.floats(0.0, 1.0), st.integers(0, 30), TOKENS), min_size=1, max_size=6)
BYTE_EDITS = st.lists(
    st.tuples(st.floats(0.0, 1.0), st.integers(0, 30), st.binary(max_size=12)),
    min_size=1,
    max_size=4,
)
VALUES = st.one_of(
    st.none(), st.booleans(), st.floats(), st.integers(), st.text(max_size=6), TOKENS,
    st.integers(2**62, 2**80), st.binary(max_size=4), st.dates(), st.datetimes(),
    st.timedeltas(), st.decimals(), st.complex_numbers(), st.just([1]), st.just({"a": 1}),
    st.just(pd.NaT), st.just(pd.NA), st.just(np.float32(7)), st.just("lone \udce9"),
)  # fmt: skip


def edited(whole, edits):
    for where, cut, put in edits:
        at = int(where * len(whole))
        whole = whole[:at] + put + whole[at + cut :]
    return whole


def attempt(call, *arguments, **options):
    """Call; one of our errors, with its places and fixes, is as good as an answer."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            return call(*arguments, **options)
        except ThermcmpError as error:
            assert str(error)
            assert all(fault.message and fault.fix for fault in getattr(error, "faults", ()))
            return None


TABLE = runs(0, 4).to_csv(index=False)
LOG = "time_s,memory_c,ambient_c,fan_rpm,power_w\n" + "".join(
    f"{second},{50 + second % 7}.5,21.0,1800,220\n" for second in range(120)
)
SHEET = "file,run,product,cooler_model,board_model,lab,from_s,to_s\n" + "".join(
    f"r{i}.csv,R{i},Alder,Alder r1,Quarz,north,0,900\n" for i in range(3)
)
FIRMWARE = (DEMO / "firmware.csv").read_text(encoding="utf-8-sig")
READERS = {
    "results": (read_results, TABLE),
    "log": (read_telemetry, LOG),
    "inspection": (inspect, LOG),
    "run sheet": (read_run_sheet, SHEET),
    "firmware": (read_firmware, FIRMWARE),
}


@FUZZ
@pytest.mark.parametrize("kind", READERS)
@given(edits=EDITS, encoding=st.sampled_from(["utf-8", "utf-16", "cp1252", "utf-8-sig"]))
def test_text(tmp_path, kind, edits, encoding):
    read, whole = READERS[kind]
    path = tmp_path / "file.csv"
    path.write_bytes(edited(whole, edits).encode(encoding, errors="replace"))
    attempt(read, path)


@FUZZ
@pytest.mark.parametrize("kind", READERS)
@given(edits=BYTE_EDITS)
def test_bytes(tmp_path, kind, edits):
    read, whole = READERS[kind]
    path = tmp_path / "file.csv"
    path.write_bytes(edited(whole.encode(), edits))
    attempt(read, path)


@FUZZ
@given(cells=st.lists(st.tuples(st.integers(0, 4), st.integers(0, 7), VALUES), max_size=5))
def test_frames(cells):
    frame = runs(0, 4).astype(object)
    for row, column, value in cells:
        column = frame.columns[column]
        values = frame[column].tolist()
        values[row % 4] = value
        frame[column] = pd.Series(values, dtype=object, index=frame.index)
    attempt(check_results, frame)
    attempt(read_run_sheet, frame.assign(file="a.csv"))


@FUZZ
@given(cells=st.lists(st.tuples(st.integers(1, 6), st.integers(1, 9), VALUES), max_size=5))
def test_cells_of_a_workbook(tmp_path, cells):
    book = openpyxl.Workbook()
    for values in (runs(0, 4).columns, *runs(0, 4).itertuples(index=False)):
        book.active.append(list(values))
    for row, column, value in cells:
        try:
            book.active.cell(row, column, value)
        except (ValueError, TypeError, IllegalCharacterError):
            # What a workbook cannot hold.
            continue
    path = tmp_path / "book.xlsx"
    try:
        book.save(path)
    except (ValueError, TypeError, AttributeError, UnicodeEncodeError, OverflowError):
        return
    attempt(read_results, path)
    attempt(read_run_sheet, path)
    attempt(read_firmware, path)


@pytest.fixture(scope="module")
def workbook():
    sink = io.BytesIO()
    runs(0, 4).to_excel(sink, index=False)
    return sink.getvalue()


@pytest.fixture(scope="module")
def parquet():
    sink = io.BytesIO()
    runs(0, 4).to_parquet(sink)
    return sink.getvalue()


@FUZZ
@given(edits=BYTE_EDITS)
def test_bytes_of_a_workbook(tmp_path, workbook, edits):
    path = tmp_path / "book.xlsx"
    path.write_bytes(edited(workbook, edits))
    attempt(read_results, path)


@FUZZ
@given(edits=BYTE_EDITS)
def test_bytes_of_column_files(tmp_path, parquet, edits):
    path = tmp_path / "table.parquet"
    path.write_bytes(edited(parquet, edits))
    attempt(read_results, path)
    attempt(read_telemetry, path)
    attempt(inspect, path)


@FUZZ
@given(edits=BYTE_EDITS)
def test_bytes_of_a_library(tmp_path, edits):
    root = tmp_path / "library"
    if not root.exists():
        Library(root).add(runs(0, 4))
    (path,) = (root / "results").glob("*.parquet")
    whole = path.read_bytes()
    try:
        path.write_bytes(edited(whole, edits))
        rows = attempt(Library(root).results)
        damages = Library(root).verify()
        # What opens without a word is what was imported.
        assert rows is None or damages or len(rows) == 4
    finally:
        path.write_bytes(whole)


ODD_COLUMNS = st.sampled_from([
    pa.array([[1.0], None, [2.0, 3.0]]), pa.array([{"a": 1}, None, {"a": 2}]),
    pa.array([Decimal("1.50"), None, Decimal("2")]), pa.array([b"a", b"\xff", None]),
    pa.array([date(2026, 1, 1), None, date(1, 1, 1)]), pa.array([timedelta(1), None, timedelta(2)]),
    pa.array(["a", None, "b"]).dictionary_encode(), pa.nulls(3),
    pa.array([2**63, None, 1], pa.uint64()),
    pa.array([1.5, float("nan"), float("inf")], pa.float16()), pa.array([True, None, False]),
    pa.array([2**62, -1, None], pa.timestamp("s")), pa.array([1, 2, 3], pa.time64("ns")),
    pa.array([1, 2, 3], pa.timestamp("us", "Mars/Base")),
])  # fmt: skip


@FUZZ
@given(odd=st.dictionaries(
    st.sampled_from(["run", "sensor", "power_w", "temperature_c", "time_s", "memory_c", "other"]),
    ODD_COLUMNS, min_size=1,
))  # fmt: skip
def test_types_of_column_files(tmp_path, odd):
    path = tmp_path / "table.parquet"
    table = pa.Table.from_pandas(runs(0, 3), preserve_index=False)
    table = table.append_column("time_s", pa.array([0.0, 1.0, 2.0]))
    for name, column in odd.items():
        at = table.schema.get_field_index(name)
        table = table.append_column(name, column) if at < 0 else table.set_column(at, name, column)
    try:
        pq.write_table(table, path)
    except (pa.ArrowException, ValueError):
        return
    attempt(read_results, path)
    attempt(read_telemetry, path)
    attempt(inspect, path)
    attempt(read_run_sheet, path)


@pytest.fixture(scope="module")
def saved(tmp_path_factory):
    rows = runs(0, 6, cooler_model=["Alder r1", "Alder r2"] * 3, fan_rpm=1800.0)
    path = tmp_path_factory.mktemp("fit") / "fit.nc"
    save_fit(fit(rows, draws=400, seed=1, expand="none"), path)
    return path.read_bytes()


@pytest.mark.study
# h5netcdf's own clean-up of a file that it could not open.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@FUZZ
@given(edits=BYTE_EDITS)
def test_bytes_of_a_saved_fit(tmp_path, saved, edits):
    path = tmp_path / "fit.nc"
    altered = edited(saved, edits)
    path.write_bytes(altered)
    # Nothing that was altered loads.
    assert (attempt(load_fit, path) is None) == (altered != saved)
