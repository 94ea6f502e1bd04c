"""Whether a fit can be trusted: every check of it in one result."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp.errors import Fault, InputError
from thermcmp.inference.checks.omission_groups import units_of
from thermcmp.inference.checks.outliers import FALSE_ALARM, Outlier
from thermcmp.inference.checks.posterior_predictive import predictive_features
from thermcmp.inference.checks.prior_sensitivity import power_scaling
from thermcmp.inference.parameter_notes import MOSTLY_PRIOR, SMALL_K, ParameterNote
from thermcmp.prediction.build_rise import Scope
from thermcmp.questions.answer import Answer
from thermcmp.questions.caveats import discount_words, strays
from thermcmp.questions.fit_check.figures import predictive_figure
from thermcmp.questions.fit_check.leave_one_out import left_out_answer
from thermcmp.questions.phrases import PROB, chance_words, check_prob, interval
from thermcmp.questions.separation.contrasts import measured_effects
from thermcmp.questions.separation.question import wanted_contrasts

if TYPE_CHECKING:
    import pandas as pd

    from thermcmp.inference.checks.posterior_predictive import Feature
    from thermcmp.inference.posterior import Fit
    from thermcmp.model.conditions import Build
    from thermcmp.model.identifiability import Contrast

#: Pairs of levels above which each level is looked at in one pair only.
MOST_PAIRS: Final = 500


@dataclass(frozen=True, slots=True, eq=False)
class FitCheck:
    """Everything that says how far a fit can be trusted.

    Attributes
    ----------
    fit : Fit
        The fit.
    predictive : Answer
        Posterior predictive check: features of the measured campaign among campaigns
        that the fit makes. Table: feature, measured_k, mean_k, low_k, high_k [K],
        p_larger, health.
    left_out : Answer
        How far each effect moves without one assembly (or other unit). Table: effect,
        mean_k, low_k, high_k, without, without_mean_k, without_low_k, without_high_k,
        change_k [K], change_sds, health. Value `units`: a row per unit with its Pareto k,
        the limit, and what was done.
    strays : pandas.DataFrame
        Runs and assemblies that the others do not explain: kind, name, off_k [K],
        off_sds, chance, limit.
    parameters : pandas.DataFrame
        Parameters: parameter, shrinkage, prior_influence, p_below (probability that
        a spread is below `small_k`), note.
    small_k : float
        Size below which a spread counts as none [K].
    sentences : tuple of str
        The findings in plain words.
    """

    fit: Fit = field(repr=False)
    predictive: Answer = field(repr=False)
    left_out: Answer = field(repr=False)
    strays: pd.DataFrame
    parameters: pd.DataFrame
    small_k: float
    sentences: tuple[str, ...]

    @property
    def health(self) -> str:
        """Worst outcome of the fit's health checks, which are about its draws."""
        return str(self.fit.health)

    def __str__(self) -> str:
        parts = [
            f"Can this fit of {self.fit.sensor} be trusted? Health {self.health}.",
            *self.sentences,
            str(self.fit.diagnostics.table.to_string(index=False)),
            # Their sentences stand above.
            self.predictive.tables_text,
            self.left_out.tables_text,
            self.parameters.to_string(index=False, float_format=lambda v: f"{v:.2f}"),
        ]
        if len(self.strays):
            parts.append(self.strays.to_string(index=False, float_format=lambda v: f"{v:.2g}"))
        return "\n".join(parts)

    def _repr_html_(self) -> str:
        words = "".join(f"<p>{escape(s)}</p>" for s in self.sentences)
        return words + self.predictive.tables_html + self.left_out.tables_html


def check_fit(
    fit: Fit,
    *,
    unit: str = "assembly",
    before: Build | str | None = None,
    after: Build | str | None = None,
    factors: Sequence[str] | None = None,
    small_k: float = SMALL_K,
    refits: int | None = None,
    prob: float = PROB,
) -> FitCheck:
    """Check how far a fit can be trusted, beyond the health of its draws.

    Parameters
    ----------
    fit : Fit
        The fit.
    unit : {"assembly", "session", "cooler", "board", "lab", "run"}
        What is left out as a whole; assemblies by default, since a bad one is the usual
        trouble.
    before, after, factors
        Effects to look at, as in `separate`; all that the data hold by default.
    small_k : float
        Size below which a spread counts as none [K]; above zero.
    refits : int, optional
        Most fits made anew for units whose importance weights cannot be trusted (Pareto
        k above min(1 - 1/log10 S, 0.7)); by default 8 with the conditional engine and
        none with NUTS, where each takes as long as the fit did.
    prob : float
        Probability of the equal-tailed intervals.

    Returns
    -------
    FitCheck
        Posterior predictive check, effects without each unit, strays, and what the
        data say of each parameter.

    Raises
    ------
    InputError
        If the unit, a factor, a build, `small_k` or `prob` is not known or out of range.
    """
    check_prob(prob)
    if not (np.isfinite(small_k) and small_k > 0):
        raise InputError(
            "Which spread counts as none?",
            [Fault("not above zero", "give kelvin", column="small_k", value=str(small_k))],
        )
    units = units_of(fit, unit)
    asked = wanted_contrasts(fit, before, after, factors)
    wanted = _fewer_pairs(fit, asked)
    effects = measured_effects(fit, Scope.SPECIMENS, wanted)
    seed = fit.seed or 0
    predictive = _predictive(fit, seed, prob)
    left_out = left_out_answer(fit, units, effects, refits=refits, prob=prob, seed=seed)
    notes = [fit.note(name, small_k) for name in fit.parameter_names]
    strayed = strays(fit)
    return FitCheck(
        fit=fit,
        predictive=predictive,
        left_out=left_out,
        strays=_strays_table(strayed),
        parameters=_parameters(fit, notes),
        small_k=small_k,
        sentences=(
            *fit.diagnostics.sentences,
            *_fitted_with(fit),
            *predictive.sentences,
            *left_out.sentences,
            *_passed_over(asked, wanted),
            *left_out.caveats,
            *(one.sentence for one in strayed),
            *discount_words(fit),
            *([] if strayed else ["No run and no assembly strays from what the others say."]),
            *_parameter_sentences(fit, notes, small_k, prob),
        ),
    )


