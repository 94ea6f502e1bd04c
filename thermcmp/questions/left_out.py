"""How far answers move when one mounting, sitting, specimen or laboratory is left out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp.inference.deletion import Deletions
from thermcmp.inference.health import pareto_limit
from thermcmp.inference.refits import fit_without
from thermcmp.inference.units import Units
from thermcmp.questions.answer import Answer
from thermcmp.questions.caveats import SURE
from thermcmp.questions.effect_rows import short_effect
from thermcmp.questions.trust_figures import left_out_figure
from thermcmp.questions.wording import interval, summary

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    import xarray as xr

    from thermcmp.inference.posterior import Fit
    from thermcmp.model.priors import Array

#: Fits made anew by default, where the fast engine can make them.
REFITS: Final = 8
_DRAWS: Final = 4000
#: Names in a sentence before the rest is left to the table.
_NAMED: Final = 4


@dataclass(frozen=True, slots=True, eq=False)
class _Left:
    """Draws of the effects without each unit, and how they were had."""

    draws: list[Array | None]
    actions: list[str]


def left_out_answer(
    fit: Fit,
    units: Units,
    found: Deletions,
    effects: tuple[Sequence[str], Array],
    *,
    refits: int | None,
    prob: float,
    seed: int,
) -> Answer:
    """Move of each effect without each unit.

    Parameters
    ----------
    fit : Fit
        The fit.
    units : Units
        What is left out, one at a time.
    found : Deletions
        From `delete_each` with these units and effects.
    effects : tuple of (names, weights)
        Names, and weights of shape (m, q).
    refits : int, optional
        Most fits made anew for units whose weights cannot be trusted.
    prob : float
        Probability of the intervals.
    seed : int
        Seed.

    Returns
    -------
    Answer
        Table: a row per effect with the unit that moves it most.
    """
    names, weights = effects
    rng = np.random.default_rng(seed)
    most = (REFITS if fit.engine == "conditional" else 0) if refits is None else refits
    left = _without_each(fit, units, found, weights, most, rng)
    whole = fit.effects @ weights.T
    table = _table(names, whole, units, left, prob)
    return Answer(
        kind="left-out check",
        title=f"Without one {units.kind}: how far each effect moves",
        table=table,
        draws=_dataset(names, units, left),
        sentences=_sentences(table, units),
        caveats=_caveats(units, left),
        prob=prob,
        draw_figure=left_out_figure,
        details={"unit": units.kind, "units": _unit_table(units, found, left, whole)},
    )


def _without_each(
    fit: Fit, units: Units, found: Deletions, weights: Array, most: int, rng: np.random.Generator
) -> _Left:
    """Effects without each unit: by weights, else by a fit of its own, else unknown."""
    trusted = found.trusted
    worst_first = np.argsort(-np.nan_to_num(found.k, nan=np.inf), kind="stable")
    refitted = [int(g) for g in worst_first if not trusted[g]][:most]
    left = _Left([], [])
    for group in range(len(units.names)):
        if trusted[group]:
            left.draws.append(found.draw(group, _DRAWS, rng))
            left.actions.append("weights")
        elif group in refitted and len(units.names) > 1:
            fewer = fit_without(fit, units.codes == group)
            left.draws.append(fewer.effects @ weights.T)
            left.actions.append(f"fitted anew, health {fewer.health}")
        else:
            left.draws.append(None)
            left.actions.append("not known: ask for more refits")
    return left


def _moves(whole: Array, left: _Left) -> Array:
    """Change of each effect's mean without each unit, shape (G, m); NaN where unknown [K]."""
    mean = whole.mean(axis=0)
    unknown = np.full(len(mean), np.nan)
    return np.array([unknown if d is None else d.mean(axis=0) - mean for d in left.draws])


