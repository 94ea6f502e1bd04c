"""The usual questions that a report asks of a fit."""

from __future__ import annotations

from typing import TYPE_CHECKING

from thermcmp.inference.comparison.candidates import is_cheap
from thermcmp.questions.model_comparison.question import compare_models
from thermcmp.questions.plugin_questions import ask_questions
from thermcmp.questions.ranking.question import rank
from thermcmp.questions.regulation.question import any_regulated, regulated_runs
from thermcmp.questions.separation.question import separate

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit
    from thermcmp.questions.answer import Answer


def default_questions(fit: Fit, *, allow_bad_health: bool = False) -> list[Answer]:
    """Answer separation, ranking, regulated runs, other models, and plug-ins' questions.

    Other models are compared first where that is cheap, so that every answer knows what hangs on
    the model.
    """
    comparison: list[Answer] = [compare_models(fit)] if is_cheap(fit) else []
    answers: list[Answer] = []
    if not fit.aliases.too_many:
        answers.append(separate(fit, allow_bad_health=allow_bad_health))
    if fit.design.rows["product"].nunique() > 1:
        answers.append(rank(fit, allow_bad_health=allow_bad_health))
    if any_regulated(fit.design.rows):
        answers.append(regulated_runs(fit))
    return [*answers, *comparison, *ask_questions(fit)]
