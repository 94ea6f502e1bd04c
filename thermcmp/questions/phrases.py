"""Shared phrases of the answers: numbers, intervals and probabilities in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError

PROB: Final = 0.90
#: Digits after the point by unit; one where a unit is not listed.
DIGITS: Final = {"rpm": 0, "W": 0, "s": 0, "K/dB": 2}
#: Probability of the range that is stated of a withheld part: nothing in it is excluded lightly.
RANGE_PROB: Final = 0.99
#: Chance of the other sign from which a difference is not called clear.
UNCLEAR: Final = 0.01
#: Health of a part that is stated as a range only.
WITHHELD: Final = "withheld: the runs do not hold it, range only"


def interval(draws: Array, prob: float) -> tuple[float, float]:
    """Return the equal-tailed interval of the draws."""
    low, high = np.quantile(draws, [(1.0 - prob) / 2.0, (1.0 + prob) / 2.0])
    return float(low), float(high)


def summary(draws: Array, prob: float) -> tuple[float, float, float, float]:
    """Return mean, standard deviation, and the ends of the equal-tailed interval."""
    return (float(np.mean(draws)), float(np.std(draws)), *interval(draws, prob))


def check_prob(prob: float) -> None:
    """Refuse a probability outside (0.5, 1)."""
    if not 0.5 <= prob < 1.0:
        fix = "give a number from 0.5 to below 1"
        fault = Fault("out of range", fix, column="prob", value=str(prob))
        raise InputError("The intervals need a probability:", [fault])


def check_matters(matters_k: float) -> None:
    """Refuse a smallest difference that is not a number of kelvin, 0 or more."""
    check_size(matters_k, "matters_k", "Which difference matters?")


def check_size(size_k: float, name: str, question: str) -> None:
    """Refuse a size that is not a number of kelvin, 0 or more."""
    if not (np.isfinite(size_k) and size_k >= 0.0):
        fix = "give a number of kelvin"
        fault = Fault("not zero or more", fix, column=name, value=str(size_k))
        raise InputError(question, [fault])


def few_named(names: Sequence[str], most: int = 4) -> str:
    """Return the first names in words, and a count of the rest."""
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


def number_words(value: float, unit: str = "K", sign: str = "") -> str:
    """Return a number with its unit's digits and a true minus sign; `sign` "+" shows a plus too."""
    return f"{value:{sign}z.{DIGITS.get(unit, 1)}f}".replace("-", "\N{MINUS SIGN}")


def range_words(draws: Array, prob: float, unit: str = "K") -> str:
    """Return mean and interval in words: "−6.4 K (−7.1 to −5.7)"."""
    values = (float(np.mean(draws)), *interval(draws, prob))
    mean, low, high = (number_words(value, unit) for value in values)
    return f"{mean} {unit} ({low} to {high})"


def sided_words(draws: Array, prob: float, over: str, under: str, unit: str = "K") -> str:
    """Return a positive mean, its interval and the side: "6.4 K (5.7 to 7.1) cooler"."""
    up = bool(np.mean(draws) >= 0.0)
    return f"{range_words(draws if up else -draws, prob, unit)} {over if up else under}"


def part_words(share: float) -> str:
    """Return a share in per cent, never as a plain 0 or 100: the rest is small and not none."""
    if share > 0.99:
        return "over 99%"
    return "under 1%" if share < 0.01 else f"{share:.0%}"


def chance_words(chance: float, draws: int) -> str:
    """Return a probability, never stated more sharply than the draws allow."""
    edge = max(1.0 / draws, 0.001)
    if chance < edge:
        return f"below {edge:.1%}"
    if chance > 1.0 - edge:
        return f"above {1.0 - edge:.1%}"
    return f"{chance:.0%}" if 0.01 <= chance <= 0.99 else f"{chance:.1%}"


def other_sign_words(draws: Array, prob: float) -> str:
    """Return what follows a health where the interval excludes 0 without the sign being clear.

    Of intervals that hold in 90 % of cases one in ten excludes 0 where there is no difference.
    """
    chance = float(min(np.mean(draws > 0.0), np.mean(draws < 0.0)))
    is_unclear = UNCLEAR <= chance < (1.0 - prob) / 2.0
    return f"; {chance:.0%} chance of the other sign" if is_unclear else ""


def remark_words(remarks: Sequence[str]) -> str:
    """Return what limits a number, as the end of its sentence."""
    return "".join(f"; {remark}" for remark in remarks)


def percent_words(chance: float) -> str:
    """Return the probability in per cent, never as a plain 0 or 100."""
    if chance < 0.01:
        return "<1%"
    if chance > 0.99:
        return ">99%"
    return f"{chance:.0%}"


def open_words(draws: Array) -> str:
    """A quantity that is stated as a range only: "somewhere from 2.0 to 14.1 K"."""
    low, high = interval(draws, RANGE_PROB)
    return f"somewhere from {low:z.1f} to {high:z.1f} K".replace("-", "\N{MINUS SIGN}")
