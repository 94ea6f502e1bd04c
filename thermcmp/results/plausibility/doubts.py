"""Doubts about a table that is sound in form: readings that errors alone would not leave so."""

from __future__ import annotations

import re
from collections.abc import Hashable, Iterable, Iterator
from difflib import SequenceMatcher
from typing import Final

import numpy as np
import pandas as pd

from thermcmp._types import Array
from thermcmp.hooks import RowCheck, checked_by_all, hookimpl
from thermcmp.results.plausibility.copied_runs import copied_runs
from thermcmp.results.plausibility.held_readings import held_readings
from thermcmp.results.plausibility.run_order import (
    COMPARED,
    PARTS,
    SET_POINTS,
    climbs_with_order,
    set_points,
)
from thermcmp.results.schema import ERROR_OF, NAMES, in_force

#: Fewest rows at one reading that are asked about, and the chance below which they are
#: (a choice: one table in a thousand asks for nothing).
_FEWEST_AT_TOP: Final = 4
_CHANCE: Final = 1e-3
#: The rise falls at least as this power of the fan speed where a fan counts at all: air over fins
#: gives 0.5 to 0.8, solid parts in series dilute it (common practice, no source).
_FAN_EXPONENT: Final = 0.3
#: Fewest runs of a reading that is asked about as typed in (a choice), and what is measured in
#: each run: noun, unit, what a set point or a coarse instrument is a multiple of (common
#: practice, no source), and the column of its error.
_FEWEST_TYPED: Final = 12
_READINGS: Final = {
    "ambient_c": ("ambient", "°C", 0.5),
    "power_w": ("board power", "W", 1.0),
    "fan_rpm": ("fan speed", "rpm", 10.0),
}
#: Air and sensors warmer than these together are rather in °F: warm cases and silicon below its
#: limit (common practice, no source).
_HOTTEST_AIR_C: Final = 50.0
_HOTTEST_SENSOR_C: Final = 125.0
#: What is left of a heading to compare, how many letters of its beginning are enough, and from
#: which likeness on it may be misspelt (choices).
_LETTERS: Final = re.compile(r"[^a-z]")
_ENOUGH_LETTERS: Final = 5
_MISSPELT: Final = 0.85
#: What names a run.
_RUN: Final = ["file", "lab", "run"]
#: Air that one cooler had warmer than the others of its sessions is asked about from this on [K],
#: and from so many standard errors (choices).
_OWN_AIR_K: Final = 1.0
_OWN_AIR_ERRORS: Final = 6.0
#: What runs of one assembly share beside the parts.
_STAY: Final = ("lab", "session")
#: A steady rise drifts by no more than this [K/min], as in the protocol of a log; a drift ends
#: after some minutes, the slow part of a cooler (common practice, no source).
_DRIFT_K_PER_MIN: Final = 0.1
_SLOW_MIN: Final = 6.0


def find_doubts(checked: pd.DataFrame) -> list[str]:
    """Return what in a canonical frame is to be asked about, a sentence for each file and column.

    Rows that the protocol check refused are out of every comparison, and of this.
    """
    rows = checked.assign(file=checked["source_file"].fillna(""))
    return checked_by_all("thermcmp_row_checks", str, _only(rows, in_force(rows)))


@hookimpl
def thermcmp_row_checks() -> list[RowCheck]:
    """Register the built-in checks."""
    return [
        RowCheck("readings at a limit", _clamped),
        RowCheck("power at the end of a range", _power_at_top),
        RowCheck("no rise", _no_rise),
        RowCheck("degrees Fahrenheit", _fahrenheit),
        RowCheck("typed in", _typed_in),
        RowCheck("unnamed assemblies", _unnamed),
        RowCheck("order of the runs", _climbing),
        RowCheck("drift", _drifting),
        RowCheck("air by cooler", _air_by_cooler),
        RowCheck("copied runs", _copied),
        RowCheck("headings", _misnamed),
    ]


def _misnamed(rows: pd.DataFrame) -> Iterator[str]:
    """Ask whether a column of the user's own is one of the results' that is blank."""
    blank = [name for name in NAMES if not rows[name].notna().any()]
    for own in sorted({*map(str, rows.columns)} - {*NAMES}):
        name = next((name for name in blank if _is_meant(_LETTERS.sub("", own.lower()), name)), "")
        if name and rows[own].notna().any():
            yield (
                f"The column '{own}' is not read, and '{name}' is blank: is it that? Fix: rename "
                f"it to '{name}', or to what cannot be taken for it."
            )


def _is_meant(own: str, name: str) -> bool:
    """Whether a heading, its letters only, is a name's, begins it, or is misspelt."""
    letters = _LETTERS.sub("", name)
    short, long = sorted((own, letters), key=len)
    begins = len(short) >= _ENOUGH_LETTERS and long.startswith(short)
    return begins or SequenceMatcher(None, own, letters).ratio() >= _MISSPELT


