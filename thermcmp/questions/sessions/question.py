"""Bench history: how the sessions of a bench differ, whether it creeps, and its reference card."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array, BoolArray
from thermcmp.errors import Fault, InputError, NotEstimableError
from thermcmp.inference.checks.laboratories.between import between
from thermcmp.inference.checks.residuals import fitted_rise
from thermcmp.model.design import RESIDUAL
from thermcmp.model.rows import level_keys
from thermcmp.model.terms import SPAN, TREND
from thermcmp.prediction.builds import build_of, matching_rows
from thermcmp.questions.answer import Answer
from thermcmp.questions.caveats import fit_caveats, refuse_bad_health
from thermcmp.questions.offsets import offset_columns
from thermcmp.questions.phrases import PROB, check_prob, few_named, number_words, percent_words
from thermcmp.questions.sessions.figure import sessions_figure

if TYPE_CHECKING:
    import pandas as pd

    from thermcmp.inference.posterior import Fit

#: Chance under which a session, a creep or a reference card is said to stand out.
STANDS_OUT: Final = 0.05
#: Sessions are within this many standard deviations of their mean, as a rule (ISO 7870-2).
LIMIT_SDS: Final = 3.0
_DRAWS: Final = 200
_DAYS_A_YEAR: Final = 365.25


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class BenchHistory(Answer):
    """The sessions of one bench.

    Attributes
    ----------
    bench : str
        The bench, with its laboratory.
    limit_k : float
        Distance of the control limits from the mean of the sessions [K].
    creep_k : tuple of float
        Change of the readings per year and its standard error [K]; NaN where fewer than four
        sessions state their start.
    """

    bench: str
    limit_k: float
    creep_k: tuple[float, float]


def bench_history(
    fit: Fit,
    *,
    bench: str | None = None,
    lab: str | None = None,
    reference: str | None = None,
    prob: float = PROB,
    allow_bad_health: bool = False,
) -> BenchHistory:
    """Show the sessions of a bench in the order of time, with limits, and what moved.

    Comparisons over years go through the cards that were run again: a fit of all rows frees them
    of what a session adds to every card. A reference card that is run now and then, beside
    others, links the sessions; the answer also asks whether that card itself has changed.

    Parameters
    ----------
    fit : Fit
        A fit of one sensor with a term of sessions.
    bench, lab : str, optional
        Bench and laboratory; may be left out where the rows have one only.
    reference : str, optional
        Product of the reference card, whose own readings are then followed.
    prob : float
        Probability of the equal-tailed intervals.
    allow_bad_health : bool
        Answer even if the fit's health is "bad"; recorded as a caveat.

    Returns
    -------
    BenchHistory
        Table, a row per session in the order of time: session, started, runs, products, mean_k,
        low_k, high_k (what it adds to every card, from the mean of the sessions, shrunk by their
        spread), own_k, own_error_k (by its own runs alone), p_odd (chance that the farthest of
        like sessions is as far), reference_k, reference_error_k (the reference card against the
        other cards of the session; NaN where it was alone or not run) [K], health.

    Raises
    ------
    InputError
        If the bench, laboratory, product or `prob` is not known or out of range.
    EngineError
        If the fit's health is "bad" and not allowed.
    NotEstimableError
        If the fit has no term of sessions, or the bench fewer than two.
    """
    import xarray as xr

    check_prob(prob)
    refuse_bad_health(fit, allowed=allow_bad_health, what="answered")
    place = fit.design.term_position("session")
    name, here = _bench_rows(fit, bench, lab)
    levels = level_keys(fit.design.rows, ("lab", "session"))
    own = list(dict.fromkeys(levels[here]))
    if place is None or len(own) < 2:
        raise NotEstimableError(
            f"{name} has one session, or the fit takes its sessions for one. Fix: state the "
            "session of each run, and run a reference card in several."
        )
    started = _starts(fit, levels)
    if started is not None:
        own.sort(key=lambda level: started[level])
    weights = np.zeros((len(own), fit.design.effect_count))
    columns = [fit.design.offsets[place] + fit.design.levels[place].index(each) for each in own]
    weights[np.arange(len(own)), columns] = 1.0
    weights += _trend_weights(fit, levels, own)
    table = _table(fit, levels, here, own, weights, started, reference, prob)
    spread = float(np.mean(fit.draws("session sd")))
    creep = _creep(table)
    return BenchHistory(
        kind="bench history",
        title=f"Sessions at {name}: what each adds to the {fit.sensor}",
        table=table,
        draws=xr.Dataset(
            {"offset_k": (("session", "draw"), _centred(fit, weights))},
            {"session": table["session"].to_list()},
        ),
        sentences=tuple(_sentences(table, spread, creep, reference)),
        caveats=tuple(fit_caveats(fit)),
        prob=prob,
        draw_figure=sessions_figure,
        fits=(fit,),
        bench=name,
        limit_k=LIMIT_SDS * spread,
        creep_k=creep[:2],
    )


def _bench_rows(fit: Fit, bench: str | None, lab: str | None) -> tuple[str, BoolArray]:
    """Return the bench in words, and which rows were run at it, shape (n,)."""
    rows = fit.design.rows
    keys = {column: level_keys(rows, (column,)) for column in ("lab", "bench")}
    hit = np.ones(len(rows), bool)
    for column, wanted in (("lab", lab), ("bench", bench)):
        if wanted is not None:
            hit &= keys[column].eq(wanted).to_numpy(bool)
    places = (keys["lab"] + " · " + keys["bench"])[hit]
    if len(set(places)) != 1:
        known = ", ".join(sorted((keys["lab"] + " · " + keys["bench"]).unique()))
        fault = Fault("not one bench", f"give lab= and bench= of one of: {known}", column="bench",
                      value=bench)  # fmt: skip
        raise InputError("Which bench?", [fault])
    return places.iloc[0].removesuffix(" · unstated"), hit


def _starts(fit: Fit, levels: pd.Series) -> pd.Series | None:
    """Return the mean start of each session; None where not every run states its own."""
    import pandas as pd

    rows = fit.design.rows
    if "started_at" not in rows or rows["started_at"].isna().any():
        return None
    return pd.to_datetime(rows["started_at"], utc=True).groupby(levels).mean()


def _trend_weights(fit: Fit, levels: pd.Series, own: list[str]) -> Array:
    """Return the weights of a bench's trend in its sessions, shape (sessions, q)."""
    weights = np.zeros((len(own), fit.design.effect_count))
    place = fit.design.term_position(TREND)
    if place is not None:
        share = fit.design.rows[SPAN].astype(float).groupby(levels).mean()
        of_row = fit.design.offsets[place] + fit.design.index[:, place]
        for row, level in enumerate(own):
            weights[row, of_row[(levels == level).to_numpy()][0]] = share[level]
    return weights


