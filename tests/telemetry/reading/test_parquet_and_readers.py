"""Parquet telemetry, and readers of plug-ins."""

from __future__ import annotations

from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from thermcmp.errors import InputError
from thermcmp.hooks import forget_plugin, hookimpl, use_plugin
from thermcmp.telemetry.reading.frame import read_telemetry
from thermcmp.telemetry.reading.readers import TelemetryReader, find_reader, telemetry_readers


def test_a_frame_comes_back_from_parquet(tmp_path, clean_run):
    frame = clean_run(seconds=200)
    frame.to_csv(tmp_path / "run.csv", index=False)
    first = read_telemetry(tmp_path / "run.csv")
    first.attrs.clear()
    first.to_parquet(tmp_path / "run.parquet")
    again = read_telemetry(tmp_path / "run.parquet")
    for name in ("time_s", "segment", *frame.columns):
        assert np.array_equal(again[name], first[name]), name


def test_units_of_names_and_of_metadata(tmp_path):
    fields = [
        pa.field("clock", pa.timestamp("ms", "UTC")),
        pa.field("Memory", pa.float32(), metadata={b"unit": "°F".encode()}),
        pa.field("Board power [mW]", pa.int64()),
        pa.field("hot", pa.bool_()),
    ]
    columns = [
        pa.array([1_773_057_658_000, 1_773_057_659_500], pa.timestamp("ms", "UTC")),
        pa.array([122.0, None], pa.float32()),
        pa.array([250_000, 251_000]),
        pa.array([True, None]),
    ]
    pq.write_table(pa.table(columns, schema=pa.schema(fields)), tmp_path / "run.parquet")
    frame = read_telemetry(
        tmp_path / "run.parquet",
        {"time": "clock", "memory_c": "Memory", "power_w": 2, "throttled": "hot"},
    )
    assert frame["time_s"].tolist() == [0.0, 1.5]
    assert frame["memory_c"].iloc[0] == pytest.approx(50.0)
    assert np.isnan(frame["memory_c"].iloc[1])
    assert frame["power_w"].tolist() == [250.0, 251.0]
    assert frame["throttled"].tolist() == [True, False]
    assert frame["recorded_at"].iloc[0] == pd.Timestamp(1_773_057_658, unit="s", tz="UTC")
    everything = read_telemetry(tmp_path / "run.parquet", period_s=1.0)
    assert everything["memory_c"].iloc[0] == pytest.approx(50.0)


@pytest.mark.parametrize(
    ("times", "options"),
    [
        (pa.array([0.0, 1.0, 2.0]), {"time_unit": "s"}),
        (pa.array([1_773_057_658, 1_773_057_659, 1_773_057_660]), {}),
        (pa.array([1_773_057_658_123_456_789 + k * 10**9 for k in range(3)]), {}),
        (pa.array([f"2026-03-09 12:00:0{k}" for k in range(3)]), {}),
    ],
)
def test_times_of_parquet(tmp_path, times, options):
    table = pa.table({"time": times, "memory_c": [50.0, 51.0, 52.0]})
    pq.write_table(table, tmp_path / "run.parquet")
    frame = read_telemetry(tmp_path / "run.parquet", **options)
    assert frame["time_s"].tolist() == pytest.approx([0.0, 1.0, 2.0], abs=1e-6)


@pytest.mark.parametrize("options", [{}, {"time_format": "%H:%M:%S"}])
def test_a_stated_date_holds_for_parquet_too(tmp_path, options):
    table = pa.table({"time": ["23:59:59", "00:00:00"], "memory_c": [50.0, 51.0]})
    pq.write_table(table, tmp_path / "run.parquet")
    frame = read_telemetry(tmp_path / "run.parquet", date="2026-03-09", **options)
    assert frame["time_s"].tolist() == [0.0, 1.0]
    assert frame["recorded_at"].iloc[-1] == pd.Timestamp("2026-03-10")


def test_parquet_that_cannot_be_used(tmp_path):
    path = tmp_path / "run.parquet"
    path.write_bytes(b"PAR1 no more")
    with pytest.raises(InputError, match=r"run\.parquet.*Parquet"):
        read_telemetry(path)
    pq.write_table(pa.table({"time_s": [0.0, 1.0], "memory_c": ["50", "51"]}), path)
    with pytest.raises(InputError, match="text where numbers"):
        read_telemetry(path)
    pq.write_table(pa.table({"time_s": [0.0, 1.0], "x": [1, 2]}), path)
    with pytest.raises(InputError, match="no column with a known unit"):
        read_telemetry(path)
    pq.write_table(pa.table({"time": [0.0, 1.0], "memory_c": [1, 2]}), path)
    with pytest.raises(InputError, match="seconds or milliseconds"):
        read_telemetry(path)


@dataclass(frozen=True)
class WordReader:
    """A reader of an invented format: one word per reading."""

    name: str = "words"
    suffixes: tuple[str, ...] = (".words",)

    def read(self, path, reading, book):
        values = [float(word) for word in path.read_text().split()]
        book.note("read by a plug-in")
        yield pd.DataFrame({"elapsed_s": np.arange(len(values)) * 2.0, "memory_c": values})
        yield pd.DataFrame(columns=["elapsed_s", "memory_c"])


def test_a_reader_of_a_plug_in(tmp_path):
    path = tmp_path / "run.words"
    path.write_text("50 51 52")
    reader = WordReader()
    assert isinstance(reader, TelemetryReader)
    frame = read_telemetry(path, reader=reader)
    assert frame["time_s"].tolist() == [0.0, 2.0, 4.0]
    assert frame["line"].tolist() == [1, 2, 3]
    assert frame.attrs["notes"] == ("read by a plug-in",)
    brought = SimpleNamespace(thermcmp_readers=hookimpl(lambda: [reader]))
    brought.thermcmp_readers.__name__ = "thermcmp_readers"
    use_plugin(brought, "words of one's own")
    try:
        assert find_reader(path, None).reader is reader
        assert find_reader(path, "words").reader is reader
    finally:
        forget_plugin("words of one's own")


def test_readers_by_name(tmp_path):
    names = [reader.name for reader in telemetry_readers()]
    assert names[:2] == ["delimited text", "parquet"]
    path = tmp_path / "run.bin"
    path.write_text("time_s,memory_c\n0,50\n1,51\n")
    assert len(read_telemetry(path)) == 2
    assert len(read_telemetry(path, reader="delimited text")) == 2
    with pytest.raises(InputError, match="use one of delimited text, parquet"):
        read_telemetry(path, reader="word")
    with pytest.raises(InputError, match="not a reader"):
        read_telemetry(path, reader=3)
