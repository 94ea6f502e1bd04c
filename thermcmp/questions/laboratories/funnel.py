"""The funnel: results of laboratories against their standard errors, and their asymmetry."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array, IntArray
from thermcmp.errors import NotEstimableError
from thermcmp.inference.checks.laboratories.small_studies import (
    FEWEST_RESULTS,
    Asymmetry,
    LabResults,
    asymmetry,
    enough,
    lab_results,
)
from thermcmp.inference.checks.student_weights import mixed_rows
from thermcmp.prediction.builds import Scope, unknown_product
from thermcmp.prediction.equal_conditions import ranked_builds, rows_of_products
from thermcmp.prediction.fitted_build import FittedBuild, rise_weights
from thermcmp.questions.answer import Answer
from thermcmp.questions.laboratories.figure import funnel_figure
from thermcmp.questions.phrases import number_words, percent_words

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from thermcmp.inference.posterior import Fit

#: Chance under which results are called asymmetric, as usual for a test of so little power
#: (Egger et al. 1997).
ASYMMETRIC: Final = 0.10
#: Fewest laboratories for a regression.
_FEWEST_LABS: Final = 3
#: Most results that are printed.
_MOST_SHOWN: Final = 40
#: Most results that are regressed together.
MOST_RESULTS: Final = 3000
CAUTION: Final = (
    "Asymmetry of a funnel is not proof of selective publication: small tests may use other "
    "specimens, cases and methods, and a laboratory that tests little may read off; symmetry is no "
    "proof that nothing was held back."
)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Funnel(Answer):
    """Results of laboratories against their standard errors.

    Attributes
    ----------
    slope, slope_error : float
        Shift of results per kelvin of their standard error, and its standard error [K per K];
        NaN where it is not told.
    degrees : int
        Degrees of freedom of its test.
    p_symmetric : float
        Chance of so large a slope where results are not selected; NaN likewise.
    pooled_k : float
        Where the funnel stands by all rows: 0, or the gap of the pair [K].
    between_k : float
        Spread that the contours allow for beside the standard errors [K].
    pair : tuple of str, optional
        The two products; None for all of them.
    """

    slope: float
    slope_error: float
    degrees: int
    p_symmetric: float
    pooled_k: float
    between_k: float
    pair: tuple[str, str] | None


@dataclass(frozen=True, slots=True, eq=False)
class _Points:
    """C points of a funnel."""

    name: list[str]  #: product or pair
    lab: tuple[str, ...]
    runs: IntArray
    level: IntArray  #: points that share a level, shape (C,)
    result_k: Array
    error_k: Array  #: by their own runs alone
    judged_k: Array  #: standard error by which a point is far off
    covariance: Array


def funnel(fit: Fit, pair: tuple[str, str] | None, prob: float) -> Funnel:
    """Return the funnel of all products, or of a pair."""
    if mixed_rows(fit).any():
        raise NotEstimableError(
            "A funnel needs standard errors, which scatter of Student's t does not have. "
            "Fix: fit with normal residuals."
        )
    names = list(ranked_builds(fit, None))
    results = fit.once("results of laboratories", _results)
    pooled = 0.0 if pair is None else _gap_k(fit, names, pair)
    points = (
        _all_points(results, names) if pair is None else _pair_points(results, names, pair, pooled)
    )
    told = _asymmetry(points)
    slope, slope_error, p = (told.slope, told.error, told.p) if told else (np.nan,) * 3
    table = _table(points, prob, str(fit.health))
    return Funnel(
        kind="funnel",
        title=_title(fit, pair),
        table=table,
        # Of many, those farthest off; the figure has all.
        shown_rows=tuple(sorted(table["p_as_far"].nsmallest(_MOST_SHOWN).index)),
        draws=_dataset(points),
        sentences=(_sentence(points, told),),
        caveats=(CAUTION,),
        prob=prob,
        draw_figure=funnel_figure,
        fits=(fit,),
        slope=slope,
        slope_error=slope_error,
        degrees=told.degrees if told else 0,
        p_symmetric=p,
        pooled_k=pooled,
        between_k=0.0 if pair else float(np.sqrt(np.mean(np.diag(results.between)))),
        pair=pair,
    )


def _results(fit: Fit) -> LabResults:
    results = lab_results(fit, rows_of_products(fit))
    if not len(results.lab):
        raise NotEstimableError(
            "No product was run at two laboratories, so no result can be set against another. "
            "Fix: add another laboratory's results of a product that was tested here."
        )
    if len(results.lab) > MOST_RESULTS:
        raise NotEstimableError(
            f"The rows hold {len(results.lab)} results of laboratories, over {MOST_RESULTS}. "
            "Fix: fit some of the products."
        )
    return results


def _gap_k(fit: Fit, names: list[str], pair: tuple[str, str]) -> float:
    """Return by how much the second of a pair is warmer by all rows [K at the reference]."""
    for name in pair:
        if name not in names:
            raise unknown_product(name, names)
    builds = ranked_builds(fit, None)
    fitted = [FittedBuild(fit, builds[name], Scope.PRODUCT_LINE) for name in pair]
    first, second = rise_weights(fitted, fit.reference.flow_speed, fit.reference.power_w)(1.0)
    return float(np.mean(fit.combined((second - first)[None])))


def _all_points(results: LabResults, names: list[str]) -> _Points:
    covariance = results.own + results.between
    return _Points(
        name=[names[k] for k in results.product],
        lab=results.lab,
        runs=results.runs,
        level=results.product,
        result_k=results.off_k,
        error_k=np.sqrt(np.diag(results.own)),
        judged_k=np.sqrt(np.diag(covariance)),
        covariance=covariance,
    )


def _pair_points(
    results: LabResults, names: list[str], pair: tuple[str, str], pooled: float
) -> _Points:
    """Return each laboratory's own difference of two products."""
    first, second = (
        {results.lab[at]: at for at in np.flatnonzero(results.product == names.index(name))}
        for name in pair
    )
    labs = [lab for lab in first if lab in second]
    if not labs:
        raise NotEstimableError(
            f"No laboratory ran both {pair[0]} and {pair[1]}. Fix: run both at one, or ask "
            "without a pair."
        )
    differ = np.zeros((len(labs), len(results.lab)))
    for row, lab in enumerate(labs):
        differ[row, [first[lab], second[lab]]] = -1.0, 1.0
    own = differ @ results.own @ differ.T
    error = np.sqrt(np.diag(own))
    return _Points(
        name=[" − ".join(reversed(pair))] * len(labs),
        lab=tuple(labs),
        runs=np.abs(differ).astype(int) @ results.runs,
        level=np.zeros(len(labs), np.intp),
        result_k=pooled + differ @ results.off_k,
        error_k=error,
        judged_k=error,
        covariance=own + differ @ results.between @ differ.T,
    )