def _clamped(rows: pd.DataFrame) -> Iterator[str]:
    """Ask whether a sensor was at its limit, or a loop held it there."""
    by = ["file", "sensor"]
    marked = rows["regulated"] | rows.groupby(by, observed=True)["at_limit"].transform("any")
    read = [*by, *PARTS, *_READINGS, "run", "temperature_c", "resolution_k"]
    free = _single(rows, read, ~marked)
    asked = set()
    for key, group, hot in _crowded_at_top(free, by, "temperature_c"):
        low, high = np.percentile(_expected_c(hot, by), (25, 75))
        if high - low > _step_k(group):
            asked.add(key)
            yield (
                f"{_in(str(key[0]))}{len(hot)} of {len(group)} rows of '{key[1]}' read exactly "
                f"{hot['temperature_c'].iloc[0]:g} °C, the highest reading, although power, fan "
                f"speed or air should have moved it by some {high - low:.1f} K: is this a limit? "
                f"Fix: set at_limit to yes in {_runs(hot['run'])} if it is, or regulated if the "
                "firmware held a target."
            )
    for held in held_readings(free, by):
        near = held.rows
        moving = "fan speed and air" if held.gives_way else "power, fan speed and air"
        fell = ", the power lower where the fan is slower" if held.gives_way else ""
        file, sensor = near["file"].iloc[0], near["sensor"].iloc[0]
        if (file, sensor) in asked:
            continue
        low_c, high_c = near["temperature_c"].min(), near["temperature_c"].max()
        yield (
            f"{_in(str(file))}{len(near)} rows of '{sensor}' stay between {low_c:g} and "
            f"{high_c:g} °C, near the highest of their card{fell}, although {moving} should have "
            f"set runs of one assembly {held.should_k:.1f} K apart (standard deviation): "
            "did the card throttle there? Fix: look at the clocks; set at_limit to yes in "
            f"{_runs(near['run'])} if they fell, or regulated if the firmware held a target."
        )


def _power_at_top(rows: pd.DataFrame) -> Iterator[str]:
    """Ask whether a power meter was at its end where runs share its highest reading."""
    single = _single(rows, [*_RUN, "power_w", "power_error_w"]).drop_duplicates(_RUN)
    stated = single[single["power_w"].notna() & single["power_error_w"].isna()]
    for (file,), group, top in _crowded_at_top(stated, ["file"], "power_w"):
        yield (
            f"{_in(str(file))}board power is exactly {top['power_w'].iloc[0]:g} W, the highest "
            f"reading, in {len(top)} of {len(group)} runs, where lower ones scatter: the end "
            "of the meter's range, or typed in? Fix: give what was measured in each run in "
            f"power_w, or leave it blank or state power_error_w in {_runs(top['run'])}."
        )


def _crowded_at_top(
    rows: pd.DataFrame, by: list[str], column: str
) -> Iterator[tuple[tuple[Hashable, ...], pd.DataFrame, pd.DataFrame]]:
    """Yield the groups with more rows at the highest reading than errors would leave there.

    Errors scatter readings: few runs agree to the last digit, and not more of them at the
    highest reading than at another one. Each group comes as its key, its rows and those at the top.
    """
    is_top = rows[column].eq(rows.groupby(by, observed=True)[column].transform("max"))
    tops = is_top.groupby([rows[each] for each in by], observed=True).transform("sum")
    for key, group in rows[tops >= _FEWEST_AT_TOP].groupby(by, observed=True):
        at_top = is_top[group.index]
        count, counts = int(at_top.sum()), group.loc[~at_top, column].value_counts().to_numpy()
        # Where nothing reads lower nothing shows that the readings move at all.
        if not len(counts) or count <= 2 * counts.max():
            continue
        # Imported on use, as every reading of a table comes by here.
        from scipy.special import pdtrc

        if pdtrc(count - 1, counts.mean()) <= _CHANCE:
            yield key, group, group[at_top]


def _no_rise(rows: pd.DataFrame) -> Iterator[str]:
    """Ask about a sensor under load that is no warmer than the air; far below it is a fault."""
    cold = rows[rows["temperature_c"] <= rows["ambient_c"]]
    for _, group in cold.groupby(["file", "sensor"], observed=True):
        yield (
            f"{_rows_of(group)} read no more than ambient although the card took "
            f"{group['power_w'].min():g} W or more. Fix: check whether the columns of sensor and "
            "ambient are swapped and whether the card was at load; leave such rows out."
        )


