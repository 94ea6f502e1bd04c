"""What limits every answer of a fit, in one place.

Each question asks here for its caveats, so none can forget one: rows left out, bad health,
priors that decide, runs and assemblies that stray, and an assembly without which an answer
would turn its sign.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array, BoolArray
from thermcmp.errors import EngineError
from thermcmp.inference.checks.leave_out import LeaveOut, draws_for
from thermcmp.inference.checks.omission_groups import Units, units_of
from thermcmp.inference.checks.outliers import Discounted, Outlier, discounted, outlying
from thermcmp.inference.checks.prior_sensitivity import Sensitivity
from thermcmp.model.design import EXPONENT

if TYPE_CHECKING:
    from thermcmp.inference.checks.leave_out import Deletions
    from thermcmp.inference.posterior import Fit

#: Posterior draws behind a caveat; `check_fit` takes more.
DRAWS: Final = 200
#: Assemblies times answers that are held against one another.
MOST_CELLS: Final = 2_000_000
#: How sure a sign must be before it is worth saying that it turns.
SURE: Final = 0.90
#: An assembly without which the error grows more than this holds the answer alone.
ALONE: Final = 3.0
#: Names in a sentence before the rest is counted.
_NAMED: Final = 4


@dataclass(frozen=True, slots=True, eq=False)
class Linear:
    """Answers that are linear in the effects, so that assemblies can be left out of them.

    Attributes
    ----------
    names : tuple of str
        Their names.
    weights : ndarray, shape (m, q), or callable
        Weights of the effects; a callable gives them for an airflow exponent.
    against : float
        Value whose side matters: 0 for the sign of a difference [K].
    """

    names: tuple[str, ...]
    weights: Array | Callable[[float], Array]
    against: float = 0.0


def refuse_bad_health(fit: Fit, *, allowed: bool, what: str) -> None:
    """Stop a question of a fit whose health is "bad", unless its use was allowed."""
    if fit.health == "bad" and not allowed:
        raise EngineError(
            f"The fit's health is 'bad', so it is not {what}: "
            + " ".join(fit.diagnostics.sentences)
            + f" Fix: fit again with {_other_draws(fit)} and see fit.diagnostics, or pass "
            "allow_bad_health=True, which is recorded (--draws, --allow-bad-health)."
        )


def _other_draws(fit: Fit) -> str:
    """What may draw a fit better that was drawn badly."""
    only = fit.engine == "nuts" or fit.fitted_with
    return "more draws=" if only else "engine='nuts' or more draws="


def fit_caveats(
    fit: Fit, *, influence: Mapping[str, str] | None = None, linear: Linear | None = None
) -> list[str]:
    """Caveats that an answer of a fit carries."""
    caveats = [str(item) + "." for item in fit.design.left_out]
    if fit.health != "ok":
        caveats.append(
            f"The fit's health is '{fit.health}': " + " ".join(fit.diagnostics.sentences)
        )
    if fit.health == "bad":
        caveats.append("Answered although the fit's health is 'bad', on the user's word.")
    caveats += _prior_caveats(influence or {})
    caveats += [one.sentence for one in strays(fit)[:_NAMED]]
    if len(strays(fit)) > _NAMED:
        caveats.append(f"{len(strays(fit)) - _NAMED} more runs or assemblies stray: see check_fit.")
    unnamed = discount_words(fit)
    caveats += unnamed[:_NAMED]
    if len(unnamed) > _NAMED:
        more = len(unnamed) - _NAMED
        caveats.append(f"{more} more runs count for little under Student's t: see check_fit.")
    return caveats + (_turning(fit, linear) if linear is not None else [])


def strays(fit: Fit) -> tuple[Outlier, ...]:
    """Runs and assemblies of a fit that the others do not explain."""
    return fit.once("strays", _find_strays)


def _find_strays(fit: Fit) -> tuple[Outlier, ...]:
    runs, assemblies = units_of(fit, "run"), units_of(fit, "assembly")
    by_run, by_assembly = _left_out(fit)
    little = {one.name: one.weight for one in discounts(fit)}
    named = [
        replace(one, weight=little.get(one.name, 1.0)) for one in outlying(runs, by_run, assemblies)
    ]
    aside = _discounted_rows(runs, assemblies, little)
    if aside.any():
        # A run that counts for little is no reason to blame its assembly.
        study = LeaveOut(fit, [assemblies.codes], draws=draws_for(fit, DRAWS), aside=aside)
        (by_assembly,) = study.each()
    told = {one.name for one in named if one.alone}
    # An assembly of one run is that run.
    single = {
        assemblies.names[assemblies.codes[row]]
        for row, name in enumerate(np.array(runs.names)[runs.codes])
        if name in told
    }
    others = outlying(assemblies, by_assembly, assemblies)
    return (*named, *(one for one in others if one.name not in single))


def _left_out(fit: Fit) -> tuple[Deletions, Deletions]:
    """Runs and assemblies left out, once for all answers of a fit."""
    return fit.once("left out", _leave_out)


def _leave_out(fit: Fit) -> tuple[Deletions, Deletions]:
    both = [units_of(fit, unit).codes for unit in ("run", "assembly")]
    by_run, by_assembly = LeaveOut(fit, both, draws=draws_for(fit, DRAWS)).each()
    return by_run, by_assembly


def discounts(fit: Fit) -> tuple[Discounted, ...]:
    """Runs that count for little, by Student's t."""
    return fit.once("discounts", lambda one: discounted(one, units_of(one, "run"), DRAWS))


