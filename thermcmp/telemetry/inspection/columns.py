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
from thermcmp.tabular.words import FLAG_WORDS
from thermcmp.telemetry.quantities import (
    AMBIENT,
    DATE,
    DEVICE,
    ELAPSED,
    FAN_DUTY,
    FAN_SPEED,
    LOAD,
    NOISE,
    POWER,
    THROTTLED,
    TIME,
    bare_time_unit,
    card_of,
    dimension_of,
    is_average,
    is_difference,
    is_set_point,
    name_and_unit,
    plain_letters,
    recognise,
    without_card,
)
from thermcmp.telemetry.reading.cell_patterns import is_date, is_missing, is_number, is_time
from thermcmp.telemetry.side_by_side import cards_in
from thermcmp.telemetry.steady_state.quantization import find_step

#: Most power of a card [W], with room for what is not one card.
_MOST_POWER: Final = 2_000.0
#: Words of headings without a unit, with the canonical name and the range of its readings;
#: the air's reaches to °F, which its own check asks about.
_GUESSES: Final = (
    (r"^((sensor|temp|temperature|t) )?(ambient|air|intake|room|inlet)\b", AMBIENT, -20.0, 110.0),
    (r"\b(duty|pwm)\b", FAN_DUTY, 0.0, 100.0),
    (r"\b(fan|tacho?|rpm|n)\d*\b", FAN_SPEED, 100.0, 20_000.0),
    (r"\b(power|watts?|p)\d*\b", POWER, 1.0, _MOST_POWER),
    (r"\b(noise|sound|spl|db|dba)\b", NOISE, 5.0, 120.0),
    (r"\b(load|util|utili[sz]ation|usage|busy|activity)\b", LOAD, 0.0, 100.0),
)
#: Words of headings about another part than the card.
_OTHER_PARTS: Final = re.compile(
    r"\b(cpu|processor|host|system|case|chassis|psu|supply|wall|mains|pump|radiator|disk|ssd|hdd|"
    r"nvme|ram|dimm|mainboard|motherboard|charger|battery)\d*\b"
)
_TEMPERATURE: Final = re.compile(
    r"\b(t\d*|temp\d*|temperature|junction|hot ?spot|memory|mem|vram|edge|core|die|regulator|vrm)\b"
)
#: Words of flags of a card that is slowed down by heat; a power limit may be meant.
_HEAT_LIMIT: Final = re.compile(r"^(?!.*\b(?:power|current|voltage|reliability|sync)\b).*throttl")
_AIR: Final = re.compile(_GUESSES[0][0])
_DIFFERENCE: Final = "a difference of temperatures, not a reading"
_SET_POINT: Final = "a set point or a limit, not a reading"
#: A column in K below this holds differences.
_COLDEST_K: Final = 200.0
#: The air's column is cooler than every sensor's by this much [K], and never warmer than the
#: second [°C].
_COOLER_K: Final = 8.0
_WARM_AIR_C: Final = 45.0
#: Air above this is rather in °F [°C].
_WARMEST_ROOM_C: Final = 60.0
#: A clock has this share of its steps about the usual one.
_EVEN_SHARE: Final = 0.95
#: A load goes from below the first to above the second [%].
_IDLE_LOAD: Final = 10.0
_FULL_LOAD: Final = 80.0
#: Names that only one column of a log can have.
_SINGLE: Final = (TIME, DATE, ELAPSED, DEVICE, THROTTLED, *(guess[1] for guess in _GUESSES))
_FILLERS: Final = {"t", "temp", "temperature"}


