"""The fit's main answers under every model, and which of them hang on the model."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError, ThermcmpError
from thermcmp.model.design import FIXED, SHARED
from thermcmp.prediction.builds import Scope
from thermcmp.questions.caveats import SURE
from thermcmp.questions.phrases import interval
from thermcmp.questions.separation.contrasts import in_sentence, measured_effects, stated_effects

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from thermcmp.inference.posterior import Fit
    from thermcmp.model.design import Design
    from thermcmp.model.identifiability import Contrast
    from thermcmp.questions.answer import Answer

HOLDS: Final = "holds"
OPEN: Final = "open"
DEPENDS: Final = "model-dependent"
#: Columns of an answer's table that say something of a row but do not name it.
_REMARKS: Final = frozenset({"health", "aliased_with", "note", "unit"})

_ENDS: Final = ("mean_k", "low_k", "high_k")
#: Mean, low and high [K].
Estimate = tuple[float, float, float]
Question = Callable[["Fit"], "Answer"]


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
        if not _is_sure(self.fitted):
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
        return HOLDS if _is_sure(self.fitted) else OPEN


def _is_sure(estimate: Estimate) -> bool:
    """Return whether an interval is on one side of zero."""
    return estimate[1] > 0.0 or estimate[2] < 0.0


def _chance_of_side(estimate: Estimate, prob: float) -> float:
    """Return the probability of the mean's side of zero, by the interval's end towards zero."""
    from scipy.special import ndtr, ndtri

    mean, low, high = estimate
    near = mean - low if mean > 0.0 else high - mean
    return float(ndtr(ndtri(0.5 + prob / 2.0) * abs(mean) / max(near, 1e-300)))


def contrast_claims(
    fit: Fit, models: Mapping[str, Fit], wanted: Sequence[Contrast], prob: float
) -> list[Claim]:
    """Return the contrasts that the rows hold, under every model."""
    names, weights = measured_effects(fit, stated_effects(fit, Scope.SPECIMENS, wanted))
    draws = {
        name: model.combined(moved_weights(fit.design, model.design, weights))
        for name, model in models.items()
    }
    return [
        Claim(
            in_sentence(name),
            {model: _estimate(each[:, place], prob) for model, each in draws.items()},
        )
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


def asked_claims(question: Question, models: Mapping[str, Fit]) -> tuple[list[Claim], list[str]]:
    """Return the rows of a question's table under every model, and the models that refused it.

    The fit itself comes first; what it refuses is not caught.
    """
    tables: dict[str, dict[str, Estimate]] = {}
    refused = []
    for name, model in models.items():
        try:
            answer = question(model)
        except ThermcmpError:
            if not tables:
                raise
            refused.append(name)
            continue
        tables[name] = _rows(answer.kind, answer.table)
    first = next(iter(tables.values()))
    claims = [
        Claim(row, {name: table[row] for name, table in tables.items() if row in table})
        for row, estimate in first.items()
        if np.isfinite(estimate[0])
    ]
    return claims, refused


def _rows(kind: str, table: pd.DataFrame) -> dict[str, Estimate]:
    """Return mean and interval of each row of an answer's table, by its words."""
    if not set(_ENDS) <= set(table.columns):
        raise InputError(
            "This question's answer cannot be compared:",
            [
                Fault(
                    "its table has no means in kelvin with intervals",
                    "give one such as separate or attribute",
                    column="ask",
                    value=kind,
                )
            ],
        )
    names = [column for column in table if column not in _REMARKS and not _is_number(table[column])]
    numbers = table[list(_ENDS)].to_numpy(float)
    words = (
        " ".join(str(value) for value in line if value) for line in table[names].itertuples(False)
    )
    return {
        f"{kind}: {word}": (mean, low, high)
        for word, (mean, low, high) in zip(words, numbers.tolist(), strict=True)
    }


def _is_number(column: pd.Series) -> bool:
    from pandas.api.types import is_numeric_dtype

    return bool(is_numeric_dtype(column))
