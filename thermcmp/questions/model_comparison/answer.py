"""The answer of a comparison of models."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from thermcmp.questions.answer import Answer

if TYPE_CHECKING:
    import pandas as pd

    from thermcmp.inference.posterior import Fit


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ModelComparison(Answer):
    """How well several models predict an assembly, and how far their answers differ.

    Attributes
    ----------
    answers : pandas.DataFrame
        A row per answer: answer, mean_k, low_k, high_k [K] as fitted; least_mean_k and
        greatest_mean_k among the models that predict about as well as the best, moved_k
        and moved_by (largest change and its model); verdict ("holds", "open",
        "model-dependent"); model_dependent, the model that turns it or loses it.
    models : mapping of str to Fit
        The fit of each model, to be asked like any other.
    best : str
        The model that predicts best.
    """

    answers: pd.DataFrame
    models: Mapping[str, Fit] = field(repr=False)
    best: str
