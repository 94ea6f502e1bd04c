"""Detection of several devices' rows in one log."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Final

from thermcmp.errors import Fault, InputError
from thermcmp.telemetry.quantities import DEVICE, Role
from thermcmp.telemetry.reading.cell_patterns import is_flag, is_number, is_time
from thermcmp.telemetry.reading.column_matching import Field
from thermcmp.telemetry.reading.layout import Layout
from thermcmp.telemetry.reading.options import Reading

#: Cells of a column from which ids are recognised.
_HEAD_LINES: Final = 120
#: Ids that recur this often in the same order belong to several devices.
_LEAST_CYCLES: Final = 5
#: A log of fewer quantities may have a reading of one channel in each line.
_FEW_QUANTITIES: Final = 2


def refuse_interleaved(
    fields: Sequence[Field],
    samples: Mapping[int, Sequence[str]],
    layout: Layout,
    reading: Reading,
    file: str,
) -> None:
    """Refuse a log of several devices that would be read as one device."""
    if reading.one_device or any(f.name == DEVICE for f in fields):
        return
    for position in sorted(samples.keys() - {f.position for f in fields}):
        ids = _cycle(samples[position][:_HEAD_LINES])
        if ids:
            message = (
                f"an unread column goes through {len(ids)} values over and over "
                f"({', '.join(ids[:8])}): these are rows of several devices"
            )
            fix = f"name it with columns={{'device': {position}, …}}, or state one_device=True"
            heading = layout.headings[position] or f"position {position}"
            if sum(f.role is Role.NUMBER for f in fields) < _FEW_QUANTITIES:
                message = message.replace("devices", "devices or channels")
                fix += (
                    "; if these are channels, make a column of each and read that, as by "
                    f"pandas.DataFrame.pivot_table(index=…, columns='{heading}', values=…)"
                )
            fault = Fault(message, fix, file, None, heading)
            raise InputError("This log may hold the readings of several devices:", [fault])


def _cycle(cells: Sequence[str]) -> Sequence[str]:
    """Return the values that a column cycles through; empty if it does not.

    Numbers must recur in one order, as ids do and noise does not, apart from a few lost
    readings. Names need only change from row to row.
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