def _fahrenheit(rows: pd.DataFrame) -> Iterator[str]:
    """Ask about a laboratory whose air and whose sensor are both as warm as in °F."""
    for (lab, sensor), group in rows.groupby([rows["lab"].fillna(""), "sensor"], observed=True):
        air, warm = (group[name].astype(float).median() for name in ("ambient_c", "temperature_c"))
        if air > _HOTTEST_AIR_C and warm > _HOTTEST_SENSOR_C:
            yield (
                f"The {sensor} sensor{f' of {lab}' if lab else ''} reads {warm:.0f} °C in air of "
                f"{air:.0f} °C, in the middle of {len(group)} rows: are these °F? Fix: write the "
                "unit into the headings, 'ambient_c [°F]' and 'temperature_c [°F]'."
            )


def _typed_in(rows: pd.DataFrame) -> Iterator[str]:
    """Ask about a reading that is the same to the last digit in all runs of a file.

    Round values may be set points or coarse instruments, and a stated error says how well the
    value is known.
    """
    errors = [ERROR_OF[column] for column in _READINGS]
    runs = _single(rows, [*_RUN, *_READINGS, *errors]).drop_duplicates(_RUN)
    for column, (noun, unit, round_to) in _READINGS.items():
        error = ERROR_OF[column]
        stated = runs[runs[column].notna() & runs[error].isna()]
        by_file = stated.groupby("file", observed=True)[column]
        table = by_file.agg(["size", "nunique", "first"])
        for file, (size, levels, value) in table.iterrows():
            if size >= _FEWEST_TYPED and levels == 1 and value % round_to != 0.0:
                yield (
                    f"{_in(str(file))}{noun} is {value:g} {unit} to the last digit in all "
                    f"{size:g} runs, where a measured one scatters: was it typed in? Fix: give "
                    f"what was measured in each run in {column}, or its error in {error}."
                )


def _unnamed(rows: pd.DataFrame) -> Iterator[str]:
    """Ask whether bench assemblies that have no name are one or several, where runs repeat."""
    blank = rows[rows["assembly"].isna() & rows["assembly_kind"].eq("bench").fillna(False)]
    runs = blank.drop_duplicates(["file", "lab", "run"]).dropna(subset=list(SET_POINTS))
    for file, group in runs.groupby("file", observed=True):
        points = [set_points(group[name], share) for name, share in SET_POINTS.items()]
        parts = [group[name].astype("string").fillna("") for name in (*_STAY, *PARTS)]
        if group.groupby([*parts, *points], observed=True).size().max() > 1:
            yield (
                f"{_in(str(file))}{len(group)} runs after a bench assembly do not name it, and "
                "some repeat a set point: those of the same parts count as one assembly. Fix: give "
                "each assembly its own name in assembly."
            )


def _climbing(rows: pd.DataFrame) -> Iterator[str]:
    """Ask about repeats in one assembly whose rise follows their order."""
    # A loop that holds a sensor moves the others.
    held = rows["run"].isin(rows.loc[rows["regulated"], "run"])
    own = [str(name) for name in rows if name not in NAMES]
    read = ["file", *COMPARED, *own]
    single = _single(rows, list(dict.fromkeys(read)), rows["assembly"].notna() & ~held)
    for (file, sensor), group in single.groupby(["file", "sensor"], observed=True):
        climbs = climbs_with_order(group)
        if climbs:
            timed = group["started_at"].notna().all()
            order = "order in time" if timed else "order in the table"
            yield (
                f"{_in(str(file))}repeats follow their {order} in '{sensor}': "
                f"{', '.join(climbs[:5])}: did something age, or the card warm up from run to run? "
                "Fix: give each remount its own name in assembly, or leave out the runs that were "
                "not steady"
                + ("." if timed else "; give started_at if the rows are sorted otherwise.")
            )


def _drifting(rows: pd.DataFrame) -> Iterator[str]:
    """Ask about rows that state a drift which their error does not cover.

    Rows that came from logs were judged there.
    """
    drift = rows["drift_k_per_min"].abs()
    left_k = _SLOW_MIN * drift
    covered = rows["protocol_verdict"].isin(["pass", "corrected"])
    covered |= (2.0 * rows["standard_error_k"] >= left_k).fillna(False)
    moving = rows[(drift > _DRIFT_K_PER_MIN).fillna(False) & ~covered]
    for _, group in moving.groupby(["file", "sensor"], observed=True):
        most = float(group["drift_k_per_min"].abs().max())
        yield (
            f"{_rows_of(group)} drifted by up to {most:.2g} K/min: not yet steady, "
            f"and some {_SLOW_MIN * most:.1g} K may have been to come. Fix: run longer, state it "
            "in standard_error_k, or set protocol_verdict to refused."
        )


