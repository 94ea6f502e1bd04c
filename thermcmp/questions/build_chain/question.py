"""A chain of builds: what each step and each change brought at equal conditions."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError
from thermcmp.inference.checks.data_share import data_share
from thermcmp.inference.checks.prior_sensitivity import power_scaling
from thermcmp.inference.parameter_notes import MOSTLY_PRIOR
from thermcmp.model.conditions import Build, Conditions
from thermcmp.prediction.builds import Scope, ScopeName
from thermcmp.prediction.equal_conditions import noise_for
from thermcmp.questions.build_chain.answer import Chain
from thermcmp.questions.build_chain.builds import chain_builds, measured_at, reassembly_k
from thermcmp.questions.build_chain.features import combinations_of
from thermcmp.questions.build_chain.figure import chain_figure
from thermcmp.questions.build_chain.parts import (
    ChainStudy,
    chain_departures,
    chain_shares,
    chain_steps,
)
from thermcmp.questions.build_chain.text import chain_caveats, chain_sentences
from thermcmp.questions.caveats import Linear, fit_caveats, influence_words, refuse_bad_health
from thermcmp.questions.phrases import PROB, check_prob, check_size, other_sign_words, summary

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from thermcmp.inference.posterior import Fit


def chain(  # noqa: PLR0913 - the public face; all but three are keyword-only
    fit: Fit,
    builds: Sequence[Build | str],
    at: Conditions | None = None,
    *,
    features: Mapping[Build | str, Mapping[str, Any] | Collection[str]] | None = None,
    interaction_k: float = 1.0,
    scope: ScopeName = "specimens",
    prob: float = PROB,
    allow_bad_health: bool = False,
    ambient_c: float | None = None,
    power_w: float | None = None,
    fan_rpm: float | None = None,
    noise_dba: float | None = None,
    mic_distance_m: float | None = None,
    case_rise_k: float | None = None,
    altitude_m: float | None = None,
    measured_altitude_m: float | None = None,
) -> Chain:
    """Split the improvement of a chain of builds into its steps, at equal conditions.

    From a stock cooler to thicker pads, stiffer springs and a back plate, say, each its
    own `cooler_model` in the results. A step is the improvement from one build to the
    next: before minus after, positive is cooler; the steps add up to the total in every
    draw. What a step brings may depend on when it was made. With `features` each change
    also gets its share over all orders of making the changes (Shapley 1953), exact over
    all combinations of them; combinations that were not measured are predicted.

    Parameters
    ----------
    fit : Fit
        The fit.
    builds : sequence of Build or str
        The chain, two builds or more: builds, names of products, or cooler models. A
        cooler model by name is put on the board model that most of them were run on.
    at : Conditions, optional
        Ambient [°C], power [W], and fan speed [rpm] or noise [dB(A)] at which all builds
        are compared, also in a warm case or at an altitude; power and fan speed default
        to the fit's reference.
    features : mapping of (str or Build) to mapping or collection of str, optional
        Features of each build, product or cooler model: ``{"pads": "thick"}``, or the
        names of those it has. The ends of the chain must be among them; builds that are
        no part of the chain may be, and fill in combinations.
    interaction_k : float
        How far two changes together may depart from adding up where their combination
        was not measured: scale of a half-normal prior of the standard deviation [K]. 0
        lets them add up exactly. The default of 1 K is common practice, no source.
    scope : {"specimens", "product line"}
        The parts that were on the bench, or their lines.
    prob : float
        Probability of the equal-tailed intervals.
    allow_bad_health : bool
        Answer even if the fit's health is "bad"; recorded as a caveat.
    ambient_c, power_w, fan_rpm, noise_dba : float, optional
        Fields of `Conditions`, in place of those of `at`.
    mic_distance_m, case_rise_k, altitude_m, measured_altitude_m : float, optional
        Likewise.

    Returns
    -------
    Chain
        Table: part, kind ("step", "total", "order-free", "departure"), mean_k, sd_k,
        low_k, high_k [K], data_share and prior_influence (see `separate`), noise_db
        [dB], assemblies of the two builds, smallest_step_k (what these assemblies can show
        [K]), basis ("measured", or what was assumed), health.

    Raises
    ------
    InputError
        If a build, feature, scope, `prob` or `interaction_k` is not clear.
    EngineError
        If the fit's health is "bad" and not allowed.
    NotEstimableError
        If the fit has not seen one of a build's parts.
    """
    check_prob(prob)
    check_size(interaction_k, "interaction_k", "How far may changes depart from adding up?")
    refuse_bad_health(fit, allowed=allow_bad_health, what="split into steps")
    stated = {
        "ambient_c": ambient_c, "power_w": power_w, "fan_rpm": fan_rpm, "noise_dba": noise_dba,
        "mic_distance_m": mic_distance_m, "case_rise_k": case_rise_k, "altitude_m": altitude_m,
        "measured_altitude_m": measured_altitude_m,
    }  # fmt: skip
    held, which = Conditions.of(at, stated), Scope.of(scope)
    steps, others = _all_builds(fit, builds, list(features or ()))
    combinations = None
    if features is not None:
        pairs = list(zip(others, features.values(), strict=True))
        combinations = combinations_of(pairs, steps[0], steps[-1])
    noise = noise_for(fit, held)
    by_name = {
        build.name: measured_at(fit, build, held, which, noise)
        for build in [*steps, *(combinations.measured.values() if combinations else ())]
    }
    measured = tuple(by_name[build.name] for build in steps)
    sd_k = reassembly_k(fit, held.power_w or fit.reference.power_w)
    parts = chain_steps(fit, measured, sd_k, prob)
    if combinations is not None:
        corners = [by_name[build.name] for build in combinations.measured.values()]
        parts += chain_shares(fit, combinations, corners, interaction_k)
        parts += chain_departures(combinations, corners)
    return _answer(
        ChainStudy(
            fit=fit,
            builds=measured,
            everything=tuple(by_name.values()),
            combinations=combinations,
            held=held,
            scope=which,
            reassembly_k=sd_k,
            parts=tuple(parts),
            prob=prob,
        )
    )


def _answer(study: ChainStudy) -> Chain:
    import pandas as pd
    import xarray as xr

    fit, parts = study.fit, study.parts
    influence = power_scaling(fit, np.stack([part.draws for part in parts]))
    known = {part.name: part.weights for part in parts if part.weights is not None}

    def together(exponent: float) -> Array:
        return np.stack([weights(exponent) for weights in known.values()])

    shares = dict(zip(known, data_share(fit, together).tolist(), strict=True)) if known else {}
    first, last, made = study.builds[0], study.builds[-1], study.combinations
    rows = []
    for part, moved in zip(study.parts, influence.prior, strict=True):
        # What an assumed departure adds to the variance does not come from the data.
        share = shares.get(part.name, np.nan) * (1.0 - part.assumed)
        words = [f"{study.fit.health}{other_sign_words(part.draws, study.prob)}", part.health]
        if share < MOSTLY_PRIOR:
            words.append("mostly the prior's")
        health = "; ".join(filter(None, words))
        if np.isnan(part.draws).any():
            health = part.health or "not estimable"
        rows.append(
            (
                part.name, part.kind, *summary(part.draws, study.prob), share, moved, part.noise_db,
                part.assemblies, part.smallest_k, part.basis, health,
            )
        )  # fmt: skip
    columns = ["part", "kind", "mean_k", "sd_k", "low_k", "high_k", "data_share"]
    columns += ["prior_influence", "noise_db", "assemblies", "smallest_step_k", "basis", "health"]
    table = pd.DataFrame(rows, columns=columns)
    return Chain(
        kind="chain of builds",
        title=f"From {first.build.name} to {last.build.name} step by step: {fit.sensor}",
        table=table,
        draws=xr.Dataset(
            {"improvement_k": (("part", "draw"), np.stack([part.draws for part in parts]))},
            {"part": list(table["part"]), "kind": ("part", list(table["kind"]))},
        ),
        sentences=chain_sentences(study),
        caveats=(
            *fit_caveats(
                fit,
                influence=influence_words([part.name for part in parts], influence),
                linear=Linear(tuple(known), together) if known else None,
                held=study.held,
            ),
            *chain_caveats(study),
        ),
        prob=study.prob,
        draw_figure=chain_figure,
        fits=(fit,),
        before_c=float(np.mean(first.entry.temperature)),
        after_c=float(np.mean(last.entry.temperature)),
        builds=tuple(measured.build.name for measured in study.builds),
        assemblies={measured.build.name: measured.assemblies for measured in study.everything},
        missing=tuple(map(made.words, made.missing)) if made else (),
        conditions=study.held,
        scope=str(study.scope),
    )


def _all_builds(
    fit: Fit, builds: Sequence[Build | str], keys: Sequence[Build | str]
) -> tuple[list[Build], list[Build]]:
    """Return the chain's builds, and those whose features are stated."""
    if isinstance(builds, str | Build) or len(builds) < 2:
        raise InputError(
            "A chain needs builds:",
            [Fault("fewer than two builds", "give a list, from the first build to the last")],
        )
    steps = chain_builds(fit, builds)
    known: dict[Build | str, Build] = {build.name: build for build in steps}
    known |= {build: build for build in steps}
    # All names at once, so that a cooler model beside the chain gets the chain's board too.
    more = [key for key in keys if key not in known]
    known |= dict(zip(more, chain_builds(fit, [*builds, *more])[len(builds) :], strict=True))
    return steps, [known[key] for key in keys]
