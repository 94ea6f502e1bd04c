"""The words a report uses, explained; a page shows those it uses."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Term:
    """One term, the pattern that finds it in a text, and its meaning."""

    name: str
    pattern: str
    meaning: str


TERMS: Final[tuple[Term, ...]] = (
    Term("assembly", r"\bassembl",
         "One mounting of a cooler on a board; a teardown ends it, a remount begins the next."),
    Term("assumption, prior", r"\b(assum|prior)",
         "What the model takes an effect to be like before it has seen the data. Other "
         "assumptions: the same, with twice the weight."),
    Term("corner", r"\bcorners?\b",
         "Old or new hardware under old or new firmware: a fix has four."),
    Term("departure", r"\bdeparture|beyond adding up",
         "What several changes bring together beyond the sum of what each brings alone."),
    Term("equal-tailed interval", r"equal-tailed",
         "Interval that leaves the same probability below and above it."),
    Term("fan speed needed", r"speed needed|keep the limit",
         "The lowest one at which the limit is exceeded with the allowed probability at most."),
    Term("in any order", r"in any order",
         "Averaged over all orders in which the changes could have been made, so that the "
         "parts add up whatever came first."),
    Term("intake", r"\bintake\b",
         "The air that the cooler takes in; inside a case it is warmer than the room."),
    Term("limit, margin", r"\b(limit|margin)\b",
         "The highest allowed sensor temperature; what is left to it."),
    Term("not estimable", r"not estimable",
         "The data cannot hold this number; the reason stands beside it."),
    Term("product", r"\bproduct",
         "What a shop sells: a cooler model on a board model under a firmware."),
    Term("reassembly penalty, remount", r"reassembly|\bremount",
         "What a new assembly of the same parts costs; not to be counted to the parts."),
    Term("reference conditions", r"reference conditions",
         "The power and the fan speed at which effects are stated in kelvin."),
    Term("regulated run", r"\bregulated",
         "A control loop held the sensor at a target by fan or power: its temperature is no "
         "result; fan speed, noise or power is."),
    Term("rise", r"\brise\b",
         "Sensor temperature minus local ambient, in kelvin."),
    Term("session", r"\bsession",
         "One stay at one bench."),
    Term("share from data", r"share from data|data_share",
         "How much of a number was measured; the rest was assumed."),
    Term("specimen", r"\bspecimen",
         "One piece of a model: this cooler, this board."),
    Term("thermal resistance", r"thermal resistance",
         "Rise over board power, in kelvin per watt."),
)  # fmt: skip


def terms_used(words: Iterable[str]) -> tuple[Term, ...]:
    """Return the terms that occur in the texts."""
    text = "\n".join(words)
    return tuple(term for term in TERMS if re.search(term.pattern, text, re.I))
