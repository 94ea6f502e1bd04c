"""Classical check: textbook tests beside the hierarchical answer.

Uses pingouin (GPL-3), imported on first use. The unit of analysis is the assembly:
runs of one assembly share its error, so they are averaged before any test.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp.errors import Fault, InputError
from thermcmp.model.design import nice
from thermcmp.model.factor_words import factor_words
from thermcmp.model.rows import level_keys, one_sensor, usable_rows
from thermcmp.physics.airflow import PowerLaw
from thermcmp.questions.answer import Answer
from thermcmp.questions.interval_plot import interval_figure
from thermcmp.questions.phrases import check_prob, number_words
from thermcmp.results.validation import check_results

if TYPE_CHECKING:
    import pandas as pd

#: Fewest assemblies per level for a t-test to have a variance on both sides.
FEWEST: Final = 2


@dataclass(frozen=True, slots=True)
class _Line:
    """One line of the table."""

    test: str
    estimate: float = float("nan")
    low: float = float("nan")
    high: float = float("nan")
    statistic: float = float("nan")
    p: float = float("nan")
    health: str = "ok"


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ClassicalCheck(Answer):
    """Textbook tests of the difference between two levels of one factor.

    Attributes
    ----------
    factor : str
        Results column whose levels are compared.
    first, second : str
        The two levels; the difference is second minus first.
    matters_k : float
        Equivalence bound [K].
    """

    factor: str
    first: str
    second: str
    matters_k: float


def classical_check(
    results: pd.DataFrame,
    sensor: str | None = None,
    *,
    factor: str = "cooler_model",
    first: str | None = None,
    second: str | None = None,
    matters_k: float = 1.0,
    prob: float = 0.90,
) -> ClassicalCheck:
    """Test one factor by the textbook: Welch's t, ANCOVA, equivalence, effect size, ICC.

    These tests ignore all other factors: what changed together with the tested one is
    counted to it. The hierarchical answer is `separate`.

    Parameters
    ----------
    results : pandas.DataFrame
        Results rows.
    sensor : str, optional
        The sensor; may be left out where the rows hold only one.
    factor : str
        Results column whose levels are compared.
    first, second : str, optional
        The two levels, second minus first; may be left out where there are only two.
    matters_k : float
        Equivalence bound of the two one-sided tests [K]; above 0.
    prob : float
        Probability of the confidence interval of the difference.

    Returns
    -------
    ClassicalCheck
        Table: test, estimate, low, high, statistic, p, health. The difference is in
        K at the rows' reference power and mean fan speed, averaged over assemblies.
        The ANCOVA line takes runs one by one and is too sure, as its health states.

    Raises
    ------
    InputError
        If the factor or a level is unknown, or a level has fewer than two assemblies.
    ModelError
        If no usable row is left.
    """
    import pandas as pd
    import xarray as xr

    check_prob(prob)
    rows, sensor = one_sensor(check_results(results), sensor)
    rows, left_out = usable_rows(rows, PowerLaw())
    pair = _levels(rows, factor, first, second)
    if not matters_k > 0:
        fix, value = "give a number of kelvin", str(matters_k)
        fault = Fault("not above zero", fix, column="matters_k", value=value)
        raise InputError("The equivalence bound must be above zero:", [fault])
    runs, means = _assemblies(rows, factor, pair)
    counts = means[factor].value_counts()
    # Fewer leave no variance within the level.
    short = [level for level in pair if counts.get(level, 0) < FEWEST]
    if short:
        fix, least = "remount and test it again", f"of {FEWEST} assemblies"
        faults = [Fault(f"{counts.get(v, 0)} {least}", fix, column=factor, value=v) for v in short]
        raise InputError("Too few assemblies for a test:", faults)
    with warnings.catch_warnings():
        # pingouin calls pandas in ways pandas will drop; a user can do nothing about it.
        warnings.simplefilter("ignore", DeprecationWarning)
        lines = _difference(means, factor, pair, matters_k, prob)
        lines += [_ancova(runs, factor, pair, prob), _icc(runs, factor)]
    return ClassicalCheck(
        kind="classical check",
        title=f"{factor_words(factor).capitalize()}, {pair[1]} minus {pair[0]}, {sensor}: "
        "textbook tests",
        table=pd.DataFrame(lines),
        draws=xr.Dataset(),
        sentences=_sentences(lines, counts, pair, matters_k),
        caveats=(
            *(str(item) + "." for item in left_out),
            "These tests see one factor at a time: whatever changed together with "
            f"{factor_words(factor)} is counted to it.",
        ),
        prob=prob,
        draw_figure=partial(
            interval_figure,
            label="test",
            columns=("estimate", "low", "high"),
            axis="Difference [K], or as the row states",
        ),
        interval_kind="confidence",
        factor=factor,
        first=pair[0],
        second=pair[1],
        matters_k=matters_k,
    )


def _levels(
    rows: pd.DataFrame, factor: str, first: str | None, second: str | None
) -> tuple[str, str]:
    if factor not in rows:
        fix = "use cooler_model, board_model or memory_vendor"
        raise InputError("Unknown factor:", [Fault("no such column", fix, column=factor)])
    known = sorted(str(v) for v in rows[factor].dropna().unique())
    if first is None and second is None and len(known) == 2:
        return known[0], known[1]
    if first not in known or second not in known or first == second:
        fix, value = f"give first= and second= out of: {', '.join(known)}", f"{first}, {second}"
        fault = Fault("two different levels are needed", fix, column=factor, value=value)
        raise InputError("Which two levels?", [fault])
    return first, second


def _assemblies(
    rows: pd.DataFrame, factor: str, pair: tuple[str, str]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the runs of the two levels at reference power, and their means per assembly."""
    used = rows[rows[factor].isin(pair)].reset_index(drop=True)
    power = used["power_w"].to_numpy(float)
    rise = (used["temperature_c"] - used["ambient_c"]).to_numpy(float)
    runs = (
        used[[factor]]
        .astype(str)
        .assign(
            assembly=level_keys(used, ("lab", "assembly")),
            rise_k=rise * nice(float(np.median(power))) / power,
            log_speed=np.log(used["fan_rpm"].to_numpy(float)),
        )
    )
    # Each run is moved to the mean speed along the slope seen within assemblies, so that
    # assemblies run at other speeds can be averaged and compared.
    inside = runs.groupby("assembly", dropna=False)[["rise_k", "log_speed"]]
    apart = runs[["rise_k", "log_speed"]] - inside.transform("mean")
    spread = float(np.sum(apart["log_speed"] ** 2))
    slope = float(np.sum(apart["rise_k"] * apart["log_speed"])) / spread if spread > 1e-9 else 0.0
    runs["adjusted_k"] = runs["rise_k"] - slope * (runs["log_speed"] - runs["log_speed"].mean())
    means = runs.groupby(["assembly", factor], as_index=False, dropna=False).mean()
    return runs, means


