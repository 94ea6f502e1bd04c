"""All checks of how far a fit can be trusted, in one result."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from thermcmp.errors import Fault, InputError
from thermcmp.inference.checks.omission_groups import units_of
from thermcmp.inference.checks.outliers import FALSE_ALARM, outliers
from thermcmp.inference.checks.posterior_predictive import predictive_features
from thermcmp.inference.checks.prior_sensitivity import power_scaling
from thermcmp.inference.parameter_notes import MOSTLY_PRIOR, SMALL_K, ParameterNote
from thermcmp.inference.screening import expansion_words
from thermcmp.prediction.builds import Scope
from thermcmp.questions.answer import Answer
from thermcmp.questions.caveats import discount_words, misfit_words
from thermcmp.questions.fit_check.figures import predictive_figure
from thermcmp.questions.fit_check.law_figure import draw_laws
from thermcmp.questions.fit_check.leave_one_out import LeftOutCheck, left_out_answer
from thermcmp.questions.phrases import PROB, chance_words, check_prob, interval
from thermcmp.questions.separation.contrasts import measured_effects, stated_effects
from thermcmp.questions.separation.question import wanted_contrasts
from thermcmp.questions.table_words import printed_table

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from thermcmp.inference.posterior import Fit
    from thermcmp.model.conditions import Build
    from thermcmp.model.identifiability import Contrast

#: Pairs of levels above which each level is looked at in one pair only.
MOST_PAIRS: Final = 500
#: Begin of the sentence that names the spreads which may be zero.
BOUNDARY: Final = "Boundary, the data allow zero"
#: Beginnings of the sentences of parameters that the data hardly inform, and of a fit of
#: several sensors.
ASSUMED: Final = "Assumed"
TOGETHER: Final = "Fitted together with"


@dataclass(frozen=True, slots=True, eq=False)
class FitCheck:
    """All checks of how far a fit can be trusted.

    Attributes
    ----------
    fit : Fit
        The fit.
    predictive : Answer
        Posterior predictive check: features of the measured campaign among campaigns
        simulated from the fit. Table: feature, measured_k, mean_k, low_k, high_k [K],
        p_larger, health.
    left_out : LeftOutCheck
        How far each effect moves without one assembly (or other unit). Table: effect,
        mean_k, low_k, high_k, without, without_mean_k, without_low_k, without_high_k,
        change_k [K], change_sds, health. Its `units` has a row per unit with its Pareto
        k, the limit, and the action.
    outliers : pandas.DataFrame
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
    left_out: LeftOutCheck = field(repr=False)
    outliers: pd.DataFrame
    parameters: pd.DataFrame
    small_k: float
    sentences: tuple[str, ...]

    @property
    def health(self) -> str:
        """Worst outcome of the fit's health checks, which are about its draws."""
        return str(self.fit.health)

    def plot_laws(self, axes: tuple[Axes, Axes] | None = None) -> tuple[Axes, Axes]:
        """Draw rise against fan speed and against board power, with runs, fit and 90 % band.

        Parameters
        ----------
        axes : tuple of two matplotlib.axes.Axes, optional
            Where to draw; a new figure (without pyplot) by default.

        Returns
        -------
        tuple of matplotlib.axes.Axes
            The axes drawn on.
        """
        if axes is None:
            from matplotlib.figure import Figure

            axes = tuple(Figure(figsize=(9.6, 4.2), layout="constrained").subplots(1, 2))
        draw_laws(self.fit, *axes)
        return axes

    def __str__(self) -> str:
        parts = [
            f"Can this fit of {self.fit.sensor} be trusted? Health {self.health}.",
            *self.sentences,
            printed_table(self.fit.diagnostics.table).to_string(index=False),
            # Their sentences stand above.
            self.predictive.tables_text,
            self.left_out.tables_text,
            printed_table(self.parameters).to_string(index=False),
        ]
        if len(self.outliers):
            parts.append(printed_table(self.outliers).to_string(index=False))
        return "\n".join(parts)

    def _repr_html_(self) -> str:
        words = "".join(f"<p>{escape(s)}</p>" for s in self.sentences)
        return words + self.predictive.tables_html + self.left_out.tables_html