def _centred(fit: Fit, weights: Array) -> Array:
    return np.asarray(fit.combined(weights - weights.mean(axis=0)).T)


def _table(
    fit: Fit,
    levels: pd.Series,
    here: BoolArray,
    own: list[str],
    weights: Array,
    started: pd.Series | None,
    reference: str | None,
    prob: float,
) -> pd.DataFrame:
    import pandas as pd

    rows, offsets = fit.design.rows, _centred(fit, weights)
    compared = between(fit, "session", weights)
    cards = level_keys(rows, ("cooler_model", "board_model"))
    moved, moved_error = _reference(fit, levels, own, reference)
    return pd.DataFrame(
        {
            "session": [level.partition(" · ")[2] or level for level in own],
            "started": [pd.NaT if started is None else started[level] for level in own],
            "runs": [int((levels[here] == level).sum()) for level in own],
            "products": [int(cards[here & (levels == level)].nunique()) for level in own],
            **offset_columns(offsets, compared, prob),
            "reference_k": moved,
            "reference_error_k": moved_error,
            "health": str(fit.health),
        }
    )


def _reference(
    fit: Fit, levels: pd.Series, own: list[str], reference: str | None
) -> tuple[Array, Array]:
    """Return the reference card against the other cards of each session, and its error [K]."""
    nothing = np.full(len(own), np.nan), np.full(len(own), np.nan)
    if reference is None:
        return nothing
    is_reference = matching_rows(fit.design.rows, build_of(fit, reference))
    parts = fitted_rise(fit, fit.thinned(_DRAWS))
    fitted = np.concatenate([rise for _, rise in parts]).mean(axis=0)
    missed = fit.design.rise_k - fitted
    scatter = float(np.mean(fit.draws(RESIDUAL)))
    moved, error = nothing
    for row, level in enumerate(own):
        in_session = (levels == level).to_numpy()
        its, others = missed[in_session & is_reference], missed[in_session & ~is_reference]
        if len(its) and len(others):
            moved[row] = its.mean() - others.mean()
            error[row] = scatter * np.sqrt(1.0 / len(its) + 1.0 / len(others))
    return moved, error


