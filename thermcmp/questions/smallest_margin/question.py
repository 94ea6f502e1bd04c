"""Several sensors against their own limits: the smallest margin ranks a product."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError
from thermcmp.inference.sensor_fits import one_posterior
from thermcmp.model.conditions import Build, Conditions
from thermcmp.prediction.as_bought import Loop, builds_to_rank, entries_of
from thermcmp.prediction.builds import Scope
from thermcmp.prediction.equal_conditions import Entry, noise_for
from thermcmp.questions.answer import Answer
from thermcmp.questions.caveats import fit_caveats, refuse_bad_health
from thermcmp.questions.phrases import PROB, check_matters, check_prob, percent_words, range_words
from thermcmp.questions.ranking.figure import ranking_figure
from thermcmp.questions.ranking.ranked import Ranked, rank_entries
from thermcmp.questions.ranking.tables import ranking_draws, ranking_table
from thermcmp.questions.ranking.text import link_caveats, unreached_caveats

if TYPE_CHECKING:
    import pandas as pd

    from thermcmp.inference.posterior import Fit
    from thermcmp.physics.firmware import Firmware


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class MarginRanking(Answer):
    """Products ranked by the smallest margin of several sensors to their own limits.

    Attributes
    ----------
    conditions : Conditions
        The conditions at which they are compared.
    limits_c : dict of str to float
        Limit of each sensor [°C].
    scope : str
        "product line" or "specimens".
    """

    conditions: Conditions
    limits_c: Mapping[str, float]
    scope: str


def rank_margins(  # noqa: PLR0913 - the public face; all but three are keyword-only
    fits: Mapping[str, Fit],
    limits_c: Mapping[str, float],
    at: Conditions | None = None,
    *,
    firmware: Firmware | Mapping[str, Firmware] | None = None,
    matters_k: float = 1.0,
    scope: Literal["product line", "specimens"] = "product line",
    products: Sequence[Build | str] | None = None,
    prob: float = PROB,
    allow_bad_health: bool = False,
    **conditions: float,
) -> MarginRanking:
    """Rank products by the smallest margin of several sensors, each to its own limit.

    In every draw a product's margin is the smallest of its sensors', at equal conditions or,
    with a `firmware`, as bought. Groups, ranks and networks are those of `rank`.

    Parameters
    ----------
    fits : SensorFits
        Fits of the sensors from one `fit_sensors`, so that a draw is one card.
    limits_c : mapping of str to float
        Highest allowed temperature of each judged sensor [°C]; take the maker's.
    at : Conditions, optional
        As in `rank`.
    firmware : Firmware or mapping of str to Firmware, optional
        As in `rank`; the sensor that a firmware follows is looked up among the fits.
    matters_k : float
        Smallest difference that matters [K]; 0 or more.
    scope : {"product line", "specimens"}
        The models, or the very parts that were on the bench.
    products : sequence of Build or str, optional
        What to rank; every named product by default.
    prob : float
        Probability of the equal-tailed intervals.
    allow_bad_health : bool
        Rank even if a fit's health is "bad"; recorded as a caveat.
    **conditions : float
        Fields of `Conditions`, which go before `at`.

    Returns
    -------
    MarginRanking
        Table as in `rank`, largest margin first, with mean_k, low_k, high_k (the smallest
        margin) [K], p_exceed (chance that the mean card exceeds any limit), decides (the
        sensor that most often has the smallest margin) and p_decides.

    Raises
    ------
    InputError
        If the fits are not of one posterior, a limit has no fit, or as in `rank`.
    EngineError
        If a fit's health is "bad" and not allowed.
    NotEstimableError
        If a product has a part that a fit has not seen.
    """
    check_prob(prob)
    check_matters(matters_k)
    judged = _judged(fits, limits_c)
    for model in fits.values():
        refuse_bad_health(model, allowed=allow_bad_health, what="ranked")
    held, where, first = Conditions.of(at, conditions), Scope.of(scope), judged[0]
    loop = None if firmware is None else Loop.of(first, firmware, tuple(fits.values()))
    builds = builds_to_rank(first, products, loop)
    noise = noise_for(first, held)
    each = [entries_of(fit, builds, held, where, noise, loop) for fit in judged]
    margins = {
        sensors[0].name: np.stack(
            [limits_c[fit.sensor] - e.temperature for fit, e in zip(judged, sensors, strict=True)]
        )
        for sensors in zip(*each, strict=True)
    }
    entries = [_smallest(sensors, margins) for sensors in zip(*each, strict=True)]
    ranked = rank_entries(first, entries, matters_k)
    names = [fit.sensor for fit in judged]
    table = _table(ranked, margins, names, prob, as_bought=loop is not None)
    return MarginRanking(
        kind="margin ranking",
        title=f"Smallest margin of {' and '.join(names)} in {held.air_words}, {where}",
        table=table,
        draws=ranking_draws(ranked).rename(temperature_c="over_limit_k"),
        sentences=_sentences(ranked, table, prob),
        caveats=_caveats(ranked, judged, held),
        prob=prob,
        draw_figure=partial(
            ranking_figure,
            columns=("mean_k", "low_k", "high_k"),
            axis="Smallest margin to a limit [K]",
            ascending=False,
        ),
        fits=tuple(judged),
        conditions=held,
        limits_c=dict(limits_c),
        scope=str(where),
    )


def _judged(fits: Mapping[str, Fit], limits_c: Mapping[str, float]) -> list[Fit]:
    """Return the fits of the sensors that have a limit, which must be of one posterior."""
    faults = [
        Fault("no fit of this sensor", f"use one of: {', '.join(fits)}", column=name)
        for name in limits_c
        if name not in fits
    ] + [
        Fault("out of range", "give a temperature in [-40, 200] °C", column=name, value=str(limit))
        for name, limit in limits_c.items()
        if not -40.0 <= limit <= 200.0
    ]
    if len(fits) > 1 and not one_posterior(list(fits.values())):
        words = "the sensors were fitted apart, so their draws are not those of one card"
        faults.append(Fault(words, "fit them together with fit_sensors", column="fits"))
    if not limits_c:
        faults.append(Fault("no limit", "give limits_c={'memory': 100, …}", column="limits_c"))
    if faults:
        raise InputError("The sensors cannot be held against their limits:", faults)
    return [fits[name] for name in limits_c]


def _smallest(sensors: Sequence[Entry], margins: Mapping[str, Array]) -> Entry:
    """Return a product with how far it is over its nearest limit in place of a temperature [K]."""
    said = [part for entry in sensors for part in entry.health.split("; ")]
    wrong = [part for part in dict.fromkeys(said) if part != "ok"]
    return replace(
        sensors[0],
        temperature=-margins[sensors[0].name].min(axis=0),
        health="; ".join(wrong) or "ok",
        notes=tuple(dict.fromkeys(note for entry in sensors for note in entry.notes)),
    )


def _table(
    ranked: Ranked,
    margins: Mapping[str, Array],
    names: Sequence[str],
    prob: float,
    *,
    as_bought: bool,
) -> pd.DataFrame:
    """Return the table of the ranking with margins, chances of exceeding and what decides."""
    import pandas as pd

    table = ranking_table(ranked, prob, as_bought=as_bought)
    ends = {"mean_k": -table["mean_c"], "low_k": -table["high_c"], "high_k": -table["low_c"]}
    cells: list[tuple[float, str | None, float]] = []
    for name in table["product"]:
        values = margins[name]
        if not np.isfinite(values).all():
            cells.append((np.nan, None, np.nan))
            continue
        shares = np.bincount(values.argmin(axis=0), minlength=len(names)) / values.shape[1]
        most = int(shares.argmax())
        cells.append((float(np.mean(values.min(axis=0) < 0.0)), names[most], float(shares[most])))
    exceed, decides, share = zip(*cells, strict=True) if cells else ((), (), ())
    table = table.drop(columns=["mean_c", "low_c", "high_c"])
    added: dict[str, object] = {**ends, "p_exceed": exceed, "decides": decides, "p_decides": share}
    for place, (column, each) in enumerate(added.items(), start=1):
        table.insert(place, column, pd.Series(each, index=table.index))
    return table


def _sentences(ranked: Ranked, table: pd.DataFrame, prob: float) -> tuple[str, ...]:
    """Return the product with the largest margin of each network, and those over a limit."""
    if not ranked.networks:
        return ("No product can be ranked at these conditions.",)
    words = []
    rows: dict[Any, dict[Any, Any]] = table.set_index("product").to_dict("index")
    for network in ranked.networks:
        best = network.entries[0]
        row = rows[best.name]
        words.append(
            f"Largest margin: {best.name} with {range_words(-best.temperature, prob)} to the "
            f"nearest limit, which is that of the {row['decides']} in "
            f"{percent_words(row['p_decides'])} of the draws."
        )
    chances = {name: row["p_exceed"] for name, row in rows.items()}
    over = [f"{name} ({percent_words(p)})" for name, p in chances.items() if p >= 0.05]
    if over:
        words.append(f"Chances of 5% or more that a limit is exceeded: {', '.join(over)}.")
    return tuple(words)


def _caveats(ranked: Ranked, judged: Sequence[Fit], held: Conditions) -> tuple[str, ...]:
    caveats = link_caveats(ranked)
    for fit in judged:
        caveats += fit_caveats(fit, held=held)
    caveats += [note for entry in ranked.all for note in entry.notes]
    caveats += unreached_caveats(ranked)
    caveats.append(
        "A card counts as the mean of its scope: a newly bought one differs by specimen and "
        "assembly, see margin. Sensors and parts without a limit here have limits of their own."
    )
    return tuple(dict.fromkeys(caveats))
