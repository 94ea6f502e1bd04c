"""Comparison of models: what else explains the rows as well, and what it does to the answers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp.errors import EngineError, Fault, InputError, NotEstimableError
from thermcmp.inference.censoring import readings_of
from thermcmp.inference.checks.omission_groups import units_of
from thermcmp.inference.comparison.candidates import FEWEST, Candidates, fit_candidates
from thermcmp.questions.answer import Answer
from thermcmp.questions.caveats import refuse_bad_health
from thermcmp.questions.model_comparison.answer import ModelComparison
from thermcmp.questions.model_comparison.claims import asked_claims, contrast_claims
from thermcmp.questions.model_comparison.figure import comparison_figure
from thermcmp.questions.model_comparison.tables import answers_table, models_table, shown_answers
from thermcmp.questions.model_comparison.text import comparison_caveats, comparison_sentences
from thermcmp.questions.phrases import PROB, check_prob
from thermcmp.questions.separation.question import wanted_contrasts

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit
    from thermcmp.model.conditions import Build
    from thermcmp.questions.model_claims import Claim

#: Time for the other models [s].
BUDGET_S: Final = 60.0


def compare_models(  # noqa: PLR0913 - the public face; all but two are keyword-only
    fit: Fit,
    ask: Callable[[Fit], Answer] | None = None,
    *,
    before: Build | str | None = None,
    after: Build | str | None = None,
    contrasts: str | Sequence[str | tuple[str, str]] | None = None,
    student: bool = False,
    budget_s: float = BUDGET_S,
    prob: float = PROB,
    allow_bad_health: bool = False,
) -> ModelComparison:
    """Compare a fit with other models of its rows, and state which answers hang on the model.

    The other models lack what the rows called for, lack the pairing of cooler and board or
    the drift, or let each cooler's assemblies spread on their own. They are compared by
    leave-one-assembly-out predictive density: the log density of each assembly's readings
    given all other rows, its sum over the assemblies (elpd), and the difference to the
    best model with its standard error. Two models predict about equally well if they differ
    by at most two standard errors, or by less than 4. Later answers of the same fit name those
    of their claims that hang on the model.

    Parameters
    ----------
    fit : Fit
        The fit, of one sensor and exact readings.
    ask : callable, optional
        A further question whose rows are compared, such as
        ``lambda fit: tc.attribute(fit, "Alder 1", "Alder 2")``.
    before, after, contrasts
        Contrasts to compare, as in `separate`; all that the data hold by default.
    student : bool
        Whether to fit Student's t as well, which takes the NUTS engine.
    budget_s : float
        Time for the other models [s]; none is started after it.
    prob : float
        Probability of the equal-tailed intervals.
    allow_bad_health : bool
        Answer even if the fit's health is "bad".

    Returns
    -------
    ModelComparison
        Table, a row per model: model, differs_in, elpd, elpd_difference, difference_se,
        weight (of the mixture of models that predicts best: stacking), predicts,
        unsure_assemblies (those whose density may be stated too high), health. Its
        `answers` has each answer as fitted and how far it moves: one whose sure sign turns
        or is lost under a model that predicts about as well is "model-dependent".

    Raises
    ------
    InputError
        If a contrast, a build or `prob` is not known or out of range, the budget is not
        above zero, or `ask` returns no table of means with intervals.
    EngineError
        If the fit's health is "bad" and not allowed, it was fitted together with other
        sensors, or has readings at the limit or within coarse steps.
    NotEstimableError
        If there are fewer than four assemblies.

    References
    ----------
    Vehtari, Gelman & Gabry, Statistics and Computing 27 (2017) 1413-1432; Yao, Vehtari,
    Simpson & Gelman, Bayesian Analysis 13 (2018) 917-1007; Sivula, Magnusson, Matamoros &
    Vehtari, arXiv:2008.10296.
    """
    check_prob(prob)
    refuse_bad_health(fit, allowed=allow_bad_health, what="compared")
    if not (np.isfinite(budget_s) and budget_s > 0.0):
        fault = Fault("not above zero", "give seconds", column="budget_s", value=str(budget_s))
        raise InputError("The time for the other models:", [fault])
    _refuse(fit)
    wanted = wanted_contrasts(fit, before, after, contrasts)
    candidates = fit_candidates(fit, with_student=student, budget_s=budget_s)
    alike = candidates.models
    claims = contrast_claims(fit, alike, wanted, prob)
    caveats = comparison_caveats(candidates, is_student_asked=student)
    if ask is not None:
        asked, refused = asked_claims(ask, alike)
        claims += asked
        if refused:
            caveats.append(f"The further question has no answer under: {', '.join(refused)}.")
    sentences = comparison_sentences(candidates, claims, budget_s=budget_s, prob=prob)
    return _answer(fit, candidates, claims, sentences, caveats, prob)


def _answer(
    fit: Fit,
    candidates: Candidates,
    claims: Sequence[Claim],
    sentences: Sequence[str],
    caveats: Sequence[str],
    prob: float,
) -> ModelComparison:
    import xarray as xr

    answers = answers_table(claims, prob)
    density = np.stack([model.density.each for model in candidates.each])
    return ModelComparison(
        kind="model comparison",
        title=f"Models of the rows of {fit.sensor}, by how well they predict an assembly",
        table=models_table(candidates),
        draws=xr.Dataset(
            {"log_density": (("model", "assembly"), density)},
            {
                "model": [model.name for model in candidates.each],
                "assembly": list(units_of(fit, "assembly").names),
            },
        ),
        sentences=tuple(sentences),
        caveats=tuple(caveats),
        prob=prob,
        draw_figure=comparison_figure,
        further_tables={
            "The answers as fitted, and among the models that predict about as well": (
                shown_answers(answers)
            )
        },
        fits=(fit,),
        answers=answers,
        models={model.name: model.fit for model in candidates.each},
        best=candidates.best.name,
    )


def _refuse(fit: Fit) -> None:
    """Refuse fits whose rows other models cannot be held against, with the way out."""
    if fit.fitted_with:
        raise EngineError(
            f"The fit was made together with {', '.join(fit.fitted_with)}, so its models cannot "
            "be compared alone. Fix: fit this sensor with tc.fit."
        )
    readings = readings_of(fit.design)
    limited = len(readings.limit)
    if limited or len(readings.step):
        what = f"{limited} readings at the limit" if limited else "readings within coarse steps"
        raise EngineError(
            f"The fit has {what}, of which an assembly's density is not computed. Fix: compare "
            "models of the other rows."
        )
    count = len(units_of(fit, "assembly").names)
    if count < FEWEST:
        raise NotEstimableError(
            f"Only {count} assemblies: too few to say which model predicts one better. Fix: take "
            f"the parts apart and assemble them again until there are {FEWEST}."
        )