def discount_words(fit: Fit) -> list[str]:
    """Sentences on the runs that count for little, but for those that are named as strays."""
    told = {one.name for one in strays(fit) if one.kind == "run"}
    return [one.sentence for one in discounts(fit) if one.name not in told]


def _discounted_rows(runs: Units, assemblies: Units, names: Container[str]) -> BoolArray:
    """Rows of the named runs, where their assembly has others, shape (n,)."""
    little = np.array([name in names for name in runs.names])[runs.codes]
    others = np.bincount(assemblies.codes, ~little)[assemblies.codes] > 0
    return np.asarray(little & others)


def influence_words(names: Sequence[str], found: Sensitivity) -> dict[str, str]:
    """By estimate what its prior does to it, where it does something."""
    return {
        name: f"{words} ({parameter})"
        for name, words, parameter in zip(names, found.words, found.strongest, strict=True)
        if words != "ok"
    }


def _prior_caveats(influence: Mapping[str, str]) -> list[str]:
    """One sentence for what the priors decide, one for what they move."""
    said = {
        "the prior decides": "Somewhat other priors would give another answer, more than the rows "
        "would: {}. Fix: see fit.priors.table, or add assemblies or sessions that tell.",
        "the prior matters": "The rows hold these, but somewhat other priors would move them: {}.",
    }
    caveats = []
    for words, sentence in said.items():
        hit = [
            f"{name} (by the prior of '{text.removeprefix(words)[2:-1]}')"
            for name, text in influence.items()
            if text.startswith(words)
        ]
        if hit:
            caveats.append(sentence.format(_listed(hit)))
    return caveats


def _listed(names: Sequence[str]) -> str:
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return ", ".join(names[:_NAMED]) + more


def _turning(fit: Fit, linear: Linear) -> list[str]:
    """Name the assemblies without which a sure answer would be on the other side."""
    assemblies = units_of(fit, "assembly")
    if len(assemblies.names) < 2 or not linear.names:
        return []
    linear, passed_over = _least_sure(fit, linear, max(1, MOST_CELLS // len(assemblies.names)))
    study = LeaveOut(fit, [assemblies.codes], draws=draws_for(fit, DRAWS))
    _, found = _left_out(fit)
    moved = study.moments(linear.weights, found.weights)
    whole, whole_sd = moved.whole
    without, without_sd = moved.mean, moved.sd
    side = whole - linear.against
    sure = np.mean(np.sign(moved.at_draws - linear.against) == np.sign(side), axis=0)
    sure = np.minimum(sure, _chance_of_side(side, whole_sd)) >= SURE
    turned = (np.sign(without - linear.against) != np.sign(side)) & sure
    turned &= without_sd <= ALONE * whole_sd
    caveats = []
    for place, estimate in zip(*np.nonzero(turned), strict=True):
        doubt = "" if found.trusted[place] else " (roughly: check_fit refits it)"
        with_k, without_k = whole[estimate], without[place, estimate]
        caveats.append(
            f"It rests on one assembly: without '{assemblies.names[place]}' "
            f"{linear.names[estimate]} would be {without_k:.1f} K and not {with_k:.1f} K{doubt}."
        )
    more = len(caveats) - _NAMED
    further = [f"{more} more answers turn with one assembly."] if more > 0 else []
    if passed_over:
        further.append(
            f"Whether one assembly turns an answer was looked at for the {len(linear.names)} least "
            f"sure of {passed_over + len(linear.names)}."
        )
    return caveats[:_NAMED] + further


def _least_sure(fit: Fit, linear: Linear, most: int) -> tuple[Linear, int]:
    """The answers that turn most readily, where they are too many, and how many are not."""
    if len(linear.names) <= most:
        return linear, 0
    given, usual = linear.weights, float(np.mean(fit.draws(EXPONENT)))
    draws = fit.combined(given(usual) if callable(given) else given)
    far = np.abs(draws.mean(axis=0) - linear.against) / np.std(draws, axis=0)
    # One that is unsure already cannot lose a sure side.
    far[_chance_of_side(far, np.ones(len(far))) < SURE] = np.inf
    kept = np.sort(np.argsort(far, kind="stable")[:most])
    names = tuple(linear.names[i] for i in kept)
    chosen = (lambda exponent: given(exponent)[kept]) if callable(given) else given[kept]
    return Linear(names, chosen, linear.against), len(linear.names) - most


def _chance_of_side(side: Array, sd: Array) -> Array:
    from scipy.special import ndtr

    return np.asarray(ndtr(np.abs(side) / np.maximum(sd, 1e-300)))