def _fewer_pairs(fit: Fit, wanted: Sequence[Contrast]) -> Sequence[Contrast]:
    """All pairs of levels, or, where these are very many, those with one level of each factor.

    A factor of many levels has a pair for any two; what moves a level shows in its pair with
    the level of most rows.
    """
    if len(wanted) <= MOST_PAIRS:
        return wanted
    common = {}
    for factor in {contrast.factor for contrast in wanted}:
        place = fit.design.term_position(factor)
        if place is not None:
            rows = np.bincount(fit.design.index[:, place])
            common[factor] = fit.design.levels[place][int(np.argmax(rows))]
    return [c for c in wanted if common.get(c.factor) in (c.first, c.second)]


def _passed_over(asked: Sequence[Contrast], wanted: Sequence[Contrast]) -> tuple[str, ...]:
    if len(wanted) == len(asked):
        return ()
    return (
        f"Of {len(asked)} pairs of levels the {len(wanted)} with the level of most rows of each "
        "factor were looked at; name `factors`, or `before` and `after`, for others.",
    )


def _fitted_with(fit: Fit) -> tuple[str, ...]:
    """What a fit of several sensors leaves out here."""
    if not fit.fitted_with:
        return ()
    return (
        f"Fitted together with {', '.join(fit.fitted_with)}; what is left out or made anew below "
        f"are the readings of {fit.sensor} alone.",
    )


def _predictive(fit: Fit, seed: int, prob: float) -> Answer:
    """The posterior predictive check as an answer."""
    import pandas as pd
    import xarray as xr

    features = predictive_features(fit, seed=seed)
    rows = [
        (
            one.name,
            float(np.mean(one.measured)),
            float(np.mean(one.replicated)),
            *interval(one.replicated, prob),
            one.p_larger,
            "surprising" if one.surprising else "ok",
        )
        for one in features
    ]
    columns = ["feature", "measured_k", "mean_k", "low_k", "high_k", "p_larger", "health"]
    names = [one.name for one in features]
    return Answer(
        kind="predictive check",
        title=f"Campaigns made by the fit, and the measured one: {fit.sensor}",
        table=pd.DataFrame(rows, columns=columns),
        draws=xr.Dataset(
            {
                "measured_k": (("feature", "draw"), np.stack([one.measured for one in features])),
                "made_k": (("feature", "draw"), np.stack([one.replicated for one in features])),
            },
            {"feature": names},
        ),
        sentences=_predictive_sentences(features, prob),
        caveats=(),
        prob=prob,
        draw_figure=predictive_figure,
    )


def _predictive_sentences(features: Sequence[Feature], prob: float) -> tuple[str, ...]:
    said = []
    for one in features:
        if one.surprising:
            low, high = interval(one.replicated, prob)
            size = float(np.mean(one.measured))
            chance = chance_words(one.p_larger, len(one.replicated))
            said.append(
                f"The {one.name} is {size:.2f} K; campaigns made by the fit show {low:.2f} to "
                f"{high:.2f} K, and {chance} of them at least as much: here the model does not "
                "hold."
            )
    fine = [one.name for one in features if not one.surprising]
    if fine:
        said.append(f"Campaigns made by the fit look like the measured one in: {', '.join(fine)}.")
    return tuple(said)


def _strays_table(strayed: Sequence[Outlier]) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(
        [(o.kind, o.name, o.off_k, o.off_sds, o.chance, FALSE_ALARM / o.tested) for o in strayed],
        columns=["kind", "name", "off_k", "off_sds", "chance", "limit"],
    )


def _parameters(fit: Fit, notes: Sequence[ParameterNote]) -> pd.DataFrame:
    import pandas as pd

    moved = power_scaling(fit, np.stack([fit.draws(note.name) for note in notes]))
    said = [
        "; ".join(word for word in (note.words, moves) if word not in ("", "ok"))
        for note, moves in zip(notes, moved.words, strict=True)
    ]
    return pd.DataFrame(
        {
            "parameter": [note.name for note in notes],
            "shrinkage": [note.shrinkage for note in notes],
            "prior_influence": moved.prior,
            "p_below": [note.below for note in notes],
            "note": said,
        }
    )


def _parameter_sentences(
    fit: Fit, notes: Sequence[ParameterNote], small_k: float, prob: float
) -> list[str]:
    """What the data allow to be zero, and of what they hardly speak: a sentence each."""
    said, at_zero = [], [note for note in notes if note.allows_zero]
    if at_zero:
        told = []
        for note in at_zero:
            draws = fit.draws(note.name)
            low, high = interval(draws, prob)
            chance = chance_words(note.below, len(draws))
            told.append(f"{note.name} {chance} ({low:.2f} to {high:.2f} K)")
        said.append(
            f"Boundary, the data allow zero; probability of being below {small_k:g} K, and "
            f"{prob:.0%} equal-tailed interval: {'; '.join(told)}."
        )
    mostly = [note.name for note in notes if note.shrinkage < MOSTLY_PRIOR]
    if mostly:
        said.append(f"Mostly prior, the data hardly speak of it: {', '.join(mostly)}.")
    return said
