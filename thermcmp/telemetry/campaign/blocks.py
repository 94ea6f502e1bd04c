"""Several runs in one log: blocks of a set point, sessions between gaps, or devices."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import pandas as pd

from thermcmp.errors import Fault, InputError
from thermcmp.telemetry.quantities import BLOCK, DEVICE
from thermcmp.telemetry.side_by_side import cards_in, of_card
from thermcmp.telemetry.steady_state.load import LONG_GAP_S

#: What `split_by` may name beside a column.
GAP: Final = "gap"
#: A log with more blocks than this is not split at a set point.
_MOST_BLOCKS: Final = 200
#: Ids of specimens, which differ between the cards of one log.
_SPECIMENS: Final = ("cooler_id", "board_id", "assembly")


def split_log(
    frame: pd.DataFrame, split_by: str | None, run: Mapping[str, Any]
) -> list[tuple[pd.DataFrame, dict[str, Any]]]:
    """Return the parts of a log in order, each with its row of the run sheet."""
    if split_by is None:
        return [(frame, dict(run))]
    if split_by == DEVICE:
        shared = {name: value for name, value in run.items() if name not in _SPECIMENS}
        if DEVICE not in frame:
            cards = cards_in(frame)
            if not cards:
                raise _unclear("the log has no column of devices", "map it as device", split_by)
            return [
                (of_card(frame, card), shared | {"run": f"{run['run']} {card}"}) for card in cards
            ]
        return [
            (
                frame[frame[DEVICE] == device].reset_index(drop=True),
                shared | {"run": f"{run['run']} {device}", DEVICE: device},
            )
            for device in frame[DEVICE].dropna().unique()
        ]
    parts = _by_gap(frame) if split_by == GAP else _by_block(frame, split_by)
    return [(part, {**run, "run": f"{run['run']} {label}"}) for label, part in parts]


def _by_gap(frame: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    """Return the sessions between long gaps or restarts of the clock."""
    time_s = frame["time_s"].to_numpy(dtype=float)
    breaks = np.diff(time_s, prepend=time_s[:1]) > LONG_GAP_S
    if "segment" in frame:
        # A step of the clock has no length that is known.
        steps = np.diff(frame["segment"].to_numpy(), prepend=frame["segment"].iloc[:1]) > 0
        breaks |= steps & (np.diff(time_s, prepend=time_s[:1]) <= 1.0)
    return [
        (f"part {i + 1}", part.reset_index(drop=True))
        for i, (_, part) in enumerate(frame.groupby(np.cumsum(breaks), sort=False))
    ]


def _by_block(frame: pd.DataFrame, split_by: str) -> list[tuple[str, pd.DataFrame]]:
    """Return the blocks in which a set point holds one value; repeats are numbered."""
    values = frame[BLOCK].fillna("").to_numpy(dtype=object)
    changes = np.cumsum(np.append([False], values[1:] != values[:-1]))
    if changes[-1] > _MOST_BLOCKS:
        words = f"it changes {changes[-1]} times, as a reading does and no set point"
        raise _unclear(words, "name the column of the set point", split_by)
    seen: Counter[str] = Counter()
    parts = []
    for _, part in frame.groupby(changes, sort=False):
        value = str(part[BLOCK].iloc[0] or "")
        if not value:
            continue
        seen[value] += 1
        again = f" ({seen[value]})" if seen[value] > 1 else ""
        label = f"{split_by}={value}{again}"
        parts.append((label, part.drop(columns=BLOCK).reset_index(drop=True)))
    return parts


def _unclear(message: str, fix: str, split_by: str) -> InputError:
    """Return the error for a log that cannot be split."""
    fault = Fault(message, fix, column="split_by", value=split_by)
    return InputError("This log cannot be split into runs:", [fault])
