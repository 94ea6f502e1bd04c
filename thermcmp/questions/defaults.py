"""The questions that a report asks of a fit when none are named."""

from __future__ import annotations

from typing import TYPE_CHECKING

from thermcmp.hooks import ask_questions
from thermcmp.questions.held_runs import regulated_runs
from thermcmp.questions.ranking import rank
from thermcmp.questions.separation import separate

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit
    from thermcmp.questions.answer import Answer


def default_questions(fit: Fit, *, allow_bad_health: bool = False) -> list[Answer]:
    """Separation, ranking of several products, regulated runs, and plug-ins' questions.

    Parameters
    ----------
    fit : Fit
        The fit.
    allow_bad_health : bool
        Ask even if the fit's health is "bad".

    Returns
    -------
    list of Answer
        The answers, in reading order.
    """
    answers = [separate(fit, allow_bad_health=allow_bad_health)]
    if fit.results["product"].nunique() > 1:
        answers.append(rank(fit, allow_bad_health=allow_bad_health))
    if fit.results["regulated"].any():
        answers.append(regulated_runs(fit))
    return [*answers, *ask_questions(fit)]
