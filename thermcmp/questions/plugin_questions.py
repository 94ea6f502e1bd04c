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
        Question(one.key, guarded(one, one.item.ask, Answer))
        for one in provided("thermcmp_questions")
    )


def ask_questions(fit: Fit) -> tuple[Answer, ...]:
    """Ask every question of the plug-ins; one that fails is warned about and left out."""
    return tuple(surviving([functools.partial(one.ask, fit) for one in questions()]))
