"""Rows of a fix on several sensors: its parts, remounting, assemblies that stand out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.inference.checks.data_share import data_share
from thermcmp.inference.parameter_notes import MOSTLY_PRIOR
from thermcmp.questions.phrases import RANGE_PROB, WITHHELD, interval, summary
from thermcmp.questions.several_sensors.remounting import (
    REMOUNT_NEW,
    peer_weights,
    remount_weights,
    spread_k,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from thermcmp.inference.posterior import Fit
    from thermcmp.model.conditions import Build
    from thermcmp.questions.answer import Answer

FIX: Final = "fix"
REMOUNT: Final = "remount"
ASSEMBLY: Final = "assembly"
TOTAL: Final = "total"
HARDWARE: Final = "hardware"
#: The total as it reads if only the new parts were mounted again at the bench.
TOTAL_REMOUNTED: Final = "total, new parts remounted"


@dataclass(frozen=True, slots=True, eq=False)
class SensorRow:
    """One row before it is summarized; its kind is "fix", "remount" or "assembly"."""

    sensor: str
    part: str
    kind: str
    #: Improvement [K], shape (S,); positive is cooler.
    draws: Array
    #: Share of its information that comes from the data [1].
    data_share: float
    #: Change of level that came with it [dB].
    noise_db: float
    health: str

    @property
    def mean_k(self) -> float:
        """Mean improvement [K]."""
        return float(np.mean(self.draws))

    def cells(self, prob: float) -> tuple[object, ...]:
        """Return the row's cells in the table's order."""
        numbers = summary(self.draws, prob)
        if self.health.startswith(WITHHELD):
            numbers = (np.nan, np.nan, *interval(self.draws, RANGE_PROB))
        return (
            self.sensor, self.part, self.kind, *numbers, self.data_share, self.noise_db, self.health
        )  # fmt: skip


def fix_rows(answer: Answer, sensor: str) -> list[SensorRow]:
    """Return total, hardware and firmware parts from an attribution's table and draws."""
    draws = answer.draws["improvement_k"]
    return [
        SensorRow(
            sensor=sensor,
            part=str(row["part"]),
            kind=FIX,
            draws=draws.sel(part=row["part"]).to_numpy(),
            data_share=float(row.get("data_share", np.nan)),
            noise_db=float(row["noise_db"]),
            health=str(row["health"]),
        )
        for row in answer.table.to_dict("records")
        if row["part"] in (TOTAL, HARDWARE) or str(row["part"]).startswith("firmware: ")
    ]


def remount_rows(
    fit: Fit, builds: tuple[Build, Build], total: Array, *, power_w: float
) -> list[SensorRow]:
    """Return the effect of a bench assembly in place of the factory's; `total` has shape (S,)."""
    rows = _linear_rows(fit, remount_weights(fit, builds), REMOUNT, power_w)
    bare = all(build.assembly_kind in (None, "factory") for build in builds)
    return rows + [
        SensorRow(
            fit.sensor, TOTAL_REMOUNTED, REMOUNT, total + row.draws, np.nan, np.nan, row.health
        )
        for row in rows
        if row.part == REMOUNT_NEW and bare
    ]


def assembly_rows(
    fits: Sequence[Fit], builds: tuple[Build, Build], power_w: Mapping[str, float], prob: float
) -> list[SensorRow]:
    """Return the assemblies of a fix's parts that stand out from their peers on a sensor.

    An assembly stands out where its whole interval lies further off than one spread
    between assemblies of the same parts. Where it has one peer only, the worse one of the
    two is named.
    """
    by_sensor = {
        fit.sensor: {
            row.part: row
            for row in _linear_rows(fit, peer_weights(fit, builds), ASSEMBLY, power_w[fit.sensor])
        }
        for fit in fits
    }
    spreads = {fit.sensor: spread_k(fit) for fit in fits}
    every = dict.fromkeys(part for rows in by_sensor.values() for part in rows)
    chosen: list[str] = []
    for part in every:
        rows_of_part = [rows[part] for rows in by_sensor.values() if part in rows]
        ends = [(interval(row.draws, prob), spreads[row.sensor]) for row in rows_of_part]
        stands_out = any(max(low, -high) > spread for (low, high), spread in ends)
        if stands_out and not _mirrored(rows_of_part, chosen, by_sensor):
            chosen.append(part)

    def worst(part: str) -> float:
        held = ((sensor, rows[part]) for sensor, rows in by_sensor.items() if part in rows)
        return min(row.mean_k / spreads[sensor] for sensor, row in held)

    chosen.sort(key=worst)
    return [rows[part] for rows in by_sensor.values() for part in chosen if part in rows]


def _mirrored(
    rows_of_part: Sequence[SensorRow],
    chosen: Sequence[str],
    by_sensor: Mapping[str, Mapping[str, SensorRow]],
) -> bool:
    """Return whether an assembly is a named one's only peer, or is better than its only peer."""
    row = rows_of_part[0]
    others = [
        other
        for part, other in by_sensor[row.sensor].items()
        if part != row.part and np.array_equal(other.draws, -row.draws)
    ]
    if not others:
        return False
    return others[0].part in chosen or sum(row.mean_k for row in rows_of_part) > 0.0


def _linear_rows(
    fit: Fit, weights: Mapping[str, Array], kind: str, power_w: float
) -> list[SensorRow]:
    """Return the rows of sums of effects, scaled from the reference power."""
    if not weights:
        return []
    stacked = np.stack(list(weights.values()))
    draws = fit.combined(stacked) * (power_w / fit.reference.power_w)
    rows = []
    for place, (part, share) in enumerate(zip(weights, data_share(fit, stacked), strict=True)):
        health = str(fit.health)
        if share < MOSTLY_PRIOR:
            health += "; mostly the prior's"
        rows.append(
            SensorRow(fit.sensor, part, kind, draws[:, place], float(share), np.nan, health)
        )
    return rows
