"""Questions that plug-ins add."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING

from thermcmp.hooks import Question, guarded, provided, surviving
from thermcmp.questions.answer import Answer

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit


def questions() -> tuple[Question, ...]:
    """Return all questions of plug-ins; one that raises names its plug-in."""
    return tuple(
        Question(plugin.key, guarded(plugin, plugin.item.ask, Answer))
        for plugin in provided("thermcmp_questions")
    )


def ask_questions(fit: Fit) -> tuple[Answer, ...]:
    """Answer every question of the plug-ins; one that fails is left out with a warning."""
    return tuple(surviving([functools.partial(question.ask, fit) for question in questions()]))
