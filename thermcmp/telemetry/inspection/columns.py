"""What each column of a log holds, and what it may be read as."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd

from thermcmp._types import Array
from thermcmp.tabular.numbers import split_cell
from thermcmp.tabular.units import Dimension, parse_unit
from thermcmp.telemetry.quantities import (
    AMBIENT,
    DATE,
    ELAPSED,
    FAN_DUTY,
    FAN_SPEED,
    LOAD,
    NOISE,
    POWER,
    TIME,
    bare_time_unit,
    card_of,
    dimension_of,
    is_set_point,
    name_and_unit,
    recognise,
)
from thermcmp.telemetry.reading.cell_patterns import is_missing, is_number, is_time
from thermcmp.telemetry.side_by_side import cards_in
from thermcmp.telemetry.steady_state.quantization import find_step

#: Words of headings without a unit, with the canonical name and the range of its readings.
_GUESSES: Final = (
    (r"^(ambient|air|intake|room|inlet)\b", AMBIENT, -20.0, 60.0),
    (r"\b(duty|pwm)\b", FAN_DUTY, 0.0, 100.0),
    (r"\b(fan|tacho?|rpm|n)\b", FAN_SPEED, 100.0, 20_000.0),
    (r"\b(power|watts?|p)\b", POWER, 1.0, 2_000.0),
    (r"\b(noise|sound|spl|db|dba)\b", NOISE, 5.0, 120.0),
    (r"\b(load|util|utili[sz]ation|usage)\b", LOAD, 0.0, 100.0),
)
_TEMPERATURE: Final = re.compile(
    r"\b(t|temp|temperature|junction|hot ?spot|memory|mem|vram|edge|core|die|regulator|vrm)\b"
)
_SET_POINT: Final = "a set point or a limit, not a reading"
#: A column in K below this holds differences.
_COLDEST_K: Final = 200.0
#: The air's column is cooler than every sensor's by this much [K], and never warmer than the
#: second [°C].
_COOLER_K: Final = 8.0
_WARM_AIR_C: Final = 45.0
#: A load goes from below the first to above the second [%].
_IDLE_LOAD: Final = 10.0
_FULL_LOAD: Final = 80.0
_FILLERS: Final = {"t", "temp", "temperature"}


def column_table(
    headings: Sequence[str], cells: pd.DataFrame
) -> tuple[pd.DataFrame, dict[str, str | int]]:
    """Return a row about each column, and the columns to be stated."""
    records: list[dict[str, Any]] = []
    suggestion: dict[str, str | int] = {}
    counts = Counter(headings)
    several = bool(cards_in(headings))
    clocks = []
    for position, heading in enumerate(headings):
        column = [str(cell).strip() for cell in cells.iloc[:, position]]
        values, missing = _numbers(column)
        name, unit = name_and_unit(heading)
        unit = unit or _cell_unit(column)
        canonical, remark = _meaning(name, unit, column, values)
        if canonical is not None and several:
            mark = f"{card_of(heading)}_".lstrip("_")
            canonical = mark + canonical.removeprefix(mark)
        if canonical is not None:
            if canonical in suggestion:
                remark = f"like '{suggestion[canonical]}': state which it is"
                canonical = None
            else:
                unique = heading and counts[heading] == 1
                suggestion[canonical] = heading if unique else position
        known = values[~np.isnan(values)]
        records.append(
            {
                "position": position,
                "heading": heading,
                "read as": canonical or "",
                "unit": "" if unit is None else unit.symbol,
                "low": known.min() if len(known) else np.nan,
                "high": known.max() if len(known) else np.nan,
                "step": find_step(known) if len(known) else np.nan,
                "equal %": _percent(known[1:] == known[:-1]),
                "zero %": _percent(known == 0.0),
                "missing %": 100.0 * missing,
                "remark": remark,
            }
        )
        if canonical and dimension_of(canonical) is Dimension.TIME and _runs_on(known):
            clocks.append(records[-1])
    _only_ones(records, clocks, suggestion)
    return pd.DataFrame(records).round(3), suggestion


def _runs_on(known: Array) -> bool:
    """Return whether readings go on as a clock does."""
    return len(known) > 1 and bool(np.all(np.diff(known) >= 0.0) and known[-1] > known[0])


def _only_ones(
    records: list[dict[str, Any]],
    clocks: list[dict[str, Any]],
    suggestion: dict[str, str | int],
) -> None:
    """Take the only column in a unit for the quantity, whatever language its heading is in."""

    def called(record: dict[str, Any], canonical: str, remark: str) -> None:
        renamed = {canonical if k == record["read as"] else k: v for k, v in suggestion.items()}
        suggestion.clear()
        suggestion.update(renamed)
        record["read as"], record["remark"] = canonical, f"{remark}: check it"

    if len(clocks) == 1 and suggestion.keys().isdisjoint({TIME, DATE, ELAPSED}):
        called(clocks[0], TIME, "the only column that goes on as a clock does")
    marks = any(card_of(name) for name in suggestion)
    for canonical in (AMBIENT,) if marks else (FAN_SPEED, POWER, NOISE, LOAD, AMBIENT):
        if canonical in suggestion:
            continue
        dimension = dimension_of(canonical)
        alike = [r for r in records if r["read as"] and dimension_of(r["read as"]) is dimension]
        if canonical == AMBIENT:
            alike.sort(key=lambda r: r["high"])
            if len(alike) > 1 and alike[0]["high"] < min(alike[1]["high"] - _COOLER_K, _WARM_AIR_C):
                called(alike[0], canonical, "the coolest column")
        elif len(alike) == 1 and alike[0]["remark"] == "" and canonical != LOAD:
            called(alike[0], canonical, f"the only column in {alike[0]['unit']}")
        elif len(alike) == 1 and alike[0]["low"] < _IDLE_LOAD and alike[0]["high"] > _FULL_LOAD:
            called(alike[0], canonical, "the only column in %")


def _percent(flags: Array) -> float:
    """Return the share of flags that are set [%]; NaN without any."""
    return round(100.0 * float(np.mean(flags)), 1) if len(flags) else float("nan")


def _numbers(column: Sequence[str]) -> tuple[Array, float]:
    """Return the numbers of a column, NaN where there is none, and the share of missing cells."""
    parsed: dict[str, float] = {}
    for cell in set(column):
        number = split_cell(cell)[0] if is_number(cell) else ""
        try:
            parsed[cell] = float(number.replace(",", "."))
        except ValueError:
            parsed[cell] = float("nan")
    missing = np.mean([is_missing(cell) for cell in column]) if column else 0.0
    return np.array([parsed[cell] for cell in column]), float(missing)


def _cell_unit(column: Sequence[str]) -> Any:
    """Return the unit that the first cells carry; None where they carry none."""
    units = {split_cell(cell)[1] for cell in column[:50] if not is_missing(cell)}
    return parse_unit(next(iter(units))) if len(units) == 1 else None


def _meaning(name: str, unit: Any, column: Sequence[str], values: Array) -> tuple[str | None, str]:
    """Return what a column is read as, or None with the reason."""
    filled = [cell for cell in column[:200] if not is_missing(cell)]
    known = values[~np.isnan(values)]
    canonical = recognise(name, unit)
    words = " ".join(word for word in re.split(r"[^0-9a-zA-Z]+", name.lower()) if word)
    if canonical is not None:
        if is_set_point(canonical):
            return None, _SET_POINT
        if unit and unit.symbol == "K" and len(known) and known.max() < _COLDEST_K:
            return None, "a difference of temperatures, not a reading"
        same = [guess for guess in _GUESSES if unit and unit.dimension is dimension_of(guess[1])]
        canonical = next((guess[1] for guess in same if re.search(guess[0], words)), canonical)
        if len(known) >= 60 and np.all(known == known[0]):
            return canonical, "zero throughout" if known[0] == 0.0 else "one value throughout"
        return canonical, ""
    if filled and all(map(is_time, filled)):
        return TIME, "by its cells"
    if not len(known):
        return None, "text" if filled else "empty"
    if bare_time_unit(name) and _runs_on(known):
        return TIME, "by its heading"
    if is_set_point(words.replace(" ", "_")):
        return None, _SET_POINT
    guess = _guess(words, *(float(np.quantile(known, q)) for q in (0.05, 0.95)))
    if guess is None:
        return None, "no unit, and the name does not show one"
    return guess, "by its name and range: check its unit"


def _guess(words: str, low: float, high: float) -> str | None:
    """Return what a heading without a unit may be, by its words and the range of its readings."""
    for pattern, name, least, most in _GUESSES:
        if re.search(pattern, words) and least <= high <= most and low >= 0.0:
            return name
    if not _TEMPERATURE.search(words) or low < -20.0 or high > 130.0:
        return None
    stem = "_".join(word for word in words.split() if word not in _FILLERS) or "sensor"
    return f"{stem}_c" if stem[0].isalpha() else f"n{stem}_c"
