"""Ranking: products at equal conditions, with ranks as uncertain as they are."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from thermcmp._types import Array
from thermcmp.inference.checks.prior_sensitivity import power_scaling
from thermcmp.inference.noise_fit import NoiseFit
from thermcmp.model.conditions import Build, Conditions
from thermcmp.model.rows import level_keys
from thermcmp.physics.firmware import sources_of
from thermcmp.prediction.as_bought import Loop, builds_to_rank, entries_of
from thermcmp.prediction.builds import Scope
from thermcmp.prediction.card import refuse_lone_control
from thermcmp.prediction.equal_conditions import Entry, noise_for
from thermcmp.prediction.fitted_build import rise_weights
from thermcmp.questions.answer import Answer
from thermcmp.questions.caveats import Linear, fit_caveats, influence_words, refuse_bad_health
from thermcmp.questions.phrases import PROB, check_matters, check_prob
from thermcmp.questions.ranking.equal_temperature import noise_table
from thermcmp.questions.ranking.evidence import evidence_sentences, evidence_table, odd_lab_words
from thermcmp.questions.ranking.figure import ranking_figure
from thermcmp.questions.ranking.levels import at_levels, level_caveats, level_words
from thermcmp.questions.ranking.ranked import Ranked, rank_entries
from thermcmp.questions.ranking.selection import (
    second_card_words,
    selection_caveats,
    selection_table,
)
from thermcmp.questions.ranking.tables import league_table, ranking_draws, ranking_table
from thermcmp.questions.ranking.text import link_caveats, ranking_sentences, unreached_caveats
from thermcmp.questions.went_with import went_with_words

if TYPE_CHECKING:
    import pandas as pd

    from thermcmp.inference.posterior import Fit
    from thermcmp.physics.firmware import Firmware

#: Assumptions about firmwares that are stated one by one.
_MOST_NOTES: Final = 3


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Ranking(Answer):
    """Products ranked at equal conditions.

    Attributes
    ----------
    conditions : Conditions
        The conditions at which they are compared.
    matters_k : float
        Smallest difference that matters [K].
    scope : str
        "product line" or "specimens".
    builds : mapping of str to Build
        What was ranked, by the names in the table.
    """

    conditions: Conditions
    matters_k: float
    scope: str
    builds: Mapping[str, Build] = field(default_factory=dict)

    def league(self, *, simultaneous: bool = False) -> pd.DataFrame:
        """Compare every pair of products of a network, the cooler one first.

        Parameters
        ----------
        simultaneous : bool
            Widen the intervals so that all of them hold together with the answer's
            probability, in place of each by itself.

        Returns
        -------
        pandas.DataFrame
            Columns product, rival, mean_k, low_k, high_k (rival less product, with the
            answer's intervals) [K], p_cooler and p_matters: the chances that the product is
            cooler, and cooler by more than `matters_k`. Pairs that no run compares are left out.
        """
        draws = self.draws["temperature_c"].to_numpy()
        return league_table(self.table, draws, self.matters_k, self.prob, simultaneous=simultaneous)

    def noise_at(self, temperature_c: float) -> pd.DataFrame:
        """State what each product sounds like where its fan holds one temperature.

        At the ranking's power and air, whatever its fan speed or noise; as bought at the power
        that is stated, or the fit's reference.

        Parameters
        ----------
        temperature_c : float
            Temperature of the sensor, above the air at the intake [°C].

        Returns
        -------
        pandas.DataFrame
            Columns product; fan_rpm [rpm], noise_dba [dB(A)] and kelvin_per_db, by how much a
            decibel more cools it there [K/dB], medians each with _low and _high; rank_mean,
            rank_low and rank_high (1 is the quietest), p_quietest, network, health. The quietest
            comes first, network by network. A product that is too warm at all fan speeds that
            were measured, and up to a quarter more, has NaN, and its health the reason; one that
            is cooler at all of them has the lowest.

        Raises
        ------
        InputError
            If no noise was measured, or the temperature is not above the air.
        """
        networks = dict(zip(self.table["product"], self.table["network"], strict=True))
        fit, held = self.fits[0], self.conditions
        return noise_table(fit, networks, self.builds, held, self.scope, temperature_c, self.prob)

    def selection(self) -> pd.DataFrame:
        """State how large a selection of cards or results would overturn neighbouring ranks.

        No interval holds how cards and results came to be tested and published. A hand-picked
        sample and throttled runs that are left out make a product look cooler than its line;
        where only failures are published it looks warmer.

        Returns
        -------
        pandas.DataFrame
            Columns product and rival, its neighbour in the table; overturned_k, how much too cool
            the product (or too warm the rival) must be shown for the rival to be as likely the
            cooler; doubtful_k, the same for the interval of their gap to reach 0, which it does
            already where this is 0 [K]; coolest_of, the fewest cards of which each card of the
            product must have been the coolest to be shown so much too cool, with this fit's spread
            between cards: inf beyond 1000, NaN in a fit without such a spread.
        """
        draws = self.draws["temperature_c"].to_numpy()
        return selection_table(self.fits[0], self.table, draws, self.prob)

    def evidence(self) -> pd.DataFrame:
        """Set direct against indirect evidence for every pair of products that has both.

        Direct is what the places (laboratories, or their benches) say that ran both products;
        indirect what all other rows say, by way of other products. Each place may read any
        amount off, and at most 400 pairs are split.

        Returns
        -------
        pandas.DataFrame
            Columns product, rival; direct_k, indirect_k and differ_k (rival less product by
            either evidence, and direct less indirect) with their standard errors
            direct_error_k, indirect_error_k and differ_error_k [K at reference power and fan
            speed]; p_any, the chance that any of the pairs differs by as many errors where all
            evidence agrees; together, the places that ran both; around, the shortest way by other
            products. The pair that agrees least comes first. No rows from one place, or with
            scatter of Student's t.

        References
        ----------
        Dias, Welton, Caldwell & Ades, Statistics in Medicine 29 (2010) 932-944 (from memory).
        """
        return evidence_table(self.fits[0])


def rank(  # noqa: PLR0913 - each condition is a keyword of its own
    fit: Fit,
    at: Conditions | None = None,
    *,
    ambient_c: float | None = None,
    power_w: float | None = None,
    fan_rpm: float | None = None,
    noise_dba: float | None = None,
    mic_distance_m: float | None = None,
    case_rise_k: float | None = None,
    altitude_m: float | None = None,
    measured_altitude_m: float | None = None,
    matters_k: float = 1.0,
    scope: Literal["product line", "specimens"] = "product line",
    products: Sequence[Build | str] | None = None,
    levels: Mapping[str, str | float] | None = None,
    firmware: Firmware | Mapping[str, Firmware] | None = None,
    control: Fit | Iterable[Fit] | None = None,
    prob: float = PROB,
    allow_bad_health: bool = False,
) -> Ranking:
    """Rank products at equal conditions, or as they are bought.

    A group is opened by its coolest member, and the others join as long as they cannot be
    separated from that one member; so a chain of small gaps does not run together. All gaps
    between the members that opened groups exceed `matters_k` together with 90 % probability:
    the chance that any of the separations is wrong is at most 10 %, however many products.

    With a `firmware` each product is ranked as bought: the steady state under its own
    firmware is solved for every draw, in the stated room, case and altitude.

    Products that no run compares, since they share neither a bench nor a card nor parts with
    one that does, are ranked apart, each network by itself.

    Parameters
    ----------
    fit : Fit
        The fit.
    at : Conditions, optional
        Ambient, power, and fan speed or noise. Power and fan speed default to the fit's
        reference.
    ambient_c, power_w, fan_rpm, noise_dba : float, optional
        The same spelled out, which goes before `at`: ``rank(fit, noise_dba=40)``.
    mic_distance_m, case_rise_k, altitude_m, measured_altitude_m : float, optional
        Likewise; see `Conditions`.
    matters_k : float
        Smallest difference that matters [K]; 0 or more.
    scope : {"product line", "specimens"}
        The models, or the very parts that were on the bench.
    products : sequence of Build or str, optional
        What to rank; every named product by default.
    levels : mapping of str to str or float, optional
        Level of a factor of your own, or value of a covariate, at which all products are
        ranked, by its results column; a build's own `levels` go before. By default a
        covariate counts at its mean and a factor at the levels that each product was run
        with, and a caveat says where these differ.
    firmware : Firmware or mapping of str to Firmware, optional
        What sets the fans, as from `read_firmware`. By default every product is then ranked
        under each firmware that it was run with; power is that of the stock runs unless
        stated, at most the firmware's limit.
    control : Fit or iterable of Fit, optional
        Fit of the sensor that the firmwares follow, where that is not the fit's own; several
        where firmwares follow different sensors, each by its `control_sensor`.
    prob : float
        Probability of the equal-tailed intervals.
    allow_bad_health : bool
        Rank even if the fit's health is "bad"; recorded as a caveat.

    Returns
    -------
    Ranking
        Table: product, mean_c, low_c, high_c [°C], rank_mean, rank_low, rank_high,
        p_best, p_beats, group, network, fan_rpm, fan_rpm_low, fan_rpm_high [rpm],
        noise_dba, noise_dba_low, noise_dba_high [dB(A)], health; coolest first, network by
        network. As bought also noise_rank_mean, noise_rank_low, noise_rank_high (1 is the
        quietest) and p_front, the chance that no other product of the network is both cooler
        and quieter. Ranks and chances are those within a network; `p_beats` is
        the chance of being cooler than another product of it (the surface under the
        cumulative ranking curve; Salanti, Ades & Ioannidis, J. Clin. Epidemiol. 64 (2011)
        163-171, from memory). A product that cannot reach the noise within its measured fan
        speeds has NaN, and its health the reason.

    Raises
    ------
    InputError
        If a condition, product, scope, `matters_k` or `prob` is not known or out of range.
    EngineError
        If the fit's health is "bad" and not allowed.
    NotEstimableError
        If a product has a part that the fit has not seen.
    """
    check_prob(prob)
    check_matters(matters_k)
    controls = (
        () if control is None else tuple(control) if isinstance(control, Iterable) else (control,)
    )
    for model in (fit, *controls):
        refuse_bad_health(model, allowed=allow_bad_health, what="ranked")
    stated = {
        "ambient_c": ambient_c, "power_w": power_w, "fan_rpm": fan_rpm, "noise_dba": noise_dba,
        "mic_distance_m": mic_distance_m, "case_rise_k": case_rise_k, "altitude_m": altitude_m,
        "measured_altitude_m": measured_altitude_m,
    }  # fmt: skip
    held = Conditions.of(at, {name: v for name, v in stated.items() if v is not None})
    where = Scope.of(scope)
    refuse_lone_control(controls or None, firmware)
    noise = noise_for(fit, held)
    loop = None if firmware is None else Loop.of(fit, firmware, controls)
    as_bought = loop is not None
    builds = at_levels(builds_to_rank(fit, products, loop), levels)
    ranked = rank_entries(fit, entries_of(fit, builds, held, where, noise, loop), matters_k)
    return Ranking(
        kind="ranking",
        title=f"{fit.sensor.capitalize()} {_words(fit, held, as_bought=as_bought)}, {where}",
        table=ranking_table(ranked, prob, as_bought=as_bought),
        draws=ranking_draws(ranked),
        sentences=(
            *ranking_sentences(ranked, matters_k, prob, as_bought=as_bought),
            *filter(None, [level_words(fit, builds)]),
        ),
        caveats=_caveats(fit, ranked, noise, held, builds, prob),
        prob=prob,
        draw_figure=ranking_figure,
        conditions=held,
        matters_k=matters_k,
        scope=str(where),
        builds=builds,
        fits=(fit, *controls),
        source=sources_of(firmware),
    )


def _caveats(
    fit: Fit,
    ranked: Ranked,
    noise: NoiseFit | None,
    held: Conditions,
    builds: Mapping[str, Build],
    prob: float,
) -> tuple[str, ...]:
    gaps = [(other, net.entries[0]) for net in ranked.networks for other in net.entries[1:]]
    names = [f"{other.name} against {coolest.name}" for other, coolest in gaps]
    influence, linear = None, None
    if names:
        gaps_k = np.array([other.temperature - coolest.temperature for other, coolest in gaps])
        influence = influence_words(names, power_scaling(fit, gaps_k))
        linear = Linear(tuple(names), _gap_weights(gaps))
    caveats = link_caveats(ranked) + odd_lab_words(fit) + evidence_sentences(fit)
    caveats += fit_caveats(fit, influence=influence, linear=linear, held=held)
    caveats += unreached_caveats(ranked) + selection_caveats(fit, ranked)
    if held.altitude_m is not None:
        caveats.append(held.altitude_words)
    if noise is not None:
        caveats += noise.notes
    notes = list(dict.fromkeys(note for entry in ranked.all for note in entry.notes))
    caveats += notes[:_MOST_NOTES]
    if len(notes) > _MOST_NOTES:
        caveats.append(f"The same is taken of {len(notes) - _MOST_NOTES} more firmwares.")
    caveats += level_caveats(fit, builds)
    coolers = dict.fromkeys(
        (builds[coolest.name].cooler_model, builds[other.name].cooler_model)
        for other, coolest in gaps
    )
    unlike = [(one, other) for one, other in coolers if one != other]
    caveats += went_with_words(fit, unlike)
    keys = level_keys(fit.design.rows, ("lab", "assembly"))
    once = [entry for entry in ranked.all if len(set(keys[entry.fitted.ran])) == 1]
    if once:
        reached = [entry for entry in once if entry.reached]
        caveats.append(
            f"Mounted once only: {', '.join(sorted(entry.name for entry in once))}, as far as "
            "assemblies are named. A good or bad assembly is attributed to it, within the spread "
            "of assemblies elsewhere; test a second assembly of each."
            f"{second_card_words(fit, reached, prob)}"
        )
    return tuple(caveats)


def _gap_weights(gaps: Sequence[tuple[Entry, Entry]]) -> Callable[[float], Array]:
    """Return the effects' weights in gaps between two products, as a function of exponent."""
    sides = [[entry.name for entry in side] for side in zip(*gaps, strict=True)]
    entries = {entry.name: entry for gap in gaps for entry in gap}
    place = {name: k for k, name in enumerate(entries)}
    others, coolest = ([place[name] for name in side] for side in sides)
    rises = rise_weights(
        [entry.fitted for entry in entries.values()],
        np.array([entry.middle_speed for entry in entries.values()]),
        np.array([entry.power_w for entry in entries.values()]),
    )

    def weights(exponent: float) -> Array:
        each = rises(exponent)
        return each[others] - each[coolest]

    return weights


def _words(fit: Fit, held: Conditions, *, as_bought: bool) -> str:
    if as_bought:
        return f"under each card's own firmware in {held.air_words}"
    power = held.power_w if held.power_w is not None else fit.reference.power_w
    if held.noise_dba is not None:
        how = f"at {held.noise_dba:g} dB(A) at {held.mic_distance_m:g} m"
    else:
        flow_speed = held.fan_rpm if held.fan_rpm is not None else fit.reference.flow_speed
        how = f"at {flow_speed:g} {fit.design.law.unit}"
    if held.case_rise_k == 0.0 and held.altitude_m is None:
        return f"{how}, {power:g} W, {held.ambient_c:g} °C ambient"
    return f"{how}, {power:g} W, {held.air_words}"
