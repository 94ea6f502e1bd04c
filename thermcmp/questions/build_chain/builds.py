"""The builds of a chain: by name, at equal conditions, with the count of their assemblies."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError
from thermcmp.model.conditions import Build
from thermcmp.model.rows import level_keys
from thermcmp.prediction.builds import Scope, build_of, matching_rows, split_name
from thermcmp.prediction.equal_conditions import Entry, entry_at

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from thermcmp.inference.noise_fit import NoiseFit
    from thermcmp.inference.posterior import Fit
    from thermcmp.model.conditions import Conditions


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """One build of a chain at the chain's conditions."""

    build: Build
    entry: Entry
    #: Weights of the effects in its rise, shape (q,), for an airflow exponent; None where the
    #: conditions are out of its reach.
    weights: Callable[[float], Array] | None
    #: Assemblies of these parts that were run.
    assemblies: int

    @property
    def level_dba(self) -> float:
        """Mean noise level [dB(A)]; NaN where it is not known."""
        return np.nan if self.entry.noise is None else float(np.mean(self.entry.noise))


def chain_builds(fit: Fit, items: Sequence[Build | str]) -> list[Build]:
    """Return the builds of items: builds, names of products, or cooler models."""
    rows = fit.design.rows
    names = [item for item in items if isinstance(item, str)]
    models = set(rows["cooler_model"].dropna().unique())
    products = set(rows["product"].dropna().unique())
    board, coolers = "", [name for name in names if name in models]
    if coolers:
        # The board model that most of these coolers were run on; by its rows among equals.
        boards = rows[rows["cooler_model"].isin(coolers)].groupby("board_model")["cooler_model"]
        counts = boards.agg(["nunique", "size"])
        board = str(counts.sort_values(["nunique", "size"], kind="stable").index[-1])
    builds, faults = [], []
    for item in items:
        if isinstance(item, Build):
            builds.append(item)
        elif item in models:
            builds.append(Build(cooler_model=item, board_model=board, label=item))
        elif split_name(rows, item)[0] in products:
            builds.append(build_of(fit, item))
        else:
            known = ", ".join(sorted({*models, *products}))
            fix = f"use one of: {known}; or give a Build(…)"
            faults.append(Fault("no such product or cooler model", fix, value=item))
    shown = [build.name for build in builds]
    faults += [
        Fault("is listed twice", "name each build once", value=name)
        for name in dict.fromkeys(shown)
        if shown.count(name) > 1
    ]
    if faults:
        raise InputError("These builds do not form a chain:", faults)
    return builds


def measured_at(
    fit: Fit, build: Build, held: Conditions, scope: Scope, noise: NoiseFit | None
) -> Measured:
    """Return one build at the conditions, draw by draw."""
    entry = entry_at(fit, build.name, build, held, scope, noise)
    rows = matching_rows(fit.design.rows, build)
    assemblies = level_keys(fit.design.rows, ("lab", "assembly"))[rows].nunique()
    return Measured(build, entry, entry.weights if entry.reached else None, int(assemblies))


def inseparable(fit: Fit, before: Build, after: Build) -> str:
    """Describe why two builds are not separable, or "".

    A part that differs between them and always changed together with another one that
    does not: the difference is then the priors' split.
    """
    reasons = []
    for column in ("cooler_model", "board_model", "memory_vendor"):
        old, new = getattr(before, column), getattr(after, column)
        contrast = None if old is None or new is None else fit.aliases.of(column, old, new)
        if old == new or contrast is None or contrast.estimable:
            continue
        reasons += [
            f"{column.replace('_', ' ')} changed together with {other.replace('_', ' ')}"
            for other in contrast.aliased_with
            if getattr(before, other, None) == getattr(after, other, None)
        ]
    return "; ".join(reasons)


def reassembly_k(fit: Fit, power_w: float) -> Array | None:
    """Return draws of the spread between assemblies [K]; None without a term for them."""
    if fit.design.term_position("assembly") is None:
        return None
    return fit.draws("assembly sd") * power_w / fit.reference.power_w


def smallest_difference_k(sd_k: Array | None, assemblies: tuple[int, int], prob: float) -> float:
    """Compute the smallest difference that so many assemblies of two builds can show [K].

    The half width of the interval that the assemblies alone leave, z s √(1/k₁ + 1/k₂):
    the critical difference of ISO 5725-6:1994, 4.2 (from memory), with the reassembly
    spread s.
    """
    from scipy.special import ndtri

    if sd_k is None or min(assemblies) == 0:
        return np.nan
    z = float(ndtri((1.0 + prob) / 2.0))
    return z * float(np.mean(sd_k)) * float(np.sqrt(sum(1.0 / k for k in assemblies)))


def combined_weights(
    shares: Mapping[int, float], builds: Sequence[Measured]
) -> Callable[[float], Array] | None:
    """Return the weights of a sum of rises; None where one of the builds is out of reach."""
    parts = [(builds[place].weights, share) for place, share in shares.items()]
    known = [(weights, share) for weights, share in parts if weights is not None]
    if len(known) < len(parts):
        return None
    return lambda exponent: np.sum([share * weights(exponent) for weights, share in known], axis=0)
