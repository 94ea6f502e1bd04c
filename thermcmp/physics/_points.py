"""Check of points that form a rising line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from thermcmp.errors import Fault, InputError

Points = tuple[float, ...]


def rising_points(
    message: str, fix: str, **columns: Sequence[float]
) -> tuple[tuple[Points, ...], list[Fault]]:
    """Return columns of points as floats, with the faults of points that do not rise.

    Each column must be finite and never fall, and the last one be above zero, which `fix`
    is about. Columns that are empty or of unequal length raise an `InputError`.
    """
    lengths = {name: len(values) for name, values in columns.items()}
    if len(set(lengths.values())) > 1 or 0 in lengths.values():
        counted = ", ".join(f"{name} has {length}" for name, length in lengths.items())
        fix = "give every column a value for each point"
        raise InputError(message, [Fault(f"points are missing: {counted}", fix)])
    points = tuple(tuple(float(value) for value in values) for values in columns.values())
    faults = []
    last = list(columns)[-1]
    for name, values in zip(columns, points, strict=True):
        for place, value in enumerate(values):
            before = values[place - 1] if place else value
            at: dict[str, Any] = {"row": place + 1, "column": name, "value": f"{value:g}"}
            if not np.isfinite(value):
                faults.append(Fault("not a finite number", "give a number", **at))
            elif name == last and value <= 0.0:
                faults.append(Fault("not above 0", fix, **at))
            elif value < before:
                words = f"falls from {before:g}: such a line may have several equilibria"
                faults.append(Fault(words, "sort the points; each column may only rise", **at))
    return points, faults
