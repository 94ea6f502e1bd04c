"""One fix on several sensors: its effect on each, and that of the remount it needed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from thermcmp.errors import Fault, InputError
from thermcmp.inference.posterior import Fit
from thermcmp.inference.sensor_fits import one_posterior
from thermcmp.model.conditions import Build, Conditions
from thermcmp.model.rows import level_keys
from thermcmp.prediction.builds import ScopeName, build_of
from thermcmp.questions.answer import Answer
from thermcmp.questions.attribution.question import attribute
from thermcmp.questions.phrases import PROB
from thermcmp.questions.several_sensors.figure import sensor_figure
from thermcmp.questions.several_sensors.remounting import spread_k
from thermcmp.questions.several_sensors.rows import (
    TOTAL,
    SensorRow,
    assembly_rows,
    fix_rows,
    remount_rows,
)
from thermcmp.questions.several_sensors.text import sensor_caveats, sensor_sentences

if TYPE_CHECKING:
    from collections.abc import Sequence

    import xarray as xr


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SensorAttribution(Answer):
    """One fix on several sensors.

    Attributes
    ----------
    answers : dict of str to Answer
        The answer of `attribute` by sensor.
    fitted_together : bool
        Whether draws of the sensors belong together.
    reassembly_k : dict of str to float
        Spread between assemblies of the same parts by sensor [K].
    scope : str
        "specimens" or "product line".
    """

    answers: Mapping[str, Answer]
    fitted_together: bool
    reassembly_k: Mapping[str, float]
    scope: str


def attribute_sensors(
    fits: Iterable[Fit] | Mapping[str, Fit],
    before: Build | str,
    after: Build | str,
    at: Conditions | None = None,
    *,
    scope: ScopeName = "specimens",
    settings: Mapping[Literal["before", "after"], Conditions] | None = None,
    prob: float = PROB,
    allow_bad_health: bool = False,
) -> SensorAttribution:
    """Attribute one fix on several sensors, apart from the remount it needed.

    Each sensor's parts are those of `attribute`. New parts tried at the bench needed a
    new assembly, which may cost one sensor what the parts gave it. So each sensor also
    gets the effect of a bench assembly in place of the factory's, and the assemblies
    that stand out from others of the same parts.

    Parameters
    ----------
    fits : iterable of Fit or mapping of str to Fit
        A fit per sensor, of the same results; those of `fit_sensors` carry the errors
        that the sensors share.
    before, after : Build or str
        The builds, or "product / firmware".
    at : Conditions, optional
        As in `attribute`.
    scope : {"specimens", "product line"}
        The parts that were on the bench, or their lines.
    settings : mapping of {"before", "after"} to Conditions, optional
        Fan speed [rpm] and power [W] of one build alone, where no stock run has them.
    prob : float
        Probability of the equal-tailed intervals.
    allow_bad_health : bool
        Answer even if a fit's health is "bad"; recorded as a caveat.

    Returns
    -------
    SensorAttribution
        Table: sensor, part, kind, mean_k, sd_k, low_k, high_k [K], data_share, noise_db
        [dB], health. Kind "fix" holds the total and the parts that add up to it,
        "remount" a bench assembly in place of the factory's, "assembly" single assemblies
        against their peers. All are improvements: negative is warmer.

    Raises
    ------
    InputError
        If the fits are not one per sensor of the same results, or as in `attribute`.
    EngineError
        If a fit's health is "bad" and not allowed.
    NotEstimableError
        As in `attribute`.
    """
    import pandas as pd

    chosen = _one_per_sensor(fits)
    answers = {
        fit.sensor: attribute(
            fit,
            before,
            after,
            at,
            scope=scope,
            settings=settings,
            prob=prob,
            allow_bad_health=allow_bad_health,
        )
        for fit in chosen
    }
    builds = (build_of(chosen[0], before), build_of(chosen[0], after))
    stated = (settings or {}).get("after")
    power_w = {fit.sensor: _power_w(fit, builds[1], at, stated) for fit in chosen}
    rows: list[SensorRow] = []
    for fit in chosen:
        fixed = fix_rows(answers[fit.sensor], fit.sensor)
        total = next(row.draws for row in fixed if row.part == TOTAL)
        rows += [*fixed, *remount_rows(fit, builds, total, power_w=power_w[fit.sensor])]
    rows += assembly_rows(chosen, builds, power_w, prob)
    sensors = ", ".join(fit.sensor for fit in chosen)

    columns = ["sensor", "part", "kind", "mean_k", "sd_k", "low_k", "high_k"]
    columns += ["data_share", "noise_db", "health"]
    return SensorAttribution(
        kind="attribution on several sensors",
        title=f"From {builds[0].name} to {builds[1].name} on several sensors: {sensors}",
        table=pd.DataFrame([row.cells(prob) for row in rows], columns=columns),
        draws=_dataset(rows),
        sentences=sensor_sentences(chosen, builds, rows, prob),
        caveats=tuple(sensor_caveats(chosen, builds, rows, answers)),
        prob=prob,
        draw_figure=sensor_figure,
        answers=answers,
        fitted_together=one_posterior(chosen),
        reassembly_k={fit.sensor: spread_k(fit) for fit in chosen},
        scope=scope,
        fits=tuple(chosen),
    )


def _one_per_sensor(fits: Iterable[Fit] | Mapping[str, Fit]) -> list[Fit]:
    """Return the fits as a list; refuse other items, doubled sensors, fits without a common run."""
    listed = (fits,) if isinstance(fits, Fit) else fits
    chosen = list(listed.values() if isinstance(listed, Mapping) else listed)
    faults = [
        Fault(f"item {place} is a {type(item).__name__}, not a fit", "give fits, one per sensor")
        for place, item in enumerate(chosen)
        if not isinstance(item, Fit)
    ]
    if not chosen:
        faults.append(Fault("no fit", "give fits, one per sensor"))
    if not faults:
        sensors = [fit.sensor for fit in chosen]
        faults += [
            Fault("several fits of this sensor", "give one", column="sensor", value=name)
            for name in dict.fromkeys(sensors)
            if sensors.count(name) > 1
        ]
        faults += [
            Fault(
                f"no run in common with the fit of {chosen[0].sensor}",
                "give fits of the same results",
                column="sensor",
                value=fit.sensor,
            )
            for fit in chosen[1:]
            if not _runs(fit) & _runs(chosen[0])
        ]
    if faults:
        raise InputError("These fits are not of one campaign:", faults)
    return chosen


def _runs(fit: Fit) -> set[tuple[str, str]]:
    rows = fit.design.rows
    return set(zip(level_keys(rows, ("lab",)), rows["run"].astype(str), strict=True))


def _power_w(fit: Fit, after: Build, at: Conditions | None, stated: Conditions | None) -> float:
    """Return the new build's power: held, stated, of its stock runs, or the reference."""
    for conditions in (at, stated):
        if conditions is not None and conditions.power_w is not None:
            return conditions.power_w
    rows = fit.design.rows
    stock = rows["firmware"].eq(after.firmware or "") & rows["fan_mode"].eq("stock")
    power = rows.loc[stock.fillna(False), "power_w"]
    return float(power.mean()) if len(power) else fit.reference.power_w


def _dataset(rows: Sequence[SensorRow]) -> xr.Dataset:
    """Return the draws by row, thinned to the fewest draws of any fit."""
    import xarray as xr

    count = min(len(row.draws) for row in rows)
    kept = [row.draws[np.linspace(0, len(row.draws) - 1, count).astype(np.intp)] for row in rows]
    return xr.Dataset(
        {"improvement_k": (("row", "draw"), np.stack(kept))},
        {
            "sensor": ("row", [row.sensor for row in rows]),
            "part": ("row", [row.part for row in rows]),
            "kind": ("row", [row.kind for row in rows]),
        },
    )