def _asymmetry(points: _Points) -> Asymmetry | None:
    return asymmetry(points.result_k, points.error_k, points.level, points.lab, points.covariance)


def _table(points: _Points, prob: float, health: str) -> pd.DataFrame:
    import pandas as pd
    from scipy.special import ndtr, ndtri

    half = ndtri((1.0 + prob) / 2.0) * points.judged_k
    table = pd.DataFrame(
        {
            "product": points.name,
            "lab": points.lab,
            "runs": points.runs,
            "mean_k": points.result_k,
            "low_k": points.result_k - half,
            "high_k": points.result_k + half,
            "error_k": points.error_k,
            "p_as_far": 2.0 * ndtr(-np.abs(points.result_k) / points.judged_k),
            "health": health,
        }
    )
    return table.sort_values("error_k", kind="stable", ignore_index=True)


def _dataset(points: _Points) -> xr.Dataset:
    import xarray as xr

    return xr.Dataset(
        {
            "mean_k": ("result", points.result_k),
            "error_k": ("result", points.error_k),
            "covariance": (("result", "other"), points.covariance),
        },
        {"result": [f"{name} at {lab}" for name, lab in zip(points.name, points.lab, strict=True)]},
    )


def _title(fit: Fit, pair: tuple[str, str] | None) -> str:
    if pair is None:
        return f"Funnel: each laboratory's result of a product against all rows, {fit.sensor}"
    return f"Funnel: {pair[1]} minus {pair[0]} in each laboratory, {fit.sensor}"


def _sentence(points: _Points, told: Asymmetry | None) -> str:
    count, labs = len(points.lab), len(set(points.lab))
    of = f"{count} results of {labs} laboratories"
    if told is None and (labs < _FEWEST_LABS or not enough(points.level)):
        return (
            f"Whether unsure results lie to one side was not asked of {of}: it takes "
            f"{FEWEST_RESULTS} results of one product, or as many beyond the first of each, of "
            f"{_FEWEST_LABS} laboratories or more."
        )
    if told is None:
        low, high = (number_words(end) for end in (points.error_k.min(), points.error_k.max()))
        return (
            f"Whether unsure results lie to one side cannot be told from {of}: their standard "
            f"errors are too alike ({low} to {high} K)."
        )
    size = f"{number_words(abs(told.slope))} ± {number_words(told.error)} K"
    test = f"Egger's regression of {of}, chance {percent_words(told.p)}"
    side = "warmer" if told.slope > 0.0 else "cooler"
    if told.p < ASYMMETRIC:
        return (
            f"The less sure a laboratory's result, the {side} it is: {size} per kelvin of its "
            f"standard error ({test}). Look for tests that were not published, and for what small "
            "tests do otherwise."
        )
    return (
        f"Unsure results of laboratories do not clearly lie to one side ({size} {side} per kelvin "
        f"of standard error; {test})."
    )
