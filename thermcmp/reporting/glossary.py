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
    Term("aliased, confounded", r"\b(alias|confound)",
         "Factors that changed together, so that the data alone cannot separate them."),
    Term("assembly", r"\bassembl",
         "One mounting of a cooler on a board; a teardown ends it, a remount begins the next."),
    Term("corner", r"\bcorners?\b",
         "One hardware under one firmware: old or new each, so a fix has four. Measured where a "
         "run was made there, else predicted by the model."),
    Term("departure", r"\bdeparture|beyond adding up",
         "What several changes bring together beyond the sum of what each brings alone."),
    Term("enough", r"\benough\b|keep the limit",
         "Of fan speeds: the lowest one at which the limit is exceeded with the allowed "
         "probability at most."),
    Term("equal-tailed interval", r"equal-tailed",
         "Interval that leaves the same probability below and above it."),
    Term("intake", r"\bintake\b",
         "The air that the cooler takes in; inside a case it is warmer than the room, by the "
         "case's rise."),
    Term("limit, margin", r"\b(limit|margin)\b",
         "The limit is the highest allowed sensor temperature; the margin is the limit minus the "
         "temperature."),
    Term("mostly prior, shrinkage", r"mostly prior|shrinkage",
         "Shrinkage is the part of a parameter's prior variance that the data took away."),
    Term("not estimable", r"not estimable",
         "The data cannot hold this number; the reason stands beside it."),
    Term("over every order", r"order-free|in any order|all orders|every order",
         "Averaged over all orders in which the changes could have been made, so that the "
         "parts add up whatever came first."),
    Term("pareto k", r"pareto k",
         "Says whether the importance weights behind a number can be trusted; above its limit "
         "the fit is repeated without the rows in question."),
    Term("prior", r"\bprior",
         "What the model assumes about an effect before it has seen the data."),
    Term("prior influence", r"prior influence|other priors|different priors",
         "How far an estimate would move if the priors weighed twice as much: change of its "
         "distribution on a scale from 0 to 1, stated from 0.05 on."),
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
    Term("separation", r"\bseparation",
         "The estimated effect of each factor, in kelvin at reference conditions."),
    Term("session", r"\bsession",
         "One stay at one bench."),
    Term("share from data", r"share from data|data_share",
         "How much of an effect's spread the data took away; the rest is what the prior says."),
    Term("specimen", r"\bspecimen",
         "One piece of a model: this cooler, this board."),
    Term("thermal resistance", r"thermal resistance",
         "Rise over board power, in kelvin per watt."),
)  # fmt: skip


def terms_used(words: Iterable[str]) -> tuple[Term, ...]:
    """Return the terms that occur in the texts."""
    text = "\n".join(words)
    return tuple(term for term in TERMS if re.search(term.pattern, text, re.I))