def _table(
    names: Sequence[str], whole: Array, units: Units, left: _Left, prob: float
) -> pd.DataFrame:
    """A row per effect, those that move most in their own errors first."""
    import pandas as pd

    moves = _moves(whole, left)
    rows = []
    for place, name in enumerate(names):
        mean, sd, low, high = summary(whole[:, place], prob)
        moved = np.abs(np.nan_to_num(moves[:, place]))
        group = int(np.argmax(moved))
        draws = left.draws[group]
        if draws is None:
            rows.append((name, mean, low, high, "–", *[np.nan] * 5, "not known"))
            continue
        ends = interval(draws[:, place], prob)
        without = float(draws[:, place].mean())
        health = _health(whole[:, place], without)
        shift = moves[group, place]
        rows.append(
            (name, mean, low, high, units.names[group], without, *ends, shift, shift / sd, health)
        )
    columns = ["effect", "mean_k", "low_k", "high_k", "without"]
    columns += ["without_mean_k", "without_low_k", "without_high_k", "change_k", "change_sds"]
    table = pd.DataFrame(rows, columns=[*columns, "health"])
    return table.sort_values("change_sds", key=np.abs, ascending=False, ignore_index=True)


def _health(whole: Array, without: float) -> str:
    side = np.sign(np.mean(whole))
    if np.mean(np.sign(whole) == side) >= SURE and np.sign(without) != side:
        return "its sign rests on one"
    return "ok"


def _unit_table(units: Units, found: Deletions, left: _Left, whole: Array) -> pd.DataFrame:
    """A row per unit: its Pareto k, the limit, what was done, and what it moves."""
    import pandas as pd

    changes = _moves(whole, left) / np.std(whole, axis=0)
    largest = np.array([np.nan if np.isnan(c).all() else np.nanmax(np.abs(c)) for c in changes])
    return pd.DataFrame(
        {
            units.kind: units.names,
            "rows": units.sizes,
            "pareto_k": found.k,
            "limit": pareto_limit(len(found.weights)),
            "action": left.actions,
            "largest_change_sds": largest,
        }
    )


def _dataset(names: Sequence[str], units: Units, left: _Left) -> xr.Dataset:
    import xarray as xr

    means = np.full((len(units.names), len(names)), np.nan)
    sds = means.copy()
    for group, draws in enumerate(left.draws):
        if draws is not None:
            means[group], sds[group] = draws.mean(axis=0), draws.std(axis=0)
    dims = (units.kind, "effect")
    return xr.Dataset(
        {"mean_k": (dims, means), "sd_k": (dims, sds)},
        {units.kind: list(units.names), "effect": list(names)},
    )


def _sentences(table: pd.DataFrame, units: Units) -> tuple[str, ...]:
    known = table.dropna(subset="change_k")
    if known.empty:
        return ("No effect was left to compare.",)
    first, others = known.iloc[0], known.iloc[1:]
    turns = first["health"] != "ok"
    said = (
        f"One {units.kind} moves {short_effect(first['effect'])} most for its error: from "
        f"{first['mean_k']:.1f} to {first['without_mean_k']:.1f} K "
        f"({abs(first['change_sds']):.1f} standard deviations) without '{first['without']}'"
        f"{', so its sign rests on that one' if turns else ''}."
    )
    turning = [short_effect(name) for name in others["effect"][others["health"] != "ok"]]
    if not turning:
        return (said, f"No {'other' if turns else 'sure'} sign rests on one {units.kind}.")
    count = len(turning)
    named = "; ".join(turning[:_NAMED])
    if count > _NAMED:
        named += f" and {count - _NAMED} more in the table"
    signs = f"{count} {'more ' if turns else ''}sign{'s rest' if count > 1 else ' rests'}"
    return (said, f"{signs} on one {units.kind}: {named}.")


def _caveats(units: Units, left: _Left) -> tuple[str, ...]:
    open_ones = [n for n, d in zip(units.names, left.draws, strict=True) if d is None]
    if not open_ones:
        return ()
    shown = ", ".join(open_ones[:_NAMED]) + (" …" if len(open_ones) > _NAMED else "")
    return (
        f"Not known without {len(open_ones)} of {len(units.names)}: {shown}. Their weights cannot "
        "be trusted; check_fit(fit, refits=…) fits them anew.",
    )
