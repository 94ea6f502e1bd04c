"""Questions that plug-ins add."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING

from thermcmp.hooks import Question, guarded, provided, surviving
from thermcmp.questions.answer import Answer

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit


def questions() -> tuple[Question, ...]:
    """Return all questions of plug-ins; one that raises names its plug-in.

    Returns
    -------
    tuple of Question
        In order of registration. Their ``ask`` raises `PluginError` from
        whatever the plug-in raised.

    Raises
    ------
    PluginError
        If an installed plug-in fails and ``THERMCMP_STRICT_PLUGINS`` is set.
    """
    return tuple(
        Question(one.key, guarded(one, one.item.ask, Answer))
        for one in provided("thermcmp_questions")
    )


def ask_questions(fit: Fit) -> tuple[Answer, ...]:
    """Ask every question of the plug-ins; one that fails is warned about and left out.

    Parameters
    ----------
    fit : Fit
        What the questions are asked of.

    Returns
    -------
    tuple of Answer
        In order of registration.
    """
    return tuple(surviving([functools.partial(one.ask, fit) for one in questions()]))
