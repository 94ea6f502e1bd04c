"""Which contrasts rest on a spread that the rows cannot estimate, such as that of assemblies.

Where one assembly, session or specimen stands for each side, its effect is part of the
contrast, and how large it may be is known from the prior alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.inference.checks.residuals import parameter_points
from thermcmp.inference.conditional.blas_threads import one_blas_thread
from thermcmp.inference.conditional.marginal_likelihood import Kernel, Points, Solved
from thermcmp.inference.conditional.regulated_sampling import fitted_kernel
from thermcmp.inference.parameter_notes import MOSTLY_PRIOR
from thermcmp.model.priors import Known
from thermcmp.model.terms import LAB_PRODUCT, VENDOR_PAIRING, Role, Term

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit

#: Share of a contrast's variance from which a spread decides its interval.
DECIDES: Final = 0.4
#: Posterior draws over which that share is averaged.
THINNED: Final = 40
#: Numbers worked on at once.
MOST_NUMBERS: Final = 5_000_000
_ROLES: Final = (Role.NUISANCE, Role.SPECIMEN, Role.PAIRING, Role.COVARIATE)
_NAMES: Final = {
    "assembly": "assemblies",
    "session": "sessions",
    "lab": "laboratories",
    "cooler": "cooler specimens",
    "board": "board specimens",
    "pairing": "pairings",
    VENDOR_PAIRING: "pairings of cooler and vendor",
    "bench": "benches",
    LAB_PRODUCT: "products at one laboratory",
    "drift": "the drift over a session",
    "trend": "the trend over a bench's sessions",
    "ambient": "the slope along ambient temperature",
    "settling": "how assemblies settle from run to run",
}
_CURES: Final = {
    "assembly": "take each apart and assemble it again at least twice",
    "session": "run both sides in one session",
    "lab": "run one card in both laboratories",
    "cooler": "test a second specimen of each cooler",
    "board": "test a second specimen of each board",
    "pairing": "assemble the pair that is missing",
    VENDOR_PAIRING: "assemble the pair that is missing",
    "bench": "run one card on both benches",
    LAB_PRODUCT: "run both products in a further laboratory",
    "drift": "alternate the parts within a session",
    "trend": "run both sides in one session, or repeat an early build now",
    "ambient": "run both sides at one ambient temperature, or one side at two",
    "settling": "give each assembly as many runs, and end each with its first run again",
}


def assumed_spreads(fit: Fit, weights: Array) -> list[tuple[str, ...]]:
    """Return for each contrast (m, q) the terms whose assumed spread decides its interval."""
    terms = fit.design.terms
    places = [
        k
        for k, term in enumerate(terms)
        if term.role in _ROLES
        and not isinstance(fit.priors[term.spread], Known)
        and is_assumed(fit, term)
    ]
    if not places:
        return [()] * len(weights)
    kernel = fitted_kernel(fit)
    points = parameter_points(fit, fit.thinned(THINNED))
    left = np.zeros((len(places), len(weights)))
    with one_blas_thread():
        whole = np.maximum(contrast_variances(kernel, points, weights), 1e-300)
        for row, place in enumerate(places):
            spread = np.where(np.arange(len(terms)) == place, 0.0, points.spread)
            rest = contrast_variances(kernel, replace(points, spread=spread), weights)
            left[row] = np.mean(rest / whole, axis=0)
    decides = 1.0 - left > DECIDES
    return [
        tuple(terms[place].name for place, hit in zip(places, column, strict=True) if hit)
        for column in decides.T
    ]


def is_assumed(fit: Fit, term: Term) -> bool:
    """Whether the rows say little of a term's spread.

    By the variance that is left of the prior's standard-normal coordinate: that of a long-tailed
    prior itself falls as soon as the rows exclude absurd values.
    """
    coordinate = fit.priors[term.spread].to_standard(fit.draws(term.spread))
    return bool(np.var(np.maximum(coordinate, -8.0)) > 1.0 - MOSTLY_PRIOR)


def contrast_variances(
    kernel: Kernel, points: Points, weights: Array, *, is_regular: bool = True
) -> Array:
    """Return the variance of contrasts (m, q), or (B, m, q), at each of B points, shape (B, m).

    Where the points need not be regular, it is NaN at those that rounding makes singular.
    """
    count, q = weights.shape[-2:]
    weights = np.broadcast_to(weights, (len(points), count, q))
    variances = np.zeros((len(points), count))
    some_at_once = max(1, MOST_NUMBERS // q)
    at_once = max(1, min(kernel.batch, MOST_NUMBERS // (q * max(count, 1))))
    for part in (slice(i, i + at_once) for i in range(0, len(points), at_once)):
        solved = Solved(kernel, points.part(part), is_regular=is_regular)
        for some in (slice(i, i + some_at_once) for i in range(0, count, some_at_once)):
            squares = solved.halves(weights[part, some]) ** 2
            variances[part, some] = np.sum(squares, axis=0).reshape(variances[part, some].shape)
    return variances


def spread_names(names: Sequence[str]) -> str:
    """Return terms as words: "assemblies and sessions"."""
    return " and ".join(_NAMES.get(name, name) for name in names)


def cure_of(fit: Fit, name: str) -> str:
    """Return what would measure the spread of a term; "" where it is not one of the bench."""
    if name == "session" and fit.design.rows["session"].isna().any():
        return "state the session of each run"
    return _CURES.get(name, "")


def rests_sentence(fit: Fit, names: Sequence[str]) -> str:
    """Return what an interval rests on, and what would free it of that."""
    cures = [cure_of(fit, name) or f"repeat it with another {name}" for name in names]
    return (
        f"It rests on the assumed spread of {spread_names(names)}, of which these runs say "
        f"little. To measure it: {'; '.join(cures)}."
    )
