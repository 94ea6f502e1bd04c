"""Laboratories: how far their readings differ, which is odd, and what each does to the products."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError, NotEstimableError
from thermcmp.inference.checks.laboratories.between import Between, between, lab_weights
from thermcmp.model.design import RESIDUAL
from thermcmp.model.links import networks
from thermcmp.model.rows import level_keys
from thermcmp.model.terms import Acts
from thermcmp.prediction.builds import Scope
from thermcmp.prediction.card import OF_A_LABORATORY
from thermcmp.prediction.equal_conditions import ranked_builds, rows_of_products
from thermcmp.prediction.fitted_build import FittedBuild
from thermcmp.questions.answer import Answer
from thermcmp.questions.caveats import fit_caveats, refuse_bad_health
from thermcmp.questions.laboratories.figure import laboratories_figure
from thermcmp.questions.laboratories.funnel import ASYMMETRIC, CAUTION, Funnel, funnel
from thermcmp.questions.laboratories.left_out import without_each_lab
from thermcmp.questions.offsets import offset_columns
from thermcmp.questions.phrases import (
    PROB,
    check_prob,
    few_named,
    interval,
    number_words,
    percent_words,
)
from thermcmp.questions.ranking.evidence import evidence_sentences

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from thermcmp.inference.posterior import Fit
    from thermcmp.questions.fit_check.leave_one_out import LeftOutCheck

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
    left_out : LeftOutCheck, optional
        Each product against the mean of those that several laboratories ran, without each
        laboratory in turn; its figure shows all of them. None with fewer than two such products.
    """

    spread_k: tuple[float, float, float]
    q: float
    degrees: int
    i_squared: float
    new_lab_k: tuple[float, float]
    left_out: LeftOutCheck | None = field(repr=False)

    def funnel(self, product: str | None = None, rival: str | None = None) -> Funnel:
        """Set results of laboratories against their standard errors: the small-study look.

        Without products a point is a laboratory's own result of a product less what all rows
        say of it, for each that several laboratories ran; contours allow for the spread between
        laboratories. Of two products a point is a laboratory's own difference, rival less product,
        and contours are those of its own standard error about no difference: results that are
        missing within them were perhaps held back since they were not significant. A standard
        error holds the scatter of the runs, or the stated one, and the spreads of specimens,
        assemblies and sessions.

        Parameters
        ----------
        product, rival : str, optional
            Two products as they are ranked; all of them by default.

        Returns
        -------
        Funnel
            Table, a row per result, the surest first: product, lab, runs, mean_k, low_k, high_k,
            error_k (standard error by its own runs) [K at reference power and fan speed],
            p_as_far (chance to lie as far from 0), health. Its sentence has the regression of
            results on their errors, from ten results of one product, or as many beyond the
            first of each, with standard errors apart by half. Its figure is the funnel.

        Raises
        ------
        InputError
            If one product is given alone, or not known.
        NotEstimableError
            If no product was run at two laboratories, no laboratory ran both, or the scatter is
            Student's t.

        References
        ----------
        Egger, Davey Smith, Schneider & Minder, BMJ 315 (1997) 629-634; Sterne et al., BMJ 343
        (2011) d4002; contours of Peters et al., J. Clin. Epidemiol. 61 (2008) 991-996 (all from
        memory).
        """
        pair = None if product is None or rival is None else (product, rival)
        if pair is None and (product, rival) != (None, None):
            fault = Fault("one product alone", "give two, or none", column="rival")
            raise InputError("A funnel is of two products, or of all:", [fault])
        return funnel(self.fits[0], pair, self.prob)


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
    left_out = without_each_lab(fit, prob)
    table = _table(fit, names, offsets, compared, left_out, prob)
    look, caution = _small_studies(fit, prob)
    return Laboratories(
        kind="laboratories",
        title=f"Laboratories: their offsets at the {fit.sensor}",
        table=table,
        draws=xr.Dataset({"offset_k": (("lab", "draw"), offsets)}, {"lab": list(names)}),
        sentences=(*_sentences(fit, table, compared, spread, new, prob), *look),
        caveats=(*_unlinked_words(fit), *caution, *evidence_sentences(fit), *fit_caveats(fit)),
        prob=prob,
        draw_figure=laboratories_figure,
        fits=(fit,),
        spread_k=(float(np.mean(spread)), *interval(spread, prob)),
        q=compared.q,
        degrees=compared.degrees,
        i_squared=compared.i_squared,
        new_lab_k=interval(new, prob),
        left_out=left_out,
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


def _unlinked_words(fit: Fit) -> list[str]:
    """Name laboratories that share no card and no parts with the others."""
    builds = ranked_builds(fit, None).values()
    if not builds:
        return []
    weights = [
        FittedBuild(fit, build, Scope.PRODUCT_LINE).effect_weights[Acts.RESISTANCE]
        for build in builds
    ]
    number = networks(fit.design, np.stack(weights))
    labs, linked = level_keys(fit.design.rows, ("lab",)), list[set[str]]()
    for network in range(int(number.max()) + 1):
        rows = [ran for k, ran in enumerate(rows_of_products(fit)) if number[k] == network]
        linked.append(set(labs[np.logical_or.reduce(rows)]))
    first, *others = linked
    return [
        f"Nothing compares {few_named(sorted(apart))} with {few_named(sorted(first))} but the "
        "assumed spreads of products and laboratories, since they share no card and no parts: how "
        "far they read apart was not measured. Fix: run one card at both."
        for apart in others
        if not apart & first
    ]


def _new_offsets(fit: Fit) -> Array:
    """Draw what a further laboratory reads of one card beyond the mean of all, shape (S,) [K]."""
    rng = np.random.default_rng(fit.seed or 0)
    spreads = [fit.draws(t.spread) for t in fit.design.terms if t.name in OF_A_LABORATORY]
    return np.asarray(sum(spread * rng.standard_normal(len(spread)) for spread in spreads))


def _small_studies(fit: Fit, prob: float) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the finding of the funnel, and its caution where results lie to one side."""
    try:
        answer = funnel(fit, None, prob)
    except NotEstimableError:
        return (), ()
    return answer.sentences, (CAUTION,) if answer.p_symmetric < ASYMMETRIC else ()


def _table(
    fit: Fit,
    names: tuple[str, ...],
    offsets: Array,
    compared: Between,
    left_out: LeftOutCheck | None,
    prob: float,
) -> pd.DataFrame:
    import pandas as pd

    rows = fit.design.rows
    labs = level_keys(rows, ("lab",))
    product = level_keys(rows, ("cooler_model", "board_model"))
    moved, moved_k = _moves(left_out, names)
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


def _moves(left_out: LeftOutCheck | None, names: Sequence[str]) -> tuple[list[str], list[float]]:
    """Return which product moves most against the others without each laboratory, and by how much.

    Nothing where it is not known.
    """
    import pandas as pd

    products, moved = [""] * len(names), [float("nan")] * len(names)
    if left_out is None:
        return products, moved
    whole = left_out.table.set_index("effect")["mean_k"]
    without = left_out.draws["mean_k"].sel(lab=list(names), effect=whole.index.to_list())
    change = pd.DataFrame(without.to_numpy(), columns=whole.index) - whole
    for place, (_, row) in enumerate(change.iterrows()):
        if row.notna().all():
            products[place] = str(row.abs().idxmax())
            moved[place] = float(row[products[place]])
    return products, moved


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
