"""Regulated runs compared by what the loop moved: fan speed, noise or power."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import combinations
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from thermcmp.errors import NotEstimableError
from thermcmp.model.noise_design import build_noise_design
from thermcmp.model.rows import level_keys, one_sensor
from thermcmp.questions.answer import Answer
from thermcmp.questions.interval_plot import interval_figure
from thermcmp.questions.phrases import PROB, check_prob, number_words
from thermcmp.questions.regulation.summaries import (
    RISE_K,
    HeldBuild,
    Line,
    difference,
    summary,
    unlike,
)
from thermcmp.results.schema import in_force
from thermcmp.results.validation import check_results

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from thermcmp.inference.posterior import Fit

#: Up to so many builds every pair is compared; above, each with the first.
EVERY_PAIR: Final = 4
#: Sensors this close to each other read the same [K] (common practice, no source).
SAME_K: Final = 0.5
#: What is compared, with its unit and the column it comes from.
QUANTITIES: Final = (
    ("fan speed", "rpm", "fan_rpm"),
    ("noise", "dB(A)", "level_dba"),
    ("power", "W", "power_w"),
)
#: Which of these are results, by what the loop moved.
RESULTS: Final[dict[str, tuple[str, ...]]] = {"fan": ("fan speed", "noise"), "power": ("power",)}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RegulatedRuns(Answer):
    """Regulated runs compared by fan speed, noise or power.

    Attributes
    ----------
    builds : tuple of str
        The builds compared, as the table names them.
    """

    builds: tuple[str, ...]


def regulated_runs(
    results: pd.DataFrame | Fit,
    sensor: str | None = None,
    *,
    mic_distance_m: float = 0.5,
    prob: float = PROB,
) -> RegulatedRuns:
    """Compare regulated runs by the fan speed, noise or power that held the sensor.

    A control loop held the sensor at its target, so its temperature is no result of the
    cooler. What the loop moved for it is: of two coolers that read the same, the better one
    needs less fan, or lets the firmware draw more power.

    Parameters
    ----------
    results : pandas.DataFrame or Fit
        Results rows, or a fit whose regulated rows are compared.
    sensor : str, optional
        The sensor; may be left out where the rows hold only one.
    mic_distance_m : float
        Distance to which sound levels are moved [m].
    prob : float
        Probability of the intervals.

    Returns
    -------
    RegulatedRuns
        Table: build, quantity, unit, mean, sd (of single runs), low, high, held_c,
        ambient_c, regulated_by, runs, assemblies, health. A row per build and quantity, then
        the differences "B − A" of what the loop moved. Assemblies are the unit of the
        intervals (Student's t; Welch's for differences), single runs where a build has one
        assembly only, as `health` then states.

    Raises
    ------
    InputError
        If the rows break the schema, or the sensor is unknown.
    NotEstimableError
        If no run was regulated.
    """
    import pandas as pd
    import xarray as xr

    check_prob(prob)
    rows, sensor = _rows(results, sensor)
    builds, notes = _builds(rows, mic_distance_m)
    names = tuple(build.name for build in builds)
    pairs = list(combinations(builds, 2))
    # Where several targets were held, those are paired that were held at the same one.
    alike = [(a, b) for a, b in pairs if abs(a.held_c - b.held_c) <= RISE_K]
    pairs = alike or pairs
    if len(builds) > EVERY_PAIR:
        first = {b: a for a, b in reversed(pairs)}
        pairs = [(a, b) for a, b in pairs if first[b] is a and a not in first]
        notes = (*notes, f"There are {len(builds)} builds: each is compared with the first only.")
    lines = [summary(build, name, unit, prob) for build in builds for name, unit, _ in QUANTITIES]
    compared = {(a, b): _pair_lines(a, b, prob) for a, b in pairs}
    lines += [line for pair_lines in compared.values() for line in pair_lines]
    why = (
        f"Regulated runs: {len(rows)}. Their temperatures are targets, so they are compared "
        "by what the firmware moved to hold them."
    )
    return RegulatedRuns(
        kind="regulated runs",
        title=f"Regulated runs of the {sensor} sensor",
        table=pd.DataFrame(lines),
        draws=xr.Dataset(),
        sentences=(*(_sentence(a, b, of, sensor) for (a, b), of in compared.items()), why),
        caveats=notes,
        prob=prob,
        draw_figure=partial(_figure, builds=names),
        interval_kind="confidence",
        builds=names,
        fits=_fits(results),
    )


def any_regulated(rows: pd.DataFrame) -> bool:
    """Return whether rows have a regulated run that the protocol did not refuse."""
    return {"regulated", "protocol_verdict"} <= set(rows.columns) and bool(_usable(rows).any())


def _usable(rows: pd.DataFrame) -> pd.Series:
    return rows["regulated"].astype(bool) & in_force(rows)


def _fits(results: pd.DataFrame | Fit) -> tuple[Fit, ...]:
    """Return the fit, where the results are one."""
    import pandas as pd

    return () if isinstance(results, pd.DataFrame) else (results,)


def _rows(results: pd.DataFrame | Fit, sensor: str | None) -> tuple[pd.DataFrame, str]:
    """Return the regulated rows of one sensor that the protocol did not refuse."""
    fits = _fits(results)
    frame: Any = fits[0].results if fits else results
    rows, name = one_sensor(check_results(frame), sensor)
    kept = _usable(rows)
    if not kept.any():
        raise NotEstimableError(
            f"No run of the {name} sensor is marked as regulated. Fix: if a control loop held it, "
            "set regulated to yes and regulated_by to what it moved; else compare temperatures."
        )
    return rows.loc[kept].reset_index(drop=True), name


def _builds(
    rows: pd.DataFrame, mic_distance_m: float
) -> tuple[tuple[HeldBuild, ...], tuple[str, ...]]:
    """Return the builds in order of their names, and the notes on their sound levels."""
    noise = build_noise_design(rows, reference_rpm=1000.0, distance_m=mic_distance_m)
    level = {}
    if noise is not None:
        keys = zip(*(noise.rows[name].fillna("") for name in ("lab", "run")), strict=True)
        level = dict(zip(keys, noise.level_dba, strict=True))
    runs = zip(*(rows[name].fillna("") for name in ("lab", "run")), strict=True)
    hardware = rows["product"].fillna(rows["cooler_model"] + " on " + rows["board_model"])
    # A slash of the product's own must not read as that before the firmware.
    hardware = hardware.mask(hardware.str.contains("/", regex=False), "“" + hardware + "”")
    named = rows.assign(
        build=np.where(
            rows["firmware"].isna(), hardware, hardware + " / " + rows["firmware"].fillna("")
        ),
        assembly=level_keys(rows, ("lab", "assembly")),
        level_dba=[level.get(key, float("nan")) for key in runs],
        regulated_by=rows["regulated_by"].fillna("not known"),
    )
    builds = tuple(
        HeldBuild(
            name=str(name),
            held_c=float(group["temperature_c"].mean()),
            ambient_c=float(group["ambient_c"].mean()),
            by=" or ".join(sorted(group["regulated_by"].unique())),
            assembly=group["assembly"].to_numpy(str),
            values={what: group[column].to_numpy(float) for what, _, column in QUANTITIES},
        )
        for name, group in named.groupby(_with_target(named), sort=True)
    )
    return builds, () if noise is None else noise.notes


def _with_target(named: pd.DataFrame) -> pd.Series:
    """Name the build of each run, with the target where that build was held at several."""
    names = named["build"].astype(str).copy()
    for _, held in named.groupby("build")["temperature_c"]:
        ascending = held.sort_values()
        target = (ascending.diff() > RISE_K).cumsum()
        if target.iloc[-1] > 0:
            middle = ascending.groupby(target).transform("mean")
            names[ascending.index] += " at " + middle.map("{:.0f} °C".format)
    return names


def _pair_lines(first: HeldBuild, second: HeldBuild, prob: float) -> list[Line]:
    """Return the differences of what the loop moved; of everything where that differs."""
    same = first.by == second.by
    wanted = RESULTS.get(first.by) if same else None
    lines = []
    for name, unit, _ in QUANTITIES:
        if wanted is not None and name not in wanted:
            continue
        line = difference(first, second, name, unit, prob)
        if np.isnan(line.mean):
            continue
        words = unlike(first, second)
        if wanted is None:
            words = f"held by {first.by} and by {second.by}"
        lines.append(replace(line, health=words) if words else line)
    return lines


def _sentence(first: HeldBuild, second: HeldBuild, lines: list[Line], sensor: str) -> str:
    """Describe the finding of one pair, in the units of what was moved."""
    if not lines:
        return f"{second.name} and {first.name} have no reading in common to compare."
    held = f"{second.name} held the {sensor} at {second.held_c:.1f} °C"
    if first.by != second.by or first.by not in RESULTS:
        ways = f"{second.by} there, {first.by} in {first.name}"
        return f"{held}, but what was moved is not alike ({ways}), so nothing is concluded."
    finding = f"{held} with {' and '.join(map(_amount, lines))} than {first.name}."
    if unlike(first, second):
        return f"{finding} They were not held alike ({unlike(first, second)})."
    if not np.sign(lines[0].low) * np.sign(lines[0].high) > 0:
        return finding
    fan = first.by == "fan"
    better = second if (lines[0].mean < 0) is fan else first
    if abs(first.held_c - second.held_c) <= SAME_K:
        gain = "lower noise" if fan else "higher power"
        finding += (
            " Both read the same because the firmware held the target: it turned all of "
            f"{better.name}'s improvement into {gain}."
        )
    return finding


def _amount(line: Line) -> str:
    """Return a difference in words: "630 rpm less fan speed (560 to 700)"."""
    more = "less" if line.mean < 0 else "more"
    size = f"{number_words(abs(line.mean), line.unit)} {line.unit} {more} {line.quantity}"
    if np.isnan(line.low):
        return f"{size} (no interval: {line.health})"
    ends = (-line.high, -line.low) if line.mean < 0 else (line.low, line.high)
    low, high = (number_words(end, line.unit) for end in ends)
    return f"{size} ({low} to {high})"


def _figure(answer: Answer, ax: Axes, *, builds: Sequence[str]) -> None:
    """Draw what held each build: its fan speed, or its power where no fan was moved."""
    table = answer.table
    by_fan = table["regulated_by"].str.contains("fan").any()
    name, axis = ("fan speed", "Fan speed [rpm]") if by_fan else ("power", "Power [W]")
    chosen = table[table["quantity"].eq(name) & table["build"].isin(builds)]
    shown = replace(answer, table=chosen.reset_index(drop=True))
    interval_figure(
        shown, ax, label="build", columns=("mean", "low", "high"), axis=axis, zero=False
    )
