"""Files of small tables: what is refused by name, and within which bounds."""

import io
import os
import tracemalloc
import zipfile

import numpy as np
import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from thermcmp.errors import InputError
from thermcmp.tabular import grid
from thermcmp.tabular.grid import read_grid

KNOWN = {"run", "power_w"}


@pytest.fixture(scope="module")
def workbook():
    book = openpyxl.Workbook()
    for row in (["run", "power_w"], ["r1", 220.0], ["r2", 221.5]):
        book.active.append(row)
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


@pytest.fixture(scope="module")
def parquet():
    file = io.BytesIO()
    pq.write_table(pa.table({"run": ["r1", "r2"], "power_w": [220.0, 221.5]}), file)
    return file.getvalue()


def refusal(path):
    with pytest.raises(InputError, match="Fix:") as caught:
        read_grid(path, KNOWN)
    return str(caught.value)


def test_whole_files_are_read(workbook, parquet, tmp_path):
    for name, data in (("a.xlsx", workbook), ("a.parquet", parquet)):
        (tmp_path / name).write_bytes(data)
        table = read_grid(tmp_path / name, KNOWN)
        assert table.headings == ("run", "power_w")
        assert [row for _, row in table.rows] == [("r1", 220.0), ("r2", 221.5)]


def test_a_pipe_a_device_and_a_folder_are_refused_by_name(tmp_path):
    os.mkfifo(tmp_path / "runs.csv")
    assert "a pipe" in refusal(tmp_path / "runs.csv")
    (tmp_path / "zero.csv").symlink_to("/dev/zero")
    assert "a device" in refusal(tmp_path / "zero.csv")
    (tmp_path / "x.parquet").mkdir()
    assert "a folder" in refusal(tmp_path / "x.parquet")


def test_a_file_beyond_bounds_is_not_read(tmp_path):
    with (tmp_path / "line.csv").open("wb") as file:
        file.truncate(grid.MOST_BYTES + 1)
    assert "larger than 256 MB" in refusal(tmp_path / "line.csv")
    (tmp_path / "wide.csv").write_text(",".join(f"c{i}" for i in range(grid.MOST_COLUMNS + 1)))
    assert "columns" in refusal(tmp_path / "wide.csv")
    wide = pa.table({f"c{i}": [1.0] for i in range(grid.MOST_COLUMNS + 1)})
    pq.write_table(wide, tmp_path / "wide.parquet")
    assert "columns" in refusal(tmp_path / "wide.parquet")


def test_the_width_of_a_table_is_known_in_no_time(tmp_path):
    # Headings held against each other one by one took minutes.
    names = ",".join(f"c{i}" for i in range(100_000))
    (tmp_path / "wide.csv").write_text(f"{names}\n{names}\n")
    assert "100000 columns" in refusal(tmp_path / "wide.csv")


def test_a_stray_cell_at_the_end_of_a_sheet_takes_no_memory(tmp_path):
    book = openpyxl.Workbook()
    book.active["A1"], book.active["XFD1048576"] = "run", "x"
    book.save(tmp_path / "stray.xlsx")
    tracemalloc.start()
    try:
        assert "1048576 rows and 16384 columns" in refusal(tmp_path / "stray.xlsx")
        assert tracemalloc.get_traced_memory()[1] < 50e6
    finally:
        tracemalloc.stop()


def test_a_packed_workbook_is_not_unpacked_beyond_bounds(tmp_path, workbook):
    with (
        zipfile.ZipFile(tmp_path / "bomb.xlsx", "w", zipfile.ZIP_DEFLATED) as bomb,
        bomb.open("xl/worksheets/sheet1.xml", "w") as sheet,
    ):
        for _ in range(grid.MOST_BYTES // 1_000_000 + 1):
            sheet.write(bytes(1_000_000))
    assert (tmp_path / "bomb.xlsx").stat().st_size < 1e6
    assert "when unpacked" in refusal(tmp_path / "bomb.xlsx")


@pytest.mark.parametrize(
    "column",
    [
        pa.array(np.zeros(30_000_000, np.int8)),
        pa.DictionaryArray.from_arrays(pa.array(np.zeros(100_000, np.int32)), ["x" * 50_000]),
    ],
    ids=["rows", "texts"],
)
def test_a_packed_parquet_file_is_not_unpacked_beyond_bounds(tmp_path, column):
    path = tmp_path / "bomb.parquet"
    pq.write_table(pa.table({"run": column}), path, compression="zstd")
    assert path.stat().st_size < 1e6
    assert "too large for a small table" in refusal(path)


@pytest.mark.parametrize("kind", ["xlsx", "parquet"])
def test_a_mutated_file_is_read_or_refused_by_name(kind, workbook, parquet, tmp_path):
    whole, path = {"xlsx": workbook, "parquet": parquet}[kind], tmp_path / f"a.{kind}"
    rng = np.random.default_rng(8)
    refused = 0
    for _ in range(120):
        start, length = (int(n) for n in rng.integers(0, (len(whole), 40)))
        change = [b"", bytes(length), rng.bytes(length), whole[:length]][int(rng.integers(4))]
        path.write_bytes(whole[:start] + change + whole[start + length :])
        try:
            read_grid(path, KNOWN)
        except InputError as error:
            refused += 1
            assert f"a.{kind}" in str(error) and "Fix:" in str(error)
    assert refused > 60