def _creep(table: pd.DataFrame) -> tuple[float, float, float]:
    """Return the slope of the sessions' own offsets per year, its error, and its chance."""
    import pandas as pd
    from scipy.stats import t

    if table["started"].isna().any() or len(table) < 4:
        return float("nan"), float("nan"), 1.0
    days = (table["started"] - table["started"].min()) / pd.Timedelta(days=1)
    years = days.to_numpy(float) / _DAYS_A_YEAR
    if np.ptp(years) == 0.0:
        return float("nan"), float("nan"), 1.0
    x, y = years - years.mean(), table["own_k"].to_numpy(float)
    slope = float(x @ y / (x @ x))
    rest = y - y.mean() - slope * x
    error = float(np.sqrt(rest @ rest / (len(y) - 2) / (x @ x)))
    return slope, error, float(2.0 * t.sf(abs(slope) / max(error, 1e-12), len(y) - 2))


def _sentences(
    table: pd.DataFrame, spread: float, creep: tuple[float, float, float], reference: str | None
) -> list[str]:
    sentences = [
        f"{len(table)} sessions differ by {number_words(spread)} K (standard deviation); limits at "
        f"±{number_words(LIMIT_SDS * spread)} K from their mean."
    ]
    odd = table[table["p_odd"] < STANDS_OUT]
    for _, row in odd.iterrows():
        side = "warmer" if row["own_k"] > 0 else "cooler"
        sentences.append(
            f"Session {row['session']} stands out: {number_words(abs(row['own_k']))} ± "
            f"{number_words(row['own_error_k'])} K {side} than the mean of the sessions for every "
            f"card (chance among like sessions {percent_words(row['p_odd'])}). Look at its "
            "thermometer, its air and its power, and run a card of it again."
        )
    if odd.empty and len(table) >= 4:
        sentences.append("No session stands out.")
    slope, error, chance = creep
    if chance < STANDS_OUT:
        sentences.append(
            f"The bench creeps by {number_words(slope, sign='+')} ± {number_words(error)} K a year "
            f"(chance {percent_words(chance)}). Compare cards of different years through cards "
            "that were run in both, and calibrate its thermometer."
        )
    if reference is not None:
        sentences.append(_reference_words(table, reference))
    return sentences


def _reference_words(table: pd.DataFrame, reference: str) -> str:
    """State whether the reference card moved against the others."""
    from scipy.stats import norm

    seen = table.dropna(subset=["reference_k"])
    if seen.empty:
        return (
            f"Whether {reference} itself has changed is not known: in no session was it run beside "
            "another card. Run a second card that is kept, too."
        )
    chance = 2.0 * norm.sf((seen["reference_k"] / seen["reference_error_k"]).abs()) * len(seen)
    if chance.min() >= STANDS_OUT:
        return f"{reference} has kept its distance from the other cards in {len(seen)} sessions."
    moved = seen[chance < STANDS_OUT]
    names = few_named([str(name) for name in moved["session"]])
    most = moved.iloc[int(np.argmax(moved["reference_k"].abs()))]
    return (
        f"{reference} has moved against the other cards in session {names}, by "
        f"{number_words(most['reference_k'], sign='+')} ± "
        f"{number_words(most['reference_error_k'])} K at most: the card has changed, and not the "
        "bench. Look at its contact, and give it a new assembly id from then on."
    )
