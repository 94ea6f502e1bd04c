"""The caveats that every answer of a fit carries: one place, so no question can forget one."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array, IntArray
from thermcmp.errors import EngineError
from thermcmp.inference.checks.assumed_spread import assumed_spreads, rests_sentence
from thermcmp.inference.checks.lack_of_fit import lack_of_fit
from thermcmp.inference.checks.leave_out import LeaveOut, draws_for
from thermcmp.inference.checks.omission_groups import units_of
from thermcmp.inference.checks.outliers import DRAWS, discounts, left_out_units, outliers
from thermcmp.inference.checks.prior_sensitivity import Sensitivity
from thermcmp.inference.comparison.candidates import AS_FITTED, compared
from thermcmp.inference.row_doubts import doubts
from thermcmp.inference.screening import expansion_words
from thermcmp.model.design import EXPONENT
from thermcmp.physics.reach import Reach, reach_of
from thermcmp.prediction.builds import unclear_products
from thermcmp.prediction.fitted_build import NEAR_SHARE, ends_words
from thermcmp.questions.model_claims import SURE, linear_claims, turned_sentences
from thermcmp.questions.phrases import few_named, number_words
from thermcmp.questions.went_with import order_words

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit
    from thermcmp.model.conditions import Conditions
    from thermcmp.prediction.fitted_build import FittedBuild

#: Air warmer or colder than measured by more than this is worth a caveat [K] (common practice,
#: no source).
FARTHEST_AIR_K: Final = 10.0
_BEYOND: Final = {
    Reach.EXTRAPOLATED: "The fitted law is followed beyond them.",
    Reach.REFUSED: "That is too far for a prediction to be trusted: measure there.",
}
#: Most assemblies times answers for which each is left out.
MOST_CELLS: Final = 100_000
#: Most answers of which it is checked whether they rest on an assumed spread.
MOST_ASSUMED: Final = 200
#: Of a fit that was held against no other model of its rows.
NOT_COMPARED: Final = (
    "Whether other models that explain the rows as well would answer otherwise was not asked. Fix: "
    "compare the models; every later answer then says what hangs on the model."
)
#: An assembly without which the error grows more than this holds the answer alone.
ALONE: Final = 3.0
#: Sentences for what the priors decide, and for what they move.
_INFLUENCE: Final = {
    "the prior decides": "Slightly different priors would change these more than the rows do: {}. "
    "Fix: see fit.priors.table, or add assemblies or sessions.",
    "the prior matters": "The rows determine these, but slightly different priors would shift "
    "them: {}.",
}
#: Caveats of one kind before the rest is counted.
_NAMED: Final = 4


@dataclass(frozen=True, slots=True, eq=False)
class Linear:
    """Answers that are linear in the effects, so that assemblies can be left out of them."""

    names: tuple[str, ...]
    #: Weights of the effects, shape (m, q); a callable returns them for an airflow exponent.
    weights: Array | Callable[[float], Array]
    #: Value whose side matters: 0 for the sign of a difference [K].
    against: float = 0.0
    #: Whether the answer's rows say which of them rest on an assumed spread.
    is_assumed_said: bool = False

    def only(self, kept: IntArray) -> Linear:
        """Return some of the answers."""
        weights, names = self.weights, tuple(self.names[i] for i in kept)
        chosen = (lambda exponent: weights(exponent)[kept]) if callable(weights) else weights[kept]
        return Linear(names, chosen, self.against)


def build_caveats(fitted: FittedBuild, power_w: float) -> list[str]:
    """Return what limits an answer about one build: thin air, far power, one specimen of each."""
    caveats = [fitted.air.altitude_words] if fitted.air.altitude_m is not None else []
    watts = fitted.fit.design.power_ratio * fitted.fit.design.reference.power_w
    # A power that no run of the fit had is stated of all conditions alike.
    is_in_fit = watts.min() <= power_w <= watts.max()
    if is_in_fit and (words := fitted.power_words(power_w)):
        caveats.append(
            f"{fitted.build.name}: {words}, and the rise there rests on the fitted law of power. "
            f"Fix: run it at about {power_w:.0f} W."
        )
    rows, mine = fitted.fit.design.rows, str(fitted.build.cooler_model)
    others = sorted(set(rows["cooler_model"].astype(str)) - {mine})
    caveats += order_words(rows, [(other, mine) for other in others])
    terms = {term.name for term in fitted.fit.design.terms}
    if fitted.scope.is_of_line and not terms & {"cooler", "board"}:
        caveats.append(
            "Only one specimen of each part was tested, so the spread of newly bought cards is "
            "not included."
        )
    return caveats


def refuse_bad_health(fit: Fit, *, allowed: bool, what: str) -> None:
    """Refuse a fit whose health is "bad", unless its use was allowed."""
    if fit.health == "bad" and not allowed:
        # Another engine is no way out of NUTS, nor for sensors that were fitted together.
        more_only = fit.engine == "nuts" or fit.fitted_with
        remedy = "more draws=" if more_only else "engine='nuts' or more draws="
        raise EngineError(
            f"The fit's health is 'bad', so it is not {what}: "
            + " ".join([*fit.diagnostics.sentences, *misfit_words(fit)])
            + f" Fix: fit again with {remedy} and see fit.diagnostics, or pass "
            "allow_bad_health=True, which is recorded (--draws, --allow-bad-health)."
        )


def beyond_words(fit: Fit, held: Conditions) -> list[str]:
    """State which conditions lie outside the measured ones; in steady air a rise is a rise."""
    design, sentences = fit.design, []

    def beyond(name: str, value: float, measured: Array, unit: str) -> str:
        low, high = float(np.min(measured)), float(np.max(measured))
        slack = FARTHEST_AIR_K if unit == "°C" else NEAR_SHARE * high
        if low - slack <= value <= high + slack:
            return ""
        what = "The rise is taken to be the same there."
        if unit != "°C":
            what = _BEYOND[Reach(str(reach_of(value, low, high)))]
        return (
            f"{name} of {value:g} {unit} was never measured: the runs were at "
            f"{ends_words(low, high)} {unit}. {what}"
        )

    if held.power_w is not None:
        watts = design.power_ratio * design.reference.power_w
        sentences.append(beyond("Board power", held.power_w, watts, "W"))
    if held.fan_rpm is not None:
        sentences.append(beyond("Fan speed", held.fan_rpm, design.flow_speed, "rpm"))
    air_c = fit.design.rows["ambient_c"].to_numpy(float)
    sentences.append(beyond("Air at the intake", held.intake_c, air_c, "°C"))
    return [sentence for sentence in sentences if sentence]


def fit_caveats(
    fit: Fit,
    *,
    influence: Mapping[str, str] | None = None,
    linear: Linear | None = None,
    held: Conditions | None = None,
) -> list[str]:
    """Return the caveats that every answer of a fit carries, at conditions if it has some."""
    caveats = [] if held is None else beyond_words(fit, held)
    caveats += [str(item) + "." for item in fit.design.left_out]
    caveats += _few(doubts(fit), "more doubts about the rows: see fit.findings.")
    caveats += _few(unclear_products(fit.design.rows), "more products have several pairs of parts.")
    if fit.health != "ok":
        caveats.append(
            f"The fit's health is '{fit.health}': " + " ".join(fit.diagnostics.sentences)
        )
    caveats += misfit_words(fit)
    if fit.health == "bad":
        caveats.append("Fit health is 'bad'; answered because allow_bad_health=True.")
    for words, sentence in _INFLUENCE.items():
        hit = [
            f"{name} (by the prior of '{text.removeprefix(words)[2:-1]}')"
            for name, text in (influence or {}).items()
            if text.startswith(words)
        ]
        if hit:
            caveats.append(sentence.format(few_named(hit)))
    named = [*expansion_words(fit), *(outlier.sentence for outlier in outliers(fit))]
    caveats += _few(named, "more outliers among runs and assemblies: see check_fit.")
    little = discount_words(fit)
    caveats += _few(little, "more runs count for little under Student's t: see check_fit.")
    if linear is None:
        return caveats
    return caveats + _assumed(fit, linear) + _turning(fit, linear) + _on_model(fit, linear)


def misfit_words(fit: Fit) -> list[str]:
    """What a fit misses beyond the scatter of its repeats, with the likely cause."""
    test = fit.once("lack of fit", lack_of_fit)
    return [test.sentence] if test is not None and test.sentence else []


def _few(sentences: list[str], rest: str) -> list[str]:
    """Return the first sentences, and a count of the rest."""
    more = len(sentences) - _NAMED
    return sentences[:_NAMED] + ([f"{more} {rest}"] if more > 0 else [])


def discount_words(fit: Fit) -> list[str]:
    """Describe the runs that count for little and are not named as outliers."""
    named = {outlier.name for outlier in outliers(fit) if outlier.kind == "run"}
    return [run.sentence for run in discounts(fit) if run.name not in named]


def influence_words(names: Sequence[str], influence: Sensitivity) -> dict[str, str]:
    """Describe what its prior does to each estimate that it moves."""
    return {
        name: f"{words} ({parameter})"
        for name, words, parameter in zip(names, influence.words, influence.strongest, strict=True)
        if words != "ok"
    }


def _assumed(fit: Fit, linear: Linear) -> list[str]:
    """Name the answers whose interval is decided by a spread that the rows do not hold."""
    if linear.is_assumed_said or not linear.names:
        return []
    linear, _ = _least_sure(fit, linear, MOST_ASSUMED)
    weights = linear.weights
    if callable(weights):
        weights = weights(float(np.mean(fit.draws(EXPONENT))))
    by_spread: dict[tuple[str, ...], list[str]] = {}
    for name, spreads in zip(linear.names, assumed_spreads(fit, weights), strict=True):
        if spreads:
            by_spread.setdefault(spreads, []).append(name)
    return [
        f"{few_named(names)}: {rests_sentence(fit, spreads)}"
        for spreads, names in by_spread.items()
    ]


def _on_model(fit: Fit, linear: Linear) -> list[str]:
    """Name the answers that hang on the model; or state that it was not asked."""
    linear, _ = _least_sure(fit, linear, MOST_ASSUMED)
    candidates, names = compared(fit), linear.names
    if linear.against:
        names = tuple(f"{name} beyond {linear.against:.1f} K" for name in names)
    models = {AS_FITTED: fit} if candidates is None else candidates.models
    claims = linear_claims(fit, models, names, linear.weights, against=linear.against)
    if candidates is not None:
        return turned_sentences(claims)
    is_open = fit.findings is not None and any(claim.is_sure for claim in claims)
    return [NOT_COMPARED] if is_open else []


def _turning(fit: Fit, linear: Linear) -> list[str]:
    """Name the assemblies without which a sure answer would be on the other side."""
    assemblies = units_of(fit, "assembly")
    if len(assemblies.names) < 2 or not linear.names:
        return []
    linear, passed_over = _least_sure(fit, linear, max(1, MOST_CELLS // len(assemblies.names)))
    study = LeaveOut(fit, [assemblies.codes], draws=draws_for(fit, DRAWS))
    _, deletions = left_out_units(fit)
    moved = study.moments(linear.weights, deletions.weights, spreads=False)
    whole, whole_sd = moved.whole
    side = whole - linear.against
    sure = np.mean(np.sign(moved.at_draws - linear.against) == np.sign(side), axis=0)
    sure = np.minimum(sure, _chance_of_side(side, whole_sd)) >= SURE
    turned = (np.sign(moved.mean - linear.against) != np.sign(side)) & sure
    some = np.flatnonzero(turned.any(axis=0))
    if len(some):
        without_sd = study.moments(linear.only(some).weights, deletions.weights).sd
        turned[:, some] &= without_sd <= ALONE * whole_sd[some]
    caveats = []
    for place, estimate in zip(*np.nonzero(turned), strict=True):
        doubt = "" if deletions.trusted[place] else " (roughly: check_fit refits it)"
        with_k, without_k = map(number_words, (whole[estimate], moved.mean[place, estimate]))
        caveats.append(
            f"It rests on one assembly: without '{assemblies.names[place]}' "
            f"{linear.names[estimate]} would be {without_k} K and not {with_k} K{doubt}."
        )
    caveats = _few(caveats, "more answers turn with one assembly.")
    if passed_over:
        caveats.append(
            f"Whether one assembly turns an answer was checked for the {len(linear.names)} least "
            f"sure of {passed_over + len(linear.names)}."
        )
    return caveats


def _least_sure(fit: Fit, linear: Linear, most: int) -> tuple[Linear, int]:
    """Return the answers nearest to turning, of too many, and the count of the others."""
    if len(linear.names) <= most:
        return linear, 0
    weights, usual = linear.weights, float(np.mean(fit.draws(EXPONENT)))
    draws = fit.combined(weights(usual) if callable(weights) else weights)
    far = np.abs(draws.mean(axis=0) - linear.against) / np.std(draws, axis=0)
    # One that is unsure already cannot lose a sure side.
    far[_chance_of_side(far, np.ones(len(far))) < SURE] = np.inf
    kept = np.sort(np.argsort(far, kind="stable")[:most])
    return linear.only(kept), len(linear.names) - most


def _chance_of_side(side: Array, sd: Array) -> Array:
    from scipy.special import ndtr

    return np.asarray(ndtr(np.abs(side) / np.maximum(sd, 1e-300)))
