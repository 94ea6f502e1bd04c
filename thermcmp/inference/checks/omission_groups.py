"""Units that can be left out as a whole: runs, assemblies, sessions, specimens, laboratories."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import IntArray
from thermcmp.errors import Fault, InputError
from thermcmp.model.rows import level_keys

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit

#: Unit of omission -> results columns that name one.
UNITS: Final[dict[str, tuple[str, ...]]] = {
    "run": ("lab", "run"),
    "assembly": ("lab", "assembly"),
    "session": ("lab", "session"),
    "cooler": ("cooler_model", "cooler_id"),
    "board": ("board_model", "board_id"),
    "lab": ("lab",),
}


@dataclass(frozen=True, slots=True, eq=False)
class Units:
    """The fit's rows by unit."""

    kind: str  #: one of `UNITS`
    codes: IntArray  #: unit of each row, shape (n,)
    names: tuple[str, ...]  #: name of each unit

    @property
    def sizes(self) -> IntArray:
        """Rows of each unit, shape (G,)."""
        return np.bincount(self.codes, minlength=len(self.names))


def units_of(fit: Fit, kind: str) -> Units:
    """Return the units of one kind in a fit."""
    import pandas as pd

    if kind not in UNITS:
        raise InputError(
            "This unit cannot be left out:",
            [Fault("no such unit", f"use one of: {', '.join(UNITS)}", column="unit", value=kind)],
        )
    outer, inner = UNITS[kind][:-1], UNITS[kind][-1:]
    whole = level_keys(fit.design.rows, UNITS[kind])
    if kind == "run" and whole.duplicated().any():
        whole = whole + " row " + fit.design.rows.index.astype(str)
    codes, names = pd.factorize(whole)
    is_one_parent = not outer or len(set(level_keys(fit.design.rows, outer))) == 1
    short = level_keys(fit.design.rows, inner).iloc[np.unique(codes, return_index=True)[1]]
    shown = short if is_one_parent and short.is_unique else pd.Series(names)
    return Units(kind, codes.astype(np.intp), tuple(str(name) for name in shown))
