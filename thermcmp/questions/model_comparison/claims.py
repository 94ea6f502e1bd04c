"""The fit's main answers under every model, and which of them hang on the model."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp.errors import Fault, InputError, ThermcmpError
from thermcmp.prediction.builds import Scope
from thermcmp.questions.model_claims import Claim, Estimate, linear_claims
from thermcmp.questions.separation.contrasts import in_sentence, measured_effects, stated_effects

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from thermcmp.inference.posterior import Fit
    from thermcmp.model.identifiability import Contrast
    from thermcmp.questions.answer import Answer

#: Columns of an answer's table that say something of a row but do not name it.
_REMARKS: Final = frozenset({"health", "aliased_with", "note", "unit"})

_ENDS: Final = ("mean_k", "low_k", "high_k")
Question = Callable[["Fit"], "Answer"]


def contrast_claims(
    fit: Fit, models: Mapping[str, Fit], wanted: Sequence[Contrast], prob: float
) -> list[Claim]:
    """Return the contrasts that the rows hold, under every model."""
    names, weights = measured_effects(fit, stated_effects(fit, Scope.SPECIMENS, wanted))
    return linear_claims(fit, models, [in_sentence(name) for name in names], weights, prob=prob)


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