def column_table(
    headings: Sequence[str], cells: pd.DataFrame
) -> tuple[pd.DataFrame, dict[str, str | int]]:
    """Return a row about each column, and the columns to be stated."""
    several = bool(cards_in(headings))
    records: list[dict[str, Any]] = []
    for position, heading in enumerate(headings):
        column = [str(cell).strip() for cell in cells.iloc[:, position]]
        values, missing = _numbers(column)
        name, unit = name_and_unit(heading)
        unit = unit or _cell_unit(column)
        known = values[~np.isnan(values)]
        mark = card_of(heading) if several else ""
        canonical, remark = _meaning(without_card(name) if mark else name, unit, column, known)
        records.append(
            {
                "position": position,
                "heading": heading,
                "read as": canonical and f"{mark}_{canonical}".lstrip("_"),
                "unit": "" if unit is None else unit.symbol,
                "low": known.min() if len(known) else np.nan,
                "high": known.max() if len(known) else np.nan,
                "step": find_step(known) if len(known) else np.nan,
                "equal %": _percent(known[1:] == known[:-1]),
                "zero %": _percent(known == 0.0),
                "missing %": 100.0 * missing,
                "remark": remark,
                "clock": _clock_rank(canonical, known),
            }
        )
    _one_of_each(records)
    _only_ones(records)
    counts = Counter(headings)
    suggestion: dict[str, str | int] = {
        r["read as"]: r["heading"] if r["heading"] and counts[r["heading"]] == 1 else r["position"]
        for r in records
        if r["read as"]
    }
    return pd.DataFrame(records).fillna({"read as": ""}).drop(columns="clock").round(3), suggestion


def _clock_rank(canonical: str | None, known: Array) -> int:
    """Return how surely a column is a clock: 2 by its unit, 1 by its steps, 0 if it is none."""
    if not _runs_on(known):
        return 0
    if canonical is not None:
        return 2 if dimension_of(canonical) is Dimension.TIME else 0
    steps = np.diff(known)
    usual = float(np.median(steps))
    even = np.mean((steps > 0.5 * usual) & (steps < 2.0 * usual)) if usual > 0.0 else 0.0
    return 1 if even > _EVEN_SHARE and not _counts_lines(known) else 0


def _counts_lines(known: Array) -> bool:
    """Return whether readings are the numbers of their lines."""
    return len(known) > 2 and bool(np.all(np.diff(known) == 1.0)) and known[0] in (0.0, 1.0)


def _one_of_each(records: list[dict[str, Any]]) -> None:
    """Leave names that several columns claim to none of them, each under a name of its own."""
    names = Counter(r["read as"] for r in records if r["read as"])
    for record in [r for r in records if names[r["read as"]] > 1]:
        claimed = record["read as"]
        like = ", ".join(f"'{r['heading']}'" for r in records if r["read as"] == claimed)
        dimension = dimension_of(claimed)
        record["claims"] = None
        if dimension is not None:
            words = _words(name_and_unit(record["heading"])[0]).replace(" ", "_")
            stem = words if words[:1].isalpha() else claimed.rpartition("_")[0]
            record["claims"] = f"{stem}_{dimension.value}"
        record["remark"] = (
            f"which of {like[:120]} is {claimed}?" if claimed in _SINGLE else "like others"
        )
    for record in records:
        if "claims" in record:
            record["read as"] = record.pop("claims")
    names = Counter(r["read as"] for r in records if r["read as"])
    for record in [r for r in records if names[r["read as"]] > 1]:
        stem, _, ending = record["read as"].rpartition("_")
        record["read as"] = f"{stem}_{record['position']}_{ending}"
    read = {r["read as"] for r in records if r["read as"]}
    for record in [r for r in records if r["read as"] and is_average(r["read as"], read)]:
        record["read as"], record["remark"] = None, "an average of another column"


def _runs_on(known: Array) -> bool:
    """Return whether readings go on as a clock does."""
    return len(known) > 1 and bool(np.all(np.diff(known) >= 0.0) and known[-1] > known[0])


def _only_ones(records: list[dict[str, Any]]) -> None:
    """Take the only column in a unit for the quantity, whatever language its heading is in."""

    def called(record: dict[str, Any], canonical: str, remark: str) -> None:
        record["read as"], record["remark"] = canonical, f"{remark}: check it"

    named = {r["read as"] for r in records}
    if named.isdisjoint({TIME, DATE, ELAPSED}):
        surest = max((r["clock"] for r in records), default=0)
        clocks = [r for r in records if surest and r["clock"] == surest]
        if len(clocks) == 1:
            called(clocks[0], TIME, "the only column that goes on as a clock does")
    marks = any(card_of(name) for name in named if name)
    for canonical in (AMBIENT,) if marks else (FAN_SPEED, POWER, NOISE, LOAD, AMBIENT):
        if canonical in named:
            continue
        dimension = dimension_of(canonical)
        alike = [
            r for r in records
            if r["read as"] and dimension_of(r["read as"]) is dimension
            and (canonical == AMBIENT or not _OTHER_PARTS.search(_words(r["heading"])))
        ]  # fmt: skip
        if canonical == AMBIENT:
            alike.sort(key=lambda r: r["high"])
            if len(alike) > 1 and alike[0]["high"] < min(alike[1]["high"] - _COOLER_K, _WARM_AIR_C):
                called(alike[0], canonical, "the coolest column")
        elif len(alike) == 1 and alike[0]["remark"] == "" and canonical != LOAD:
            called(alike[0], canonical, f"the only column in {alike[0]['unit']}")
        elif len(alike) == 1 and alike[0]["low"] < _IDLE_LOAD and alike[0]["high"] > _FULL_LOAD:
            called(alike[0], canonical, "the only column in %")


