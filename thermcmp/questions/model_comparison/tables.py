"""The tables of a comparison of models."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp.inference.comparison.predictive_density import predict_alike
from thermcmp.questions.model_claims import DEPENDS, HOLDS

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from thermcmp.inference.comparison.candidates import Candidates
    from thermcmp.questions.model_claims import Claim

#: Most answers that are shown, those that hang on the model first.
MOST_SHOWN: Final = 12
_ORDER: Final = (DEPENDS, HOLDS)


def models_table(candidates: Candidates) -> pd.DataFrame:
    """Return a row per model, the best first."""
    import pandas as pd

    best = candidates.best.density
    rows = []
    for model, weight in zip(candidates.each, candidates.weights, strict=True):
        apart, error = model.density.difference(best)
        alike = predict_alike(apart, error)
        words = "about as well as the best" if alike else "clearly worse"
        if model.density is best:
            words = "best"
        rows.append(
            (model.name, model.difference, model.density.total, apart, error, weight, words,
             len(model.density.unsure), str(model.fit.health))
        )  # fmt: skip
    columns = ["model", "differs_in", "elpd", "elpd_difference", "difference_se", "weight"]
    columns += ["predicts", "unsure_assemblies", "health"]
    table = pd.DataFrame(rows, columns=columns)
    return table.sort_values("elpd", ascending=False, kind="stable", ignore_index=True)


def answers_table(claims: Sequence[Claim], prob: float) -> pd.DataFrame:
    """Return a row per answer: as fitted, and how far it moves."""
    import pandas as pd

    rows = []
    for claim in claims:
        means = [mean for mean, _, _ in claim.by_model.values()]
        by, moved = claim.farthest
        rows.append(
            (claim.name, *claim.fitted, np.nanmin(means), np.nanmax(means), moved,
             by if moved else "", claim.verdict(prob), claim.turned_by(prob))
        )  # fmt: skip
    columns = ["answer", "mean_k", "low_k", "high_k", "least_mean_k", "greatest_mean_k"]
    columns += ["moved_k", "moved_by", "verdict", "model_dependent"]
    return pd.DataFrame(rows, columns=columns)


def shown_answers(answers: pd.DataFrame) -> pd.DataFrame:
    """Return the answers to show: those that hang on the model, then those that move most."""
    rank = answers["verdict"].map({word: place for place, word in enumerate(_ORDER)})
    order = np.lexsort((-answers["moved_k"].abs(), rank.fillna(len(_ORDER))))
    return answers.iloc[order[:MOST_SHOWN]].reset_index(drop=True)
