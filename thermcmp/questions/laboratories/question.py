"""Laboratories: how far their readings differ, which is odd, and what each does to the products."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import NotEstimableError
from thermcmp.inference.checks.between import Between, between, lab_weights
from thermcmp.inference.checks.leave_out import LeaveOut, draws_for
from thermcmp.inference.checks.omission_groups import units_of
from thermcmp.inference.checks.outliers import DRAWS
from thermcmp.model.design import RESIDUAL
from thermcmp.model.rows import level_keys
from thermcmp.prediction.builds import Scope, matching_rows
from thermcmp.prediction.card import OF_A_LABORATORY
from thermcmp.prediction.equal_conditions import ranked_builds
from thermcmp.prediction.fitted_build import FittedBuild, rise_weights
from thermcmp.questions.answer import Answer
from thermcmp.questions.caveats import fit_caveats, refuse_bad_health
from thermcmp.questions.laboratories.figure import laboratories_figure
from thermcmp.questions.offsets import offset_columns
from thermcmp.questions.phrases import PROB, check_prob, interval, number_words, percent_words
from thermcmp.questions.ranking.evidence import evidence_sentences

if TYPE_CHECKING:
    import pandas as pd

    from thermcmp.inference.posterior import Fit

#: Chance under which a laboratory is called odd.
ODD: Final = 0.05


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Laboratories(Answer):
    """How laboratories differ.

    Attributes
    ----------
    spread_k : tuple of float
        Standard deviation between laboratories: mean, and the ends of its interval [K].
    q : float
        Cochran's Q of the laboratories' offsets.
    degrees : int
        Its degrees of freedom.
    i_squared : float
        Share of the offsets' scatter beyond that of their errors, 0 to 1.
    new_lab_k : tuple of float
        Interval of what a further laboratory would read above or below the mean of all
        laboratories, of one card [K].
    """

    spread_k: tuple[float, float, float]
    q: float
    degrees: int
    i_squared: float
    new_lab_k: tuple[float, float]


def compare_labs(fit: Fit, *, prob: float = PROB, allow_bad_health: bool = False) -> Laboratories:
    """Compare the laboratories behind a fit: their offsets, the odd one, the spread among them.

    Parameters
    ----------
    fit : Fit
        A fit of one sensor with a term of laboratories, from rows of at least two.
    prob : float
        Probability of the equal-tailed intervals.
    allow_bad_health : bool
        Answer even if the fit's health is "bad"; recorded as a caveat.

    Returns
    -------
    Laboratories
        Table, a row per laboratory: lab, runs, products, mean_k, low_k, high_k (its offset from
        the mean of all, shrunk by their spread), own_k, own_error_k (by its own runs alone, and
        the standard error) [K at reference power], p_odd (chance that the farthest of like
        laboratories is as far from the others; 1 with fewer than four), moves, moves_k (the
        product that moves most against the others without this laboratory, and by how much)
        [K], health.

    Raises
    ------
    InputError
        If `prob` is out of range.
    EngineError
        If the fit's health is "bad" and not allowed.
    NotEstimableError
        If the rows are of one laboratory, or the fit has no term of them.

    References
    ----------
    Cochran, Biometrics 10 (1954) 101-129; Higgins & Thompson, Statistics in Medicine 21 (2002)
    1539-1558; repeatability and reproducibility as in ISO 5725-1 (from memory).
    """
    import xarray as xr

    check_prob(prob)
    refuse_bad_health(fit, allowed=allow_bad_health, what="answered")
    refuse_one_laboratory(fit)
    names, weights = lab_weights(fit)
    offsets = fit.combined(weights - weights.mean(axis=0)).T
    compared = between(fit, "lab", weights)
    spread, new = fit.draws("lab sd"), _new_offsets(fit)
    table = _table(fit, names, offsets, compared, prob)
    return Laboratories(
        kind="laboratories",
        title=f"Laboratories: their offsets at the {fit.sensor}",
        table=table,
        draws=xr.Dataset({"offset_k": (("lab", "draw"), offsets)}, {"lab": list(names)}),
        sentences=_sentences(fit, table, compared, spread, new, prob),
        caveats=(*evidence_sentences(fit), *fit_caveats(fit)),
        prob=prob,
        draw_figure=laboratories_figure,
        fits=(fit,),
        spread_k=(float(np.mean(spread)), *interval(spread, prob)),
        q=compared.q,
        degrees=compared.degrees,
        i_squared=compared.i_squared,
        new_lab_k=interval(new, prob),
    )


def refuse_one_laboratory(fit: Fit) -> None:
    """Refuse a fit that says nothing of a spread between laboratories."""
    if any(term.name == "lab" for term in fit.design.terms):
        return
    count = level_keys(fit.design.rows, ("lab",)).nunique()
    if count > 1:
        raise NotEstimableError(
            "The fit takes its laboratories for one. Fix: fit with the term 'lab'."
        )
    raise NotEstimableError(
        "The rows are of one laboratory, so nothing is known of the spread between laboratories. "
        "Fix: add another laboratory's results of a card that was tested here (column lab)."
    )


def _new_offsets(fit: Fit) -> Array:
    """Draw what a further laboratory reads of one card beyond the mean of all, shape (S,) [K]."""
    rng = np.random.default_rng(fit.seed or 0)
    spreads = [fit.draws(t.spread) for t in fit.design.terms if t.name in OF_A_LABORATORY]
    return np.asarray(sum(spread * rng.standard_normal(len(spread)) for spread in spreads))


def _table(
    fit: Fit, names: tuple[str, ...], offsets: Array, compared: Between, prob: float
) -> pd.DataFrame:
    import pandas as pd

    rows = fit.design.rows
    labs = level_keys(rows, ("lab",))
    product = level_keys(rows, ("cooler_model", "board_model"))
    moved, moved_k = _moves(fit, names)
    return pd.DataFrame(
        {
            "lab": names,
            "runs": [int((labs == name).sum()) for name in names],
            "products": [int(product[labs == name].nunique()) for name in names],
            **offset_columns(offsets, compared, prob),
            "moves": moved,
            "moves_k": moved_k,
            "health": str(fit.health),
        }
    )


def _moves(fit: Fit, names: tuple[str, ...]) -> tuple[list[str], list[float]]:
    """Return which product moves most against the others without each laboratory, and by how much.

    Products that only this laboratory ran are not asked: without it nothing is known of them.
    """
    builds = ranked_builds(fit, None)
    reference = fit.reference
    fitted = [FittedBuild(fit, build, Scope.PRODUCT_LINE) for build in builds.values()]
    rises = rise_weights(fitted, reference.flow_speed, reference.power_w)

    def gaps(exponent: float) -> Array:
        each = rises(exponent)
        return each - each.mean(axis=0)

    units = units_of(fit, "lab")
    study = LeaveOut(fit, [units.codes], draws=draws_for(fit, DRAWS))
    moments = study.moments(gaps, study.each()[0].weights)
    change = moments.mean - moments.whole[0]
    rows, codes = fit.design.rows, units.codes
    ran = [set(codes[matching_rows(rows, build)].tolist()) for build in builds.values()]
    found: dict[str, tuple[str, float]] = {}
    for place, name in enumerate(units.names):
        asked = [k for k, labs in enumerate(ran) if labs - {place}]
        if asked:
            most = max(asked, key=lambda k: abs(change[place, k]))
            found[name] = list(builds)[most], float(change[place, most])
    pairs = [found.get(name, ("", float("nan"))) for name in names]
    return [product for product, _ in pairs], [moved for _, moved in pairs]


def _sentences(
    fit: Fit, table: pd.DataFrame, compared: Between, spread: Array, new: Array, prob: float
) -> tuple[str, ...]:
    low, high = (number_words(value) for value in interval(spread, prob))
    wide = float(np.mean(np.abs(interval(new, prob))))
    residual = float(np.mean(fit.draws(RESIDUAL)))
    apart = np.std(new)
    far = table.assign(far_k=-table["own_k"].abs()).sort_values(["p_odd", "far_k"]).iloc[0]
    side = "warmer" if far["own_k"] > 0 else "cooler"
    odd = (
        "that is more than laboratories otherwise differ, so look at its thermometer, its air and "
        f"how it holds the card (chance among like laboratories {percent_words(far['p_odd'])})"
        if far["p_odd"] < ODD
        else f"no more than the farthest of {len(table)} like laboratories may be (chance "
        f"{percent_words(far['p_odd'])})"
    )
    if len(table) < 4:
        odd = "with fewer than four laboratories none can be called odd"
    sentences = [
        f"Laboratories differ by {number_words(float(np.mean(spread)))} K (standard deviation; "
        f"{low} to {high}). Of the scatter of their offsets I² = {compared.i_squared:.0%} is more "
        f"than their errors explain (Q = {compared.q:.1f} with {compared.degrees} degrees of "
        "freedom).",
        f"Farthest from the mean of all: {far['lab']}, {number_words(abs(far['own_k']))} ± "
        f"{number_words(far['own_error_k'])} K {side} by its own runs; {odd}.",
        f"A further laboratory would read one card within ±{number_words(wide)} K of their mean, "
        f"with {prob:.0%} probability. Repeatability {number_words(residual)} K, reproducibility "
        f"{number_words(float(np.hypot(apart, residual)))} K (standard deviations of one run, of "
        "one card: in one laboratory, and in any).",
    ]
    moved = table.dropna(subset=["moves_k"])
    if len(moved):
        most = moved.iloc[int(np.argmax(moved["moves_k"].abs()))]
        side = "warmer" if most["moves_k"] > 0 else "cooler"
        sentences.append(
            f"Without {most['lab']}, {most['moves']} would be {number_words(abs(most['moves_k']))} "
            f"K {side} against the mean of the products; no other laboratory moves any product by "
            "more."
        )
    return tuple(sentences)
