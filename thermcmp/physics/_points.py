"""Shared check of points that make a rising line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from thermcmp.errors import Fault, InputError

Points = tuple[float, ...]


def rising_points(
    doing: str, fix: str, **columns: Sequence[float]
) -> tuple[tuple[Points, ...], list[Fault]]:
    """Return columns of points as floats, with the faults of points that make no rising line.

    Each column must be as long as the first, finite and never falling; the last one
    must lie above zero (`fix` says what to do where it does not).

    Raises
    ------
    InputError
        If the columns are empty or of unequal length.
    """
    lengths = {name: len(values) for name, values in columns.items()}
    if len(set(lengths.values())) > 1 or 0 in lengths.values():
        counted = ", ".join(f"{name} has {length}" for name, length in lengths.items())
        raise InputError(doing, [Fault(f"points are missing: {counted}", "give each point whole")])
    found = tuple(tuple(float(value) for value in values) for values in columns.values())
    faults = []
    last = list(columns)[-1]
    for name, values in zip(columns, found, strict=True):
        for place, value in enumerate(values):
            before = values[place - 1] if place else value
            at: dict[str, Any] = {"row": place + 1, "column": name, "value": f"{value:g}"}
            if not np.isfinite(value):
                faults.append(Fault("no finite number", "give a number", **at))
            elif name == last and value <= 0.0:
                faults.append(Fault("not above 0", fix, **at))
            elif value < before:
                words = f"falls from {before:g}: such a line may be met at several places"
                faults.append(Fault(words, "sort the points; each column may only rise", **at))
    return found, faults
