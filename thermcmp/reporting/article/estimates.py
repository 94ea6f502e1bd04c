"""One number of an answer with the chance of its side, and what is held against it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.inference.parameter_notes import MOSTLY_PRIOR
from thermcmp.questions.phrases import RANGE_PROB, number_words
from thermcmp.reporting.article.strength import Strength, strength_of

if TYPE_CHECKING:
    from thermcmp.questions.answer import Answer

#: Words of a row's health or of a caveat by which its number rests on what was assumed.
_ASSUMED: Final = re.compile(
    r"mostly (the )?prior|rests on the assumed spread|predicted|assumed to add up|"
    r"Slightly different priors would change these more|Mostly from the prior|"
    r"Split although no run|is decided by|not known from these rows"
)
#: Words of a caveat that holds for everything an answer says, and what they allow at most.
_WEAKENS_ALL: Final = {
    r"Split although no run": Strength.PROBABLE,
    r"too far for a prediction": Strength.PROBABLE,
    r"extrapolated far": Strength.PROBABLE,
    r"Only one specimen of each part was tested": Strength.PROBABLE,
}
ON_ASSUMPTIONS: Final = "this rests more on the model's assumptions than on the measurements"
ON_MODEL: Final = "other models that explain the runs as well answer otherwise"


@dataclass(frozen=True, slots=True)
class Estimate:
    """Mean, interval and chance of the side of one number; NaN where it is not known."""

    mean: float
    low: float
    high: float
    #: Chance that the number is on the side of its mean.
    chance: float
    strength: Strength
    #: Why the words are weaker than the chance alone would allow.
    doubts: tuple[str, ...] = ()

    @property
    def is_withheld(self) -> bool:
        """Whether a range is known and no estimate."""
        return not np.isfinite(self.mean) and bool(np.isfinite(self.low))

    @property
    def is_missing(self) -> bool:
        """Whether nothing is known."""
        return not np.isfinite(self.mean) and not np.isfinite(self.low)

    @property
    def doubt_words(self) -> str:
        """The doubts as the end of a sentence."""
        return "".join(f"; {doubt}" for doubt in self.doubts)

    def size(self, unit: str = "K") -> str:
        """Return the number without its sign, and its range: "6.3 K (5.7 to 6.9)"."""
        sign = 1.0 if self.mean >= 0.0 else -1.0
        low, high = sorted((sign * self.low, sign * self.high))
        mean, least, most = (number_words(value, unit) for value in (sign * self.mean, low, high))
        return f"{mean} {unit} ({least} to {most})"

    def sides(self, over: str, under: str, unit: str = "K") -> str:
        """Return the range with a word for each side: "from 1.2 K cooler to 0.8 K warmer"."""
        ends = [
            f"{number_words(abs(end), unit)} {unit} {over if end >= 0.0 else under}"
            for end in (self.high, self.low)
        ]
        return f"from {ends[0]} to {ends[1]}"

    def turned(self) -> Estimate:
        """Return the same number with the other sign."""
        return Estimate(-self.mean, -self.high, -self.low, self.chance, self.strength, self.doubts)


def chance_of_side(draws: Array, low: float, high: float, prob: float) -> float:
    """Return the chance of the mean's side; without draws what the interval alone guarantees."""
    if draws.size and np.isfinite(draws).all():
        return float(np.mean(np.sign(draws) == np.sign(np.mean(draws))))
    return (1.0 + prob) / 2.0 if low > 0.0 or high < 0.0 else 0.5


def estimate_of(
    answer: Answer,
    row: Mapping[Any, Any],
    draws: Array,
    *,
    name: str,
    most: Strength,
    hanging: Iterable[str] = (),
    columns: tuple[str, str, str] = ("mean_k", "low_k", "high_k"),
) -> Estimate:
    """Return a row's estimate, its strength capped by what is held against it.

    `hanging` names the answers that hang on the model.
    """
    mean, low, high = (float(row[column]) for column in columns)
    if not np.isfinite(mean):
        return Estimate(mean, low, high, 0.0, Strength.NOT_KNOWN)
    doubts = []
    if any(name == other or name.startswith(f"{other},") for other in hanging):
        doubts.append(ON_MODEL)
        most = min(most, Strength.OPEN)
    share = float(row.get("data_share", np.nan))
    health = str(row.get("health", ""))
    if share < MOSTLY_PRIOR or _ASSUMED.search(health) or is_assumed(answer, name):
        doubts.append(ON_ASSUMPTIONS)
        most = min(most, Strength.PROBABLE)
    if any(c.startswith("It rests on one assembly") and _names(c, name) for c in answer.caveats):
        doubts.append("without one single assembly it would be otherwise")
        most = min(most, Strength.PROBABLE)
    chance = chance_of_side(draws, low, high, answer.prob)
    return Estimate(mean, low, high, chance, strength_of(chance, most), tuple(doubts))


def is_assumed(answer: Answer, name: str) -> bool:
    """Return whether a caveat says that a number rests on what was assumed."""
    return any(_ASSUMED.search(caveat) and _names(caveat, name) for caveat in answer.caveats)


def _names(caveat: str, name: str) -> bool:
    """Whether a caveat is about a number; one that counts some of its names may be about any."""
    listed = rf"(?:^|[:,;] |'[^']*' ){re.escape(name)}(?= \(by | would |[,:.;]|$)"
    is_counted = re.search(r" and \d+ more", caveat) is not None
    return bool(name) and (is_counted or re.search(listed, caveat) is not None)


def most_allowed(answer: Answer) -> Strength:
    """Return the strongest words that the whole answer allows."""
    if answer.health == "bad":
        return Strength.OPEN
    most = Strength.PROBABLE if answer.health == "caution" else Strength.CLEAR
    text = " ".join(answer.caveats)
    for pattern, strength in _WEAKENS_ALL.items():
        if re.search(pattern, text):
            most = min(most, strength)
    return most


def range_only(estimate: Estimate, unit: str = "K") -> str:
    """Return the range of what is withheld: "somewhere from −16.7 to 13.5 K (99% range)"."""
    low, high = number_words(estimate.low, unit), number_words(estimate.high, unit)
    return f"somewhere from {low} to {high} {unit} ({RANGE_PROB:.0%} range)"
