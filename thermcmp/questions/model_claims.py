"""Claims of an answer under every model that predicts about as well, and which turn."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.model.design import EXPONENT, FIXED, SHARED
from thermcmp.questions.phrases import PROB, few_named, interval, number_words

if TYPE_CHECKING:
    from collections.abc import Callable

    from thermcmp.inference.posterior import Fit
    from thermcmp.model.design import Design

HOLDS: Final = "holds"
OPEN: Final = "open"
DEPENDS: Final = "model-dependent"
#: How sure a sign must be before its turning is worth a caveat.
SURE: Final = 0.90
#: Answers named in a sentence of their own.
_NAMED: Final = 4

#: Mean, low and high [K].
Estimate = tuple[float, float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Claim:
    """One answer under each of the models that predict about as well, the fit itself first."""

    name: str
    by_model: Mapping[str, Estimate]

    @property
    def fitted(self) -> Estimate:
        """The answer as fitted."""
        return next(iter(self.by_model.values()))

    @property
    def farthest(self) -> tuple[str, float]:
        """The model that moves the mean most, and by how much [K]."""
        means = {name: mean - self.fitted[0] for name, (mean, _, _) in self.by_model.items()}
        return max(means.items(), key=lambda item: abs(np.nan_to_num(item[1])))

    def turned_by(self, prob: float) -> str:
        """Return the model under which a sure sign turns or is lost; "" where none does."""
        for name, (mean, _, _) in self.by_model.items():
            for low, high in ((one[1], one[2]) for one in self.by_model.values()):
                if (low > 0.0 > mean) or (high < 0.0 < mean):
                    return name if name != next(iter(self.by_model)) else self._surest
        if not self.is_sure:
            return ""
        lost = {name: _chance_of_side(one, prob) for name, one in self.by_model.items()}
        weakest = min(lost, key=lambda name: lost[name])
        return weakest if lost[weakest] < SURE else ""

    @property
    def _surest(self) -> str:
        """The other model whose sure sign is not that of the fit."""
        side = np.sign(self.fitted[0])
        return next(
            name for name, one in self.by_model.items() if _is_sure(one) and np.sign(one[0]) != side
        )

    def verdict(self, prob: float) -> str:
        """Return whether a sure sign holds under all models, or hangs on the model."""
        if self.turned_by(prob):
            return DEPENDS
        return HOLDS if self.is_sure else OPEN

    @property
    def is_sure(self) -> bool:
        """Whether the answer as fitted is on one side of zero."""
        return _is_sure(self.fitted)


def _is_sure(estimate: Estimate) -> bool:
    """Return whether an interval is on one side of zero."""
    return estimate[1] > 0.0 or estimate[2] < 0.0


def _chance_of_side(estimate: Estimate, prob: float) -> float:
    """Return the probability of the mean's side of zero, by the interval's end towards zero."""
    from scipy.special import ndtr, ndtri

    mean, low, high = estimate
    near = mean - low if mean > 0.0 else high - mean
    return float(ndtr(ndtri(0.5 + prob / 2.0) * abs(mean) / max(near, 1e-300)))


def linear_claims(
    fit: Fit,
    models: Mapping[str, Fit],
    names: Sequence[str],
    weights: Array | Callable[[float], Array],
    *,
    against: float = 0.0,
    prob: float = PROB,
) -> list[Claim]:
    """Return answers that are linear in a fit's effects less `against`, under every model."""
    draws = {}
    for model, other in models.items():
        at = weights(float(np.mean(other.draws(EXPONENT)))) if callable(weights) else weights
        draws[model] = other.combined(moved_weights(fit.design, other.design, at)) - against
    return [
        Claim(name, {model: _estimate(each[:, place], prob) for model, each in draws.items()})
        for place, name in enumerate(names)
    ]


def moved_weights(design: Design, other: Design, weights: Array) -> Array:
    """Return weights of a design's effects, (m, q), for those of another design of the same rows.

    An effect that the other one lacks is zero there.
    """
    places = {name: place for place, name in enumerate(_effects(other))}
    moved = np.zeros((len(weights), other.effect_count))
    for place, name in enumerate(_effects(design)):
        if name in places:
            moved[:, places[name]] = weights[:, place]
    return moved


def _effects(design: Design) -> list[tuple[str, str]]:
    """Return term and level of each effect, in the design's column order."""
    named = [(name, "") for name in FIXED] + [(SHARED, name) for name in design.shared.names]
    for term, levels in zip(design.terms, design.levels, strict=True):
        named += [(term.name, level) for level in levels]
    return named


def _estimate(draws: Array, prob: float) -> Estimate:
    return (float(np.mean(draws)), *interval(draws, prob))


def turned_sentences(claims: Sequence[Claim], prob: float = PROB) -> list[str]:
    """Name the answers that hang on the model."""
    turned = [claim for claim in claims if claim.turned_by(prob)]
    sentences = []
    for claim in turned[:_NAMED]:
        model = claim.turned_by(prob)
        sentences.append(
            f"Model-dependent: {claim.name} is {_words(claim.fitted)} as fitted and "
            f"{_words(claim.by_model[model])} under '{model}', which predicts about as well."
        )
    if len(turned) > _NAMED:
        named = few_named([claim.name for claim in turned[_NAMED:]])
        sentences.append(f"Model-dependent as well: {named}.")
    return sentences


def _words(estimate: Estimate) -> str:
    mean, low, high = map(number_words, estimate)
    return f"{mean} K ({low} to {high})"
