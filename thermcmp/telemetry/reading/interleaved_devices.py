"""Rows of several devices in one log."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Final

from thermcmp.errors import Fault, InputError
from thermcmp.telemetry.quantities import DEVICE
from thermcmp.telemetry.reading.cell_patterns import is_flag, is_number, is_time
from thermcmp.telemetry.reading.column_matching import Field
from thermcmp.telemetry.reading.layout import Layout
from thermcmp.telemetry.reading.options import Reading

#: So many cells of a column show whether it holds ids.
_HEAD_LINES: Final = 120
#: An id that comes again so often in the same order belongs to one of several devices.
_LEAST_CYCLES: Final = 5


def refuse_interleaved(
    fields: Sequence[Field],
    samples: Mapping[int, Sequence[str]],
    layout: Layout,
    reading: Reading,
    file: str,
) -> None:
    """Refuse rows of several devices that would be read as one."""
    read = {f.position for f in fields}
    if reading.one_device or any(f.name == DEVICE for f in fields):
        return
    for position in sorted(samples.keys() - read):
        cycle = _cycle(samples[position][:_HEAD_LINES])
        if cycle:
            shown = ", ".join(cycle[:8])
            raise InputError(
                "Whose readings are these?",
                [
                    Fault(
                        f"a column that was not read goes through {len(cycle)} values over and "
                        f"over ({shown}): rows of several devices",
                        f"name it with columns={{'device': {position}, …}}, or state "
                        "one_device=True",
                        file,
                        None,
                        layout.headings[position] or f"position {position}",
                    )
                ],
            )


def _cycle(cells: Sequence[str]) -> Sequence[str]:
    """Return the values that a column goes through over and over; empty if it does not.

    Numbers must follow each other in one order, as ids do and noise does not; a reading
    may be lost. Names need only change from row to row.
    """
    values = tuple(dict.fromkeys(cells))
    if len(values) < 2 or len(cells) < _LEAST_CYCLES * len(values):
        return ()
    steps = Counter(pairwise(cells))
    n_steps = len(cells) - 1
    changes = n_steps - sum(count for (a, b), count in steps.items() if a == b)
    if not any(is_number(v) or is_time(v) or is_flag(v) for v in values):
        return values if changes >= n_steps / 2 else ()
    usual = sum(max(n for (a, _), n in steps.items() if a == v) for v in set(cells[:-1]))
    return values if changes >= 0.9 * n_steps and usual >= 0.9 * n_steps else ()