def _difference(
    means: pd.DataFrame, factor: str, pair: tuple[str, str], matters_k: float, prob: float
) -> list[_Line]:
    """Compute Welch's t-test, two one-sided tests and Hedges' g on the assemblies' means."""
    import pingouin as pg

    old, new = (means.loc[means[factor] == level, "adjusted_k"].to_numpy(float) for level in pair)
    t = pg.ttest(new, old, correction=True, confidence=prob).iloc[0]
    interval = next(t[name] for name in t.index if str(name).startswith("CI"))
    tost = pg.tost(new, old, bound=matters_k, correction=True).iloc[0]
    g = float(pg.compute_effsize(new, old, eftype="hedges"))
    mean = float(np.mean(new) - np.mean(old))
    return [
        _Line(
            "Welch t-test, difference [K]",
            mean,
            float(interval[0]),
            float(interval[1]),
            float(t["T"]),
            float(t["p_val"]),
        ),
        _Line(
            f"equivalence within ±{matters_k:g} K (two one-sided tests)",
            mean,
            p=float(tost["pval"] if "pval" in tost else tost["p_val"]),
        ),
        _Line("effect size, Hedges' g", g),
    ]


def _ancova(runs: pd.DataFrame, factor: str, pair: tuple[str, str], prob: float) -> _Line:
    """Compute the difference adjusted for the logarithm of fan speed, run by run."""
    import pingouin as pg
    from scipy.stats import t as student

    name = "ANCOVA on log fan speed, run by run [K]"
    if float(np.ptp(runs["log_speed"])) < 1e-6:
        return _Line(name, health="not estimable: one fan speed only")
    table = pg.ancova(data=runs, dv="rise_k", between=factor, covar="log_speed").set_index("Source")
    is_new = (runs[factor] == pair[1]).to_numpy(float)
    x = np.column_stack([np.ones(len(runs)), is_new, runs["log_speed"]])
    y = runs["rise_k"].to_numpy(float)
    b, *_ = np.linalg.lstsq(x, y, rcond=None)
    degrees = len(y) - 3
    error = float(np.sqrt(np.sum((y - x @ b) ** 2) / degrees * np.linalg.inv(x.T @ x)[1, 1]))
    reach = float(student.ppf(0.5 + prob / 2.0, degrees)) * error
    return _Line(
        name,
        float(b[1]),
        float(b[1]) - reach,
        float(b[1]) + reach,
        float(table.loc[factor, "F"]),
        float(table.loc[factor, "p_unc"]),
        "too sure: counts runs of one assembly as independent",
    )


def _icc(runs: pd.DataFrame, factor: str) -> _Line:
    """Compute the share of the scatter that belongs to the assembly, adjusted for fan speed."""
    import pingouin as pg

    name = "ICC(1,1) of assemblies, fan speed taken out"
    # The factor's own difference is no error of assembly.
    left = runs["adjusted_k"] - runs.groupby(factor, dropna=False)["adjusted_k"].transform("mean")
    repeats = runs.groupby("assembly", dropna=False).cumcount()
    long = runs[["assembly"]].assign(repeat=repeats, left_k=left)
    counts = long.groupby("assembly", dropna=False).size()
    least = int(counts.min())
    if least < 2 or len(counts) < 5:
        return _Line(name, health="not estimable: needs five assemblies with two runs each")
    long = long[long["repeat"] < least]
    table = pg.intraclass_corr(data=long, targets="assembly", raters="repeat", ratings="left_k")
    row = table.iloc[0]
    interval = next(row[c] for c in table.columns if str(c).startswith("CI"))
    health = "ok" if (counts == least).all() else f"first {least} runs of each assembly used"
    return _Line(
        name,
        float(row["ICC"]),
        float(interval[0]),
        float(interval[1]),
        float(row["F"]),
        float(row["pval"] if "pval" in row else row["p_val"]),
        health,
    )


def _sentences(
    lines: list[_Line], counts: pd.Series, pair: tuple[str, str], matters_k: float
) -> tuple[str, ...]:
    t, tost = lines[0], lines[1]
    alike = "is" if tost.p < 0.05 else "is not"
    low, high = number_words(t.low), number_words(t.high)
    return (
        f"{pair[1]} minus {pair[0]} is {number_words(t.estimate, sign='+')} K ({low} to {high}), "
        f"over {int(counts[pair[1]])} and {int(counts[pair[0]])} assemblies (p = {t.p:.2g}).",
        f"Equivalence within ±{matters_k:g} K {alike} shown (p = {tost.p:.2g}).",
    )
