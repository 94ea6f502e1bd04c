"""Other models of a fit's rows: with fewer or further terms, or under another law of scatter."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp.inference.engines import run_engine
from thermcmp.inference.screening import FEWEST, coolers_of, marked_rows, own_spread
from thermcmp.model.design import build_design
from thermcmp.model.observation import DEGREES, Residuals
from thermcmp.model.terms import AMBIENT, DRIFT, SETTLING, TREND

if TYPE_CHECKING:
    from thermcmp.inference.expansion import Expansion
    from thermcmp.inference.posterior import Fit

#: Most coolers whose assemblies get a spread of their own at once, those assembled most often.
MOST_COOLERS: Final = 3
#: Terms of a default fit without which the rows may be explained as well, with words for that.
_OPTIONAL: Final = {
    "pairing": "without pairing",
    DRIFT: "without drift",
    TREND: "without trend",
    AMBIENT: "without slope along ambient temperature",
    SETTLING: "without settling",
}


@dataclass(frozen=True, slots=True, eq=False)
class Alternative:
    """Another model of the same rows."""

    name: str
    difference: str  #: what it has otherwise, in words
    left_out: frozenset[str] = frozenset()  #: names of the fit's terms that it lacks
    added: tuple[Expansion, ...] = ()
    residuals: Residuals = Residuals.NORMAL


def alternatives(fit: Fit, *, with_student: bool) -> tuple[Alternative, ...]:
    """Return the models to hold against a fit, the simplest first."""
    law = fit.design.residuals
    freed = {e.term.name for e in fit.expansions if e.outlier is not None}
    own = {e.term.name: e.cooler for e in fit.expansions if e.outlier is None}
    found = []
    if freed or own:
        without = [f"no {name}" for name in sorted(freed)]
        without += [f"no own spread of {cooler}" for cooler in own.values()]
        left_out = frozenset(freed | set(own))
        found.append(Alternative("plain model", ", ".join(without), left_out, residuals=law))
    if freed and own:
        found += [
            Alternative("outliers kept", "none is freed", frozenset(freed), residuals=law),
            Alternative(
                "one assembly spread", "the same of all coolers", frozenset(own), residuals=law
            ),
        ]
    for name, words in _OPTIONAL.items():
        if fit.design.term_position(name) is not None:
            found.append(Alternative(words, f"no term '{name}'", frozenset({name}), residuals=law))
    if not own and (coolers := _reassembled(fit)):
        words = f"of {', '.join(coolers)} beyond the common one"
        added = tuple(own_spread(cooler) for cooler in coolers)
        found.append(Alternative("own assembly spreads", words, added=added, residuals=law))
    if law is Residuals.STUDENT:
        found.append(Alternative("normal scatter", "in place of Student's t"))
    elif with_student:
        words = "scatter of runs in place of a normal one"
        found.append(Alternative("Student's t", words, residuals=Residuals.STUDENT))
    return tuple(found)


def refitted(fit: Fit, other: Alternative) -> Fit:
    """Return the fit of another model to the same rows, at the same reference and priors."""
    design = fit.design
    kept = tuple(e for e in fit.expansions if e.term.name not in other.left_out)
    terms = [term for term in design.terms if term.name not in other.left_out]
    gone = {f"{name} sd" for name in other.left_out}
    if other.residuals is not Residuals.STUDENT:
        gone.add(DEGREES)
    changed = build_design(
        marked_rows(fit, other.added),
        sensor=fit.sensor,
        terms=(*terms, *(e.term for e in other.added)),
        law=design.law,
        noise=design.noise,
        reference=design.reference,
        priors={name: prior for name, prior in fit.priors.items() if name not in gone},
        residuals=other.residuals,
        steps=design.steps,
        errors=design.errors,
    )
    engine = "nuts" if other.residuals is Residuals.STUDENT else "conditional"
    chosen = run_engine(
        replace(changed, left_out=design.left_out), engine, fit.draw_count, fit.seed
    )
    return replace(
        fit,
        posterior=chosen.run.posterior,
        design=chosen.design,
        engine=chosen.engine,
        engine_reason=chosen.reason,
        diagnostics=chosen.run.diagnostics,
        expansions=(*kept, *other.added),
        findings=None,
    )


def _reassembled(fit: Fit) -> list[str]:
    """Return the coolers assembled most often, if there are others and they have enough."""
    place = fit.design.term_position("assembly")
    if place is None:
        return []
    coolers = coolers_of(fit, fit.design.index[:, place])
    names, counts = np.unique(coolers, return_counts=True)
    most = np.argsort(-counts, kind="stable")[:MOST_COOLERS]
    return sorted(str(names[i]) for i in most if counts[i] >= FEWEST and len(names) > 1)
