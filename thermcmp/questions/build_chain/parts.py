"""The rows of a chain: steps, total, order-free shares and departures from adding up."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.questions.build_chain.builds import (
    Measured,
    combined_weights,
    inseparable,
    smallest_difference_k,
)
from thermcmp.questions.build_chain.shapley_incomplete import (
    departures_from_adding,
    order_free_shares,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from thermcmp.inference.posterior import Fit
    from thermcmp.model.conditions import Conditions
    from thermcmp.prediction.builds import Scope
    from thermcmp.questions.build_chain.features import Combinations

STEP: Final = "step"
TOTAL: Final = "total"
SHARE: Final = "order-free"
DEPARTURE: Final = "departure"
MEASURED: Final = "measured"
#: A departure below this is rounding error: the model lets these parts add up [K].
_NOTHING_K: Final = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """One row of the table."""

    name: str
    #: "step", "total", "order-free" or "departure".
    kind: str
    #: Improvement [K], shape (S,); positive is cooler.
    draws: Array
    #: Weights of the effects, shape (q,), for an airflow exponent.
    weights: Callable[[float], Array] | None
    #: Share of the variance that comes from combinations not measured [1].
    assumed: float = 0.0
    #: Change of level that came with it [dB]; NaN where it is not known.
    noise_db: float = np.nan
    #: Assemblies of the two builds.
    assemblies: str = ""
    #: Smallest difference that these assemblies can show [K].
    smallest_k: float = np.nan
    #: "measured", or what was assumed.
    basis: str = MEASURED
    health: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class ChainStudy:
    """What the table, the sentences and the caveats of a chain are made from."""

    fit: Fit
    #: The chain, from the first build to the last.
    builds: tuple[Measured, ...]
    #: These and the builds that fill in combinations.
    everything: tuple[Measured, ...]
    combinations: Combinations | None
    #: What is held equal.
    held: Conditions
    scope: Scope
    #: Spread between assemblies [K], shape (S,); None where the fit has no term for it.
    reassembly_k: Array | None
    parts: tuple[Part, ...]
    prob: float

    def of_kind(self, kind: str) -> list[Part]:
        """Return the rows of one kind."""
        return [part for part in self.parts if part.kind == kind]


def chain_steps(
    fit: Fit, builds: Sequence[Measured], sd_k: Array | None, prob: float
) -> list[Part]:
    """Compute the steps from each build to the next, and the total, which they add up to."""
    pairs = [(i, i + 1) for i in range(len(builds) - 1)]
    parts = [_between(fit, builds, pair, sd_k, prob) for pair in pairs]
    return [*parts, _between(fit, builds, (0, len(builds) - 1), sd_k, prob, total=True)]


def _between(
    fit: Fit,
    builds: Sequence[Measured],
    pair: tuple[int, int],
    sd_k: Array | None,
    prob: float,
    *,
    total: bool = False,
) -> Part:
    first, second = (builds[place] for place in pair)
    counts = (first.assemblies, second.assemblies)
    unmounted = [m.build.name for m in (first, second) if m.assemblies == 0]
    mixed = inseparable(fit, first.build, second.build)
    reasons = [f"not separable: {mixed}"] if mixed else []
    reasons += [m.entry.health for m in (first, second) if m.entry.health != str(fit.health)]
    return Part(
        name=TOTAL if total else f"{first.build.name} → {second.build.name}",
        kind=TOTAL if total else STEP,
        draws=first.entry.temperature - second.entry.temperature,
        weights=combined_weights({pair[0]: 1.0, pair[1]: -1.0}, builds),
        noise_db=second.level_dba - first.level_dba,
        assemblies=f"{counts[0]} → {counts[1]}",
        smallest_k=smallest_difference_k(sd_k, counts, prob),
        basis=f"predicted, parts assumed to add: {', '.join(unmounted)} was never mounted"
        if unmounted
        else MEASURED,
        health="; ".join(dict.fromkeys(reasons)),
    )


def chain_shares(
    fit: Fit, combinations: Combinations, builds: Sequence[Measured], interaction_k: float
) -> list[Part]:
    """Compute the order-free share of each change; they add up to the total."""
    values = {
        corner: measured.entry.temperature
        for corner, measured in zip(combinations.measured, builds, strict=True)
    }
    shares = order_free_shares(values, interaction_k=interaction_k, seed=fit.seed)
    places = [list(combinations.measured).index(corner) for corner in sorted(values)]
    basis, health = MEASURED, ""
    if combinations.missing:
        every = 2 ** len(combinations.changes)
        basis = f"predicted in part: {len(combinations.missing)} of {every} missing"
    if np.isnan(shares.draws).all():
        health = "not estimable: the measured combinations do not separate the changes"
    return [
        Part(
            name=f"in any order: {change}",
            kind=SHARE,
            draws=shares.draws[:, place],
            weights=None
            if health
            else combined_weights(
                dict(zip(places, shares.weights[place].tolist(), strict=True)), builds
            ),
            assumed=float(shares.assumed[place]),
            basis=basis,
            health=health,
        )
        for place, change in enumerate(combinations.changes)
    ]


def chain_departures(combinations: Combinations, builds: Sequence[Measured]) -> list[Part]:
    """Compute how far changes made together depart from the sum of the single ones."""
    corners = list(combinations.measured)
    values = {c: measured.entry.temperature for c, measured in zip(corners, builds, strict=True)}
    parts = []
    for changes, base, weights in departures_from_adding(values):
        draws = sum(weight * values[corner] for corner, weight in weights.items())
        if np.max(np.abs(draws)) < _NOTHING_K:
            continue
        name = " with ".join(combinations.changes[i] for i in changes)
        parts.append(
            Part(
                name=f"beyond adding up: {name}"
                + (f", on {combinations.words(base)}" if any(base) else ""),
                kind=DEPARTURE,
                draws=np.asarray(draws),
                weights=combined_weights(
                    {corners.index(corner): weight for corner, weight in weights.items()}, builds
                ),
            )
        )
    return parts