def check_fit(
    fit: Fit,
    *,
    unit: Literal["assembly", "session", "cooler", "board", "lab", "run"] = "assembly",
    before: Build | str | None = None,
    after: Build | str | None = None,
    contrasts: str | Sequence[str | tuple[str, str]] | None = None,
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
        What is left out as a whole; assemblies by default, since a bad one is the most
        common fault.
    before, after, contrasts
        Effects to check, as in `separate`; all that the data hold by default.
    small_k : float
        Size below which a spread counts as none [K]; above zero.
    refits : int, optional
        Most refits for units whose importance weights cannot be trusted (Pareto
        k above min(1 - 1/log10 S, 0.7)); by default 8 with the conditional engine and
        none with NUTS, where each takes as long as the fit did.
    prob : float
        Probability of the equal-tailed intervals.

    Returns
    -------
    FitCheck
        Posterior predictive check, effects without each unit, outliers, and what the
        data say of each parameter.

    Raises
    ------
    InputError
        If the unit, a contrast, a build, `small_k` or `prob` is not known or out of range.
    """
    import pandas as pd

    check_prob(prob)
    if not (np.isfinite(small_k) and small_k > 0):
        raise InputError(
            "Which spread counts as none?",
            [Fault("not above zero", "give kelvin", column="small_k", value=str(small_k))],
        )
    units = units_of(fit, unit)
    every = wanted_contrasts(fit, before, after, contrasts)
    wanted = _fewer_pairs(fit, every)
    effects = measured_effects(fit, stated_effects(fit, Scope.SPECIMENS, wanted))
    seed = fit.seed or 0
    predictive = _predictive(fit, seed, prob)
    left_out = left_out_answer(fit, units, effects, refits=refits, prob=prob, seed=seed)
    notes = [fit.note(name, small_k) for name in fit.parameter_names]
    freed = [expansion.outlier for expansion in fit.expansions if expansion.outlier is not None]
    named = (*freed, *outliers(fit))
    sentences = [*fit.diagnostics.sentences, *expansion_words(fit), *misfit_words(fit)]
    if fit.fitted_with:
        sentences.append(
            f"{TOGETHER} {', '.join(fit.fitted_with)}; only readings of {fit.sensor} are "
            "left out or refitted below."
        )
    sentences += (*predictive.sentences, *left_out.sentences)
    if len(wanted) < len(every):
        sentences.append(
            f"Of {len(every)} pairs of levels the {len(wanted)} with the level of most rows of "
            "each factor were checked; choose others by `contrasts`, or `before` and `after`."
        )
    sentences += (*left_out.caveats, *(o.sentence for o in named if o not in freed))
    sentences += discount_words(fit)
    if not named:
        sentences.append("No run and no assembly is an outlier.")
    sentences += _parameter_sentences(fit, notes, small_k, prob)
    return FitCheck(
        fit=fit,
        predictive=predictive,
        left_out=left_out,
        outliers=pd.DataFrame(
            [(o.kind, o.name, o.off_k, o.off_sds, o.chance, FALSE_ALARM / o.tested) for o in named],
            columns=["kind", "name", "off_k", "off_sds", "chance", "limit"],
        ),
        parameters=_parameters(fit, notes),
        small_k=small_k,
        sentences=tuple(sentences),
    )


def _fewer_pairs(fit: Fit, wanted: Sequence[Contrast]) -> Sequence[Contrast]:
    """Return all pairs of levels; of many, those with each factor's most frequent level."""
    if len(wanted) <= MOST_PAIRS:
        return wanted
    common = {}
    for factor in {contrast.factor for contrast in wanted}:
        place = fit.design.term_position(factor)
        if place is not None:
            rows = np.bincount(fit.design.index[:, place])
            common[factor] = fit.design.levels[place][int(np.argmax(rows))]
    return [c for c in wanted if common.get(c.factor) in (c.first, c.second)]


def _predictive(fit: Fit, seed: int, prob: float) -> Answer:
    """Return the posterior predictive check."""
    import pandas as pd
    import xarray as xr

    features = predictive_features(fit, seed=seed)
    rows = [
        (
            feature.name,
            float(np.mean(feature.measured)),
            float(np.mean(feature.replicated)),
            *interval(feature.replicated, prob),
            feature.p_larger,
            "surprising" if feature.surprising else "ok",
        )
        for feature in features
    ]
    columns = ["feature", "measured_k", "mean_k", "low_k", "high_k", "p_larger", "health"]
    sentences = []
    for feature in features:
        if feature.surprising:
            low, high = interval(feature.replicated, prob)
            size = float(np.mean(feature.measured))
            chance = chance_words(feature.p_larger, len(feature.replicated))
            sentences.append(
                f"The {feature.name} is {size:.2f} K; campaigns simulated from the fit show "
                f"{low:.2f} to {high:.2f} K, and {chance} of them at least as much: here the "
                "model does not hold."
            )
    fine = [feature.name for feature in features if not feature.surprising]
    if fine:
        sentences.append(
            f"Campaigns simulated from the fit look like the measured one in: {', '.join(fine)}."
        )
    return Answer(
        kind="predictive check",
        title=f"Campaigns simulated from the fit, and the measured one: {fit.sensor}",
        table=pd.DataFrame(rows, columns=columns),
        draws=xr.Dataset(
            {
                "measured_k": (("feature", "draw"), np.stack([f.measured for f in features])),
                "replicated_k": (("feature", "draw"), np.stack([f.replicated for f in features])),
            },
            {"feature": [feature.name for feature in features]},
        ),
        sentences=tuple(sentences),
        caveats=(),
        prob=prob,
        draw_figure=predictive_figure,
    )


def _parameters(fit: Fit, notes: Sequence[ParameterNote]) -> pd.DataFrame:
    import pandas as pd

    moved = power_scaling(fit, np.stack([fit.draws(note.name) for note in notes]))
    remarks = [
        "; ".join(word for word in (note.words, moves) if word not in ("", "ok"))
        for note, moves in zip(notes, moved.words, strict=True)
    ]
    return pd.DataFrame(
        {
            "parameter": [note.name for note in notes],
            "shrinkage": [note.shrinkage for note in notes],
            "prior_influence": moved.prior,
            "p_below": [note.below for note in notes],
            "note": remarks,
        }
    )


def _parameter_sentences(
    fit: Fit, notes: Sequence[ParameterNote], small_k: float, prob: float
) -> list[str]:
    """Name the parameters that may be zero, and those that the data hardly inform."""
    sentences, at_zero = [], []
    for note in notes:
        if note.allows_zero:
            draws = fit.draws(note.name)
            low, high = interval(draws, prob)
            chance = chance_words(note.below, len(draws))
            at_zero.append(f"{note.name} {chance} ({low:.2f} to {high:.2f} K)")
    if at_zero:
        sentences.append(
            f"{BOUNDARY}; probability of being below {small_k:g} K, and "
            f"{prob:.0%} equal-tailed interval: {'; '.join(at_zero)}."
        )
    mostly = [note.name for note in notes if note.shrinkage < MOSTLY_PRIOR]
    if mostly:
        sentences.append(
            f"{ASSUMED} rather than measured, since the data hardly inform it: {', '.join(mostly)}."
        )
    return sentences
