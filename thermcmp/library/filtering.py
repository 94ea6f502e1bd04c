"""Values asked for that a library does not hold, beside those that it does."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any

from thermcmp.errors import Fault, InputError

if TYPE_CHECKING:
    import pandas as pd


def refuse_near_names(rows: pd.DataFrame, wanted: Mapping[str, Sequence[Any]]) -> None:
    """Refuse a name that no row has and that differs little from one that is held."""
    faults = []
    for column, values in wanted.items():
        held = sorted({str(value) for value in rows[column].dropna().unique()})
        folded = {name.casefold(): name for name in held}
        for value in values:
            if not isinstance(value, str) or value in held:
                continue
            near = get_close_matches(value.casefold(), list(folded), n=1, cutoff=0.8)
            if near:
                fix = f"did you mean '{folded[near[0]]}'?"
                faults.append(Fault("no row has this value", fix, column=column, value=value))
    if faults:
        raise InputError("The library has no such rows:", faults)