def _air_by_cooler(rows: pd.DataFrame) -> Iterator[str]:
    """Ask about air that was warmer with one cooler than with the others of the same sessions."""
    read = [*_RUN, "bench", "session", "cooler_model", "ambient_c"]
    runs = _single(rows, read).dropna(subset=["session", "ambient_c"]).drop_duplicates(_RUN)
    occasion = [runs["lab"].fillna(""), runs["bench"].fillna(""), runs["session"]]
    for file, group in runs.groupby("file", observed=True):
        if len(group) <= _FEWEST_AT_TOP:
            continue
        by = [each[group.index] for each in occasion]
        session = group.groupby(by, observed=True)["ambient_c"]
        cooler = group.groupby([*by, group["cooler_model"]], observed=True)["ambient_c"]
        shared = cooler.transform("size") < session.transform("size")
        freedom = int(shared.sum()) - cooler.ngroup()[shared].nunique()
        if freedom < _FEWEST_AT_TOP:
            continue
        apart = group["ambient_c"] - session.transform("mean")
        own = apart[shared].groupby(group["cooler_model"][shared]).agg(["mean", "size"])
        scatter = (group["ambient_c"] - cooler.transform("mean"))[shared]
        error = np.sqrt(float((scatter**2).sum()) / freedom * (1.0 / own["size"]).sum())
        gap_k = float(own["mean"].max() - own["mean"].min())
        if gap_k > max(_OWN_AIR_K, _OWN_AIR_ERRORS * error):
            yield (
                f"{_in(str(file))}in the same sessions the air was {gap_k:.1f} K warmer with "
                f"{own['mean'].idxmax()} than with {own['mean'].idxmin()}: does the ambient probe "
                "sit in that cooler's exhaust, or had the room warmed when it was run? Fix: put "
                "the probe at the intake, run the coolers in turns, or state ambient_error_k."
            )


def _copied(rows: pd.DataFrame) -> Iterator[str]:
    """Ask about runs that read exactly as others of the same parts."""
    read = ["run", "sensor", "cooler_model", "board_model", "temperature_c", *_READINGS]
    pairs = copied_runs(_single(rows, read))
    if pairs:
        shown = ", ".join(f"{later} as {first}" for first, later in pairs[:3])
        yield (
            f"{len(pairs)} runs read exactly as another run of the same parts does, in "
            f"temperature, air, power and fan speed ({shown} …): pasted twice, or taken over from "
            "another laboratory? Fix: leave out the copies, since a run counts once."
        )


def _expected_c(rows: pd.DataFrame, by: list[str]) -> Array:
    """Return the temperature that each row's air, power and fan speed lead to in its group [°C]."""
    values = rows[["power_w", "fan_rpm"]].assign(rise_k=rows["temperature_c"] - rows["ambient_c"])
    usual = values.groupby([rows[name] for name in by], observed=True).transform("median")
    flow = (rows["fan_rpm"] / usual["fan_rpm"]).where(rows["fan_rpm"] > 0.0, 1.0).fillna(1.0)
    load = rows["power_w"] / usual["power_w"]
    expected = rows["ambient_c"] + usual["rise_k"] * load * flow**-_FAN_EXPONENT
    return expected.to_numpy(dtype=float)


def _step_k(rows: pd.DataFrame) -> float:
    """Return the step of a sensor's readings [K]: as stated, or the smallest difference."""
    stated = rows["resolution_k"].max()
    apart = np.diff(np.unique(rows["temperature_c"].to_numpy(dtype=float)))
    return float(np.nanmax([stated, apart.min() if len(apart) else 0.0, 0.0]))


def _in(file: str) -> str:
    """Return the start of a sentence about a file."""
    return f"in {file}: " if file else ""


def _rows_of(group: pd.DataFrame) -> str:
    """Name the rows of one sensor in one file: "in bench.csv: 2 rows of 'memory' (R2, R3)"."""
    file, sensor = str(group["file"].iloc[0]), group["sensor"].iloc[0]
    plural = "s" * (len(group) > 1)
    return f"{_in(file)}{len(group)} row{plural} of '{sensor}' ({_runs(group['run'])})"


def _runs(runs: Iterable[str]) -> str:
    """Name the first five runs."""
    names = list(dict.fromkeys(map(str, runs)))
    return ", ".join(names[:5]) + (f" and {len(names) - 5} more" if len(names) > 5 else "")


def _single(
    rows: pd.DataFrame, columns: list[str], is_kept: pd.Series | None = None
) -> pd.DataFrame:
    """Return some columns of the kept rows, without those that stand for several runs."""
    single = ~(rows["n"] > 1).fillna(False).astype(bool)
    return _only(rows[columns], single if is_kept is None else single & is_kept)


def _only(rows: pd.DataFrame, is_kept: pd.Series) -> pd.DataFrame:
    """Return the kept rows: as a rule all, and then without a copy of a long table."""
    return rows if is_kept.all() else rows[is_kept]
