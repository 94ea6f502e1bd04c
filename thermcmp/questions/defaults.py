"""The questions that a report asks of a fit when none are named."""

from __future__ import annotations

from typing import TYPE_CHECKING

from thermcmp.hooks import ask_questions
from thermcmp.questions.ranking import rank
from thermcmp.questions.separation import separate

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit
    from thermcmp.questions.answer import Answer


def default_questions(fit: Fit) -> list[Answer]:
    """Separation, the ranking where there are several products, and plug-ins' questions.

    Parameters
    ----------
    fit : Fit
        The fit.

    Returns
    -------
    list of Answer
        The answers, in reading order.
    """
    answers = [separate(fit)]
    if fit.results["product"].nunique() > 1:
        answers.append(rank(fit))
    return [*answers, *ask_questions(fit)]
