"""Conditions that a published result does not state: unknowns with a prior, one per source.

A laboratory's rows of one card share what it did not state of fan speed and power, and its rows
at one bench what it did not state of the ambient. Each such unknown is an error that these rows
share, of first order in fan speed and power.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array, BoolArray
from thermcmp.errors import Fault, InputError
from thermcmp.model.instruments import Shifts
from thermcmp.model.priors import Normal
from thermcmp.model.rows import level_keys
from thermcmp.model.terms import DERIVED
from thermcmp.results.published import AIR_OF_A_RISE_C
from thermcmp.tabular.names import counted

if TYPE_CHECKING:
    import pandas as pd

#: Columns that a published result may leave blank -> quantity, unit, columns of what shares it.
CONDITIONS: Final[dict[str, tuple[str, str, tuple[str, ...]]]] = {
    "ambient_c": ("ambient", "°C", ("lab", "bench")),
    "power_w": ("power", "W", ("lab", "cooler_model", "board_model", "firmware")),
    "fan_rpm": ("fan speed", "rpm", ("lab", "cooler_model", "board_model", "firmware")),
}
#: A heated room (common practice, no source).
ROOM: Final = Normal(22.0, 2.0)
#: Least standard deviation of what one source ran at, as a share of what others ran the same
#: card, or any card, at (common practice, no source).
_SAME_CARD: Final = {"power_w": 0.05, "fan_rpm": 0.1}
_ANY_CARD: Final = {"power_w": 0.1, "fan_rpm": 0.2}


def error_column(column: str) -> str:
    """Return the column that holds how uncertain an unstated condition is, 0 where it is stated."""
    return f"{DERIVED}{column} not stated"


def with_conditions(rows: pd.DataFrame, priors: Mapping[str, Normal] | None) -> pd.DataFrame:
    """Return the rows with the means of their priors in place of what published ones leave blank.

    Further columns hold the standard deviations. `priors` go before what other rows suggest.
    """
    stated = dict(priors or {})
    faults = [
        Fault("not a condition that may be left blank", f"use one of: {', '.join(CONDITIONS)}",
              column=name)
        for name in stated.keys() - CONDITIONS.keys()
    ] + [
        Fault("not a normal prior above zero", "give tc.Normal(mean, sd)", column=name,
              value=repr(prior))
        for name, prior in stated.items()
        if not isinstance(prior, Normal) or (name in _ANY_CARD and prior.mean <= 2.0 * prior.sd)
    ]  # fmt: skip
    if faults:
        raise InputError("What is not stated cannot be taken so:", faults)
    published = rows["n"].notna().to_numpy(bool)
    filled: dict[str, Array] = {}
    for column in CONDITIONS:
        blank = published & rows[column].isna().to_numpy(bool)
        if not blank.any():
            continue
        values = rows[column].to_numpy(float, na_value=np.nan).copy()
        error = np.zeros(len(rows))
        card = level_keys(rows, ("cooler_model", "board_model")).to_numpy()
        for name in np.unique(card[blank]):
            here = blank & (card == name)
            prior = stated.get(column) or _suggested(column, values, ~blank, card == name)
            values[here], error[here] = prior.mean, prior.sd
        filled |= {column: values, error_column(column): error}
    return rows.assign(**filled)


def _suggested(column: str, values: Array, known: BoolArray, same: BoolArray) -> Normal:
    """Return the prior of a condition by what rows of the same card state, or else all rows."""
    if column == "ambient_c":
        return ROOM
    for hit, least in ((known & same, _SAME_CARD), (known, _ANY_CARD)):
        found = values[hit & np.isfinite(values)]
        if len(found):
            mean = float(found.mean())
            return Normal(mean, max(float(found.std()), least[column] * mean))
    words, unit, _ = CONDITIONS[column]
    fix = f"give unstated={{'{column}': tc.Normal(mean, sd)}} [{unit}]"
    raise InputError(
        "A condition is stated nowhere:", [Fault(f"no row states its {words}", fix, column=column)]
    )


def is_unstated(rows: pd.DataFrame, column: str) -> BoolArray:
    """Return in which rows a condition was not stated, shape (n,)."""
    name = error_column(column)
    return rows[name].to_numpy(float) > 0.0 if name in rows else np.zeros(len(rows), bool)


def is_of_no_room(rows: pd.DataFrame) -> BoolArray:
    """Return in which rows the ambient was read by nobody, (n,): not stated, or that of a rise.

    A published rise is set down in air of a round temperature, which a room may have too.
    """
    of_a_rise = rows["n"].notna() & rows["ambient_c"].eq(AIR_OF_A_RISE_C).fillna(False)
    return is_unstated(rows, "ambient_c") | of_a_rise.to_numpy(bool)


def unstated_errors(rows: pd.DataFrame, flow_column: str) -> Shifts:
    """Return what was not stated as errors that a source's rows share."""
    shifts: Shifts = {}
    for column, (quantity, _, source) in CONDITIONS.items():
        hit = is_unstated(rows, column)
        if not hit.any() or (column == "fan_rpm" and flow_column != column):
            continue
        keys = level_keys(rows, source).to_numpy()
        scale = 1.0 if column == "ambient_c" else rows[column].to_numpy(float)
        moved = rows[error_column(column)].to_numpy(float) / scale
        for key in np.unique(keys[hit]):
            name = f"{quantity} not stated, {key}"
            shifts[name] = quantity, np.where(hit & (keys == key), moved, 0.0)
    return shifts


def unstated_notes(rows: pd.DataFrame) -> list[str]:
    """Return what was taken for conditions that rows do not state, in words."""
    notes = []
    for column, (words, unit, _) in CONDITIONS.items():
        hit = is_unstated(rows, column)
        if not hit.any():
            continue
        error = rows.loc[hit, error_column(column)].to_numpy(float)
        values = rows.loc[hit, column].to_numpy(float)
        labs = ", ".join(sorted(level_keys(rows[hit], ("lab",)).unique())[:5])
        span = f"{values.min():.4g}" + (f" to {values.max():.4g}" if np.ptp(values) > 0 else "")
        notes.append(
            f"{words}: not stated in {counted(int(hit.sum()), 'published result')} ({labs}), "
            f"taken as {span} "
            f"{unit} with a standard deviation of {error.max():.3g} {unit}."
        )
    return notes