def _words(heading: str) -> str:
    """Return the words of a heading in plain lower-case letters, each after a blank."""
    return " ".join(word for word in re.split(r"[^0-9a-z]+", plain_letters(heading)) if word)


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


def _meaning(name: str, unit: Any, column: Sequence[str], known: Array) -> tuple[str | None, str]:
    """Return what a column is read as, or None with the reason."""
    filled = [cell for cell in column[:200] if not is_missing(cell)]
    canonical = recognise(name, unit)
    words = _words(name)
    if is_difference(name) and (unit is None or unit.dimension is Dimension.TEMPERATURE):
        return None, _DIFFERENCE
    if canonical is not None:
        if is_set_point(canonical):
            return None, _SET_POINT
        if unit and unit.symbol == "K" and len(known) and known.max() < _COLDEST_K:
            return None, _DIFFERENCE
        same = [guess for guess in _GUESSES if unit and unit.dimension is dimension_of(guess[1])]
        if not _OTHER_PARTS.search(words):
            canonical = next((guess[1] for guess in same if re.search(guess[0], words)), canonical)
        if len(known) >= 60 and np.all(known == known[0]):
            return canonical, "zero throughout" if known[0] == 0.0 else "one value throughout"
        return canonical, ""
    if filled and _HEAT_LIMIT.search(words) and all(c.lower() in FLAG_WORDS for c in filled):
        return THROTTLED, "by its name and its flags: check it"
    if filled and all(map(is_time, filled)):
        return DATE if all(map(is_date, filled)) else TIME, "by its cells"
    if not len(known):
        return None, "text" if filled else "empty"
    return _bare_meaning(name, words, known)


def _bare_meaning(name: str, words: str, known: Array) -> tuple[str | None, str]:
    """Return what a column of numbers without a unit may be read as, or None with the reason."""
    if _runs_on(known) and (words == "t" or bare_time_unit(name)):
        return TIME, "by its heading"
    if is_set_point(words.replace(" ", "_")):
        return None, _SET_POINT
    if _counts_lines(known):
        return None, "counts the lines"
    low, high = (float(np.quantile(known, q)) for q in (0.05, 0.95))
    guess = None if _OTHER_PARTS.search(words) else _guess(words, low, high)
    if guess == AMBIENT and high > _WARMEST_ROOM_C:
        return guess, "by its name, and warmer than air: in °F?"
    if guess is not None:
        return guess, "by its name and range: check its unit"
    called = _AIR.search(words) or _TEMPERATURE.search(words.replace(" temp", " "))
    if (called or "temp" in words.split()) and low > 1e3 and high < 1.3e5:
        stem = AMBIENT if _AIR.search(words) else f"{words.replace(' ', '_')}_c"
        return None, f"in thousandths of °C? state it, with units={{'{stem}': 'm°C'}}"
    if re.search(r"\b(power|watts?)\d*\b", words) and high > _MOST_POWER:
        unit = "mW" if high < 1e3 * _MOST_POWER else "µW"
        return None, f"in {unit}? state it, with units={{'{POWER}': '{unit}'}}"
    return None, "no unit, and the name does not show one"


def _guess(words: str, low: float, high: float) -> str | None:
    """Return what a heading without a unit may be, by its words and the range of its readings."""
    for pattern, name, least, most in _GUESSES:
        if re.search(pattern, words) and least <= high <= most and low >= 0.0:
            return name
    if not _TEMPERATURE.search(words) or low < -20.0 or high > 130.0:
        return None
    stem = "_".join(word for word in words.split() if word not in _FILLERS) or "sensor"
    return f"{stem}_c" if stem[0].isalpha() else f"n{stem}_c"
