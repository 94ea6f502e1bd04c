"""Rules that hold between columns and between rows of the results table."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import pandas as pd

from thermcmp.results.plausibility.slipped_marks import find_slipped
from thermcmp.results.plausibility.swapped_cells import find_swapped
from thermcmp.results.row_hashes import do_agree
from thermcmp.results.schema import KEY
from thermcmp.tabular.column import Finding

#: What all sensors of one run share.
RUN_LEVEL: Final = (
    "product",
    "cooler_model",
    "cooler_id",
    "board_model",
    "board_id",
    "memory_vendor",
    "assembly",
    "assembly_kind",
    "session",
    "bench",
    "firmware",
    "fan_mode",
    "fan_rpm",
    "fan_error_rpm",
    "power_w",
    "power_error_w",
    "noise_dba",
    "noise_floor_dba",
    "mic_distance_m",
    "started_at",
)

#: Columns that agree in all rows with the same keys, and the fix where they do not.
AGREEING: Final[dict[tuple[str, ...], tuple[tuple[str, ...], str]]] = {
    ("lab", "run"): (RUN_LEVEL, "the sensors of one run share one test"),
    ("lab", "assembly"): (
        ("cooler_id", "board_id", "cooler_model", "board_model", "assembly_kind"),
        "an assembly is one mounting of one cooler on one board; give each assembly its own id",
    ),
    ("board_id",): (
        ("board_model", "memory_vendor"),
        "a board specimen has one model and one memory vendor",
    ),
    ("cooler_id",): (("cooler_model",), "a cooler specimen has one model"),
}

#: A steady sensor may read this far below ambient through sensor error [K]
#: (common practice, no source).
BELOW_AMBIENT_K: Final = 2.0


def find_rule_faults(frame: pd.DataFrame) -> list[Finding]:
    """Return the rows that break a rule; where rows disagree, the later one is at fault."""
    # A missing lab counts as a lab; a canonical frame has no blank text.
    rows = frame.assign(lab=frame["lab"].fillna("")).reset_index(drop=True)
    again = rows.duplicated(subset=list(KEY)) & rows["run"].notna() & rows["sensor"].notna()
    single = rows[~again] if again.any() else rows
    ends = rows["temperature_high_c"]
    cold = ends.fillna(rows["temperature_c"]) < rows["ambient_c"] - BELOW_AMBIENT_K
    below_background = rows["noise_dba"] < rows["noise_floor_dba"]
    unmarked = rows["regulated_by"].notna() & ~rows["regulated"]
    bare_summary = (rows["n"] > 1).fillna(False).astype(bool) & rows["standard_error_k"].isna()
    return [
        *_marked(
            rows[again],
            "run",
            "run '{run}' has a second row for one sensor in the same lab",
            "keep one row per lab, run and sensor; give each repeat a run id",
            _first_of_key(rows) if again.any() else None,
        ),
        *(
            finding
            for keys, (columns, fix) in AGREEING.items()
            # A second row of a run is a fault in itself, whatever else it states.
            for finding in _agree(single if "run" in keys else rows, keys, columns, fix)
        ),
        *_marked(
            rows[cold],
            "temperature_c",
            "the sensor is colder than the air around it ({ambient_c:g} °C)",
            "check both readings and their columns; both are in °C",
        ),
        *find_swapped(rows),
        *find_slipped(rows),
        *_bound_faults(rows),
        *_marked(
            rows[below_background],
            "noise_dba",
            "the level is below the background ({noise_floor_dba:g} dB(A))",
            "check both levels: the background is part of what the meter reads",
        ),
        *_marked(
            rows[unmarked],
            "regulated_by",
            "it states what held the sensor, but the run is not marked as regulated",
            "set regulated to yes, or leave regulated_by blank",
        ),
        *_marked(
            rows[bare_summary],
            "standard_error_k",
            "a summary of several runs without its standard error",
            "give the standard error of the mean [K], or enter the runs one by one",
        ),
    ]


def _first_of_key(rows: pd.DataFrame) -> pd.Series:
    """Return the position of the first row with each row's key."""
    return rows.assign(at=rows.index).groupby(list(KEY), dropna=False)["at"].transform("first")


def _bound_faults(rows: pd.DataFrame) -> Iterator[Finding]:
    """Find readings that are said to be bounds in two ways, and intervals without a width."""
    ends, is_end = rows["temperature_high_c"], rows["at_floor"] | rows["at_limit"]
    yield from _marked(
        rows[ends <= rows["temperature_c"]],
        "temperature_high_c",
        "the upper end is not above the lower one, temperature_c ({temperature_c:g} °C)",
        "state the lower end in temperature_c and the upper one here",
    )
    yield from _marked(
        rows[(rows["at_floor"] & rows["at_limit"]) | (ends.notna() & is_end)],
        "temperature_c",
        "it is said to be two of: at the limit, at the floor, between two temperatures",
        "keep one of at_limit, at_floor and temperature_high_c",
    )


def _marked(
    rows: pd.DataFrame, column: str, message: str, fix: str, earlier: pd.Series | None = None
) -> Iterator[Finding]:
    """Return a finding at each row; the message may name its columns."""
    for position in rows.index:
        row = rows.loc[position]
        value = None if pd.isna(row[column]) else row[column]
        before = None if earlier is None else int(earlier[position])
        yield Finding(message.format_map(row), fix, column, position, value, before)


def _agree(
    rows: pd.DataFrame, keys: Sequence[str], columns: Sequence[str], fix: str
) -> Iterator[Finding]:
    """Find rows whose value differs from that of an earlier row with the same keys."""
    owner = keys[-1]
    # Quicker than finding who does not, and as a rule all there is to do.
    if do_agree(rows, keys, columns):
        return
    for column in columns:
        # Most columns of most imports are empty; they would only cost time.
        if rows[column].isna().all():
            continue
        stated = rows[[*keys, column]].dropna()
        groups = stated.assign(at=stated.index).groupby(list(keys), dropna=False, observed=True)
        first = groups[[column, "at"]].transform("first")
        for position in stated.index[(stated[column] != first[column]).to_numpy(dtype=bool)]:
            yield Finding(
                f"{owner} '{rows.loc[position, owner]}' has {column} "
                f"'{first.loc[position, column]}' in an earlier row",
                fix,
                column,
                position,
                rows.loc[position, column],
                int(first.loc[position, "at"]),
            )
