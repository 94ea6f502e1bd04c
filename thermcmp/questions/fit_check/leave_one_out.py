"""How far effects move when one assembly, session, specimen or laboratory is left out."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array, IntArray
from thermcmp.inference.checks.leave_out import THINNED, Deletions, LeaveOut, draws_for
from thermcmp.inference.checks.omission_groups import Units
from thermcmp.inference.checks.refits import fit_without
from thermcmp.inference.diagnostics import pareto_limit
from thermcmp.questions.answer import Answer
from thermcmp.questions.fit_check.figures import MOST_EFFECTS, TURNS, left_out_figure
from thermcmp.questions.model_claims import SURE
from thermcmp.questions.phrases import few_named, interval, number_words, summary
from thermcmp.questions.separation.contrasts import in_sentence, short_effect

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from thermcmp.inference.posterior import Fit

#: Refits by default, where the fast engine makes them.
REFITS: Final = 8
#: Units whose draws are held in memory at once.
UNITS_AT_ONCE: Final = 100
#: Effects from which each unit is left out of its own ones only.
_MANY_EFFECTS: Final = 100
_DRAWS: Final = 4000
#: Action for a unit whose weights cannot be trusted, where nothing was refitted.
_UNKNOWN: Final = "not known: allow more refits"
#: Names in a sentence before the rest is left to the table.
_NAMED: Final = 4


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LeftOutCheck(Answer):
    """How far each effect moves without one unit.

    Attributes
    ----------
    unit : str
        What is left out as a whole: "assembly", "session" …
    units : pandas.DataFrame
        A row per unit: its rows, Pareto k with the limit, action, and largest change
        in standard deviations.
    """

    unit: str
    units: pd.DataFrame


@dataclass(frozen=True, slots=True, eq=False)
class _Left:
    """The effects without each of G units, and how each was computed."""

    #: Moments [K], shape (G, m); NaN where not known.
    mean: Array
    sd: Array
    #: The unit that moves each effect most, shape (m,).
    worst: IntArray
    #: Interval of each effect without that unit [K], shape (m, 2).
    ends: Array
    #: How the numbers of each unit were computed.
    actions: list[str]
    #: Pareto shape of each unit's weights, shape (G,).
    k: Array
    #: Largest k that is trusted.
    limit: float


def left_out_answer(
    fit: Fit,
    units: Units,
    effects: tuple[Sequence[str], Array],
    *,
    refits: int | None,
    prob: float,
    seed: int,
    draws: int = THINNED,
) -> LeftOutCheck:
    """Return how far each effect moves without each unit, by at most so many draws."""
    import pandas as pd
    import xarray as xr

    names, weights = effects
    most = (REFITS if fit.engine == "conditional" else 0) if refits is None else refits
    whole = fit.combined(weights)
    study = LeaveOut(fit, [units.codes], draws=draws_for(fit, draws), seed=seed)
    left = _without_each(fit, units, weights, whole, study, most=most, prob=prob, seed=seed)
    table = _table(names, whole, units, left, prob)
    changes = np.abs(left.mean - whole.mean(axis=0)) / np.std(whole, axis=0)
    # The first column keeps a unit unknown, and the largest of no effects.
    largest = np.fmax.reduce(np.hstack([np.full((len(changes), 1), np.nan), changes]), axis=1)
    dims, caveats = (units.kind, "effect"), []
    unknown = [n for n, a in zip(units.names, left.actions, strict=True) if a == _UNKNOWN]
    if unknown:
        caveats.append(
            f"Not known without {len(unknown)} of {len(units.names)}: {few_named(unknown)}. Their "
            "weights cannot be trusted; check_fit(fit, refits=…) refits without them."
        )
    return LeftOutCheck(
        kind="left-out check",
        title=f"Without one {units.kind}: how far each effect moves",
        table=table,
        draws=xr.Dataset(
            {"mean_k": (dims, left.mean), "sd_k": (dims, left.sd)},
            {units.kind: list(units.names), "effect": list(names)},
        ),
        sentences=_sentences(table, units),
        caveats=tuple(caveats),
        prob=prob,
        draw_figure=partial(left_out_figure, unit=units.kind),
        shown_rows=tuple(range(min(len(table), MOST_EFFECTS))),
        unit=units.kind,
        units=pd.DataFrame(
            {
                units.kind: units.names,
                "rows": units.sizes,
                "pareto_k": left.k,
                "limit": left.limit,
                "action": left.actions,
                "largest_change_sds": largest,
            }
        ),
    )


def _without_each(
    fit: Fit,
    units: Units,
    weights: Array,
    whole: Array,
    study: LeaveOut,
    *,
    most: int,
    prob: float,
    seed: int,
) -> _Left:
    """Compute the effects without each unit: by weights, else by a refit, else unknown."""
    (deletions,) = study.each()
    trusted = deletions.trusted
    actions = np.where(trusted, "weights", _UNKNOWN).tolist()
    worst_first = np.argsort(-np.nan_to_num(deletions.k, nan=np.inf), kind="stable")
    refitted = {}
    for group in [int(g) for g in worst_first if not trusted[g]][:most]:
        if len(units.names) > 1:
            # A report and a check of one fit ask for the same refits.
            refit = partial(fit_without, left_out=units.codes == group)
            fewer = fit.once(f"without {units.kind} {units.names[group]}", refit)
            refitted[group] = fewer.combined(weights)
            actions[group] = f"refitted, health {fewer.health}"
    moved = study.moments(weights, deletions.weights)
    # The change by the weights is taken at the same few draws, and added to the mean of all.
    shift = whole.mean(axis=0) - moved.whole[0]
    mean, sd = moved.mean + shift, moved.sd
    mean[~trusted], sd[~trusted] = np.nan, np.nan
    for group, draws in refitted.items():
        mean[group], sd[group] = draws.mean(axis=0), draws.std(axis=0)
    worst = np.argmax(np.abs(np.nan_to_num(mean - whole.mean(axis=0))), axis=0)
    by_weights = _drawn(study, deletions, weights, worst, seed)
    ends = np.full((len(worst), 2), np.nan)
    for place, group in enumerate(worst):
        if group in refitted:
            ends[place] = interval(refitted[group][:, place], prob)
        elif place in by_weights:
            ends[place] = interval(by_weights[place] + shift[place], prob)
    return _Left(mean, sd, worst, ends, actions, deletions.k, pareto_limit(len(deletions.weights)))


def _drawn(
    study: LeaveOut, deletions: Deletions, weights: Array, worst: IntArray, seed: int
) -> dict[int, Array]:
    """Draw each effect without the unit that moves it most, where its weights are trusted."""
    rng, few = np.random.default_rng(seed), np.unique(worst[deletions.trusted[worst]])
    drawn = {}
    step = UNITS_AT_ONCE if len(worst) < _MANY_EFFECTS else 1
    for first in range(0, len(few), step):
        some = few[first : first + step]
        (effects,) = np.nonzero(np.isin(worst, some))
        mean, sd = study.at_draws(weights[effects], some)
        for at, effect in enumerate(effects):
            unit = worst[effect]
            picked = rng.choice(len(mean), _DRAWS, p=deletions.weights[:, unit])
            where = picked, np.searchsorted(some, unit), at
            drawn[int(effect)] = mean[where] + sd[where] * rng.standard_normal(_DRAWS)
    return drawn


def _table(
    names: Sequence[str], whole: Array, units: Units, left: _Left, prob: float
) -> pd.DataFrame:
    """Return a row per effect, first those that move most relative to their error."""
    import pandas as pd

    rows = []
    for place, name in enumerate(names):
        mean, sd, low, high = summary(whole[:, place], prob)
        group = left.worst[place]
        without = float(left.mean[group, place])
        if np.isnan(without):
            rows.append((name, mean, low, high, "–", *[np.nan] * 5, "not known"))
            continue
        is_sure = np.mean(np.sign(whole[:, place]) == np.sign(mean)) >= SURE
        turns = is_sure and np.sign(without) != np.sign(mean)
        health = TURNS if turns else "ok"
        ends, shift = left.ends[place], without - mean
        rows.append(
            (name, mean, low, high, units.names[group], without, *ends, shift, shift / sd, health)
        )
    columns = ["effect", "mean_k", "low_k", "high_k", "without"]
    columns += ["without_mean_k", "without_low_k", "without_high_k", "change_k", "change_sds"]
    table = pd.DataFrame(rows, columns=[*columns, "health"])
    return table.sort_values("change_sds", key=np.abs, ascending=False, ignore_index=True)


def _sentences(table: pd.DataFrame, units: Units) -> tuple[str, ...]:
    known = table.dropna(subset="change_k")
    if known.empty:
        return ("No effect was left to compare.",)
    first, others = known.iloc[0], known.iloc[1:]
    turns = first["health"] != "ok"
    finding = (
        f"One {units.kind} moves {_phrase(first['effect'])} most for its error: from "
        f"{number_words(first['mean_k'])} to {number_words(first['without_mean_k'])} K "
        f"({abs(first['change_sds']):.1f} standard deviations) without '{first['without']}'"
        f"{', so its sign rests on that one' if turns else ''}."
    )
    turning = [_phrase(name) for name in others["effect"][others["health"] != "ok"]]
    if not turning:
        return (finding, f"No {'other' if turns else 'sure'} sign rests on one {units.kind}.")
    count = len(turning)
    named = "; ".join(turning[:_NAMED])
    if count > _NAMED:
        named += f" and {count - _NAMED} more in the table"
    signs = f"{count} {'more ' if turns else ''}sign{'s rest' if count > 1 else ' rests'}"
    return (finding, f"{signs} on one {units.kind}: {named}.")


def _phrase(effect: str) -> str:
    """Return the short name of an effect in a sentence."""
    return in_sentence(short_effect(effect))
