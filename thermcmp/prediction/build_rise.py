"""What a fit says of a build at given conditions, draw by draw."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from thermcmp._types import Array, BoolArray
from thermcmp.errors import Fault, InputError, NotEstimableError
from thermcmp.model.conditions import Build
from thermcmp.model.design import EXPONENT
from thermcmp.model.rows import level_keys
from thermcmp.model.terms import Acts, Role, Term
from thermcmp.physics.air import density_factor

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd

    from thermcmp.inference.posterior import Fit


class Scope(StrEnum):
    """For whom an answer speaks.

    `SPECIMENS`: the very parts that were on the bench, averaged.
    `PRODUCT_LINE`: the line's mean; specimen effects are integrated out, so the
    interval carries the spread between specimens that the few tested ones leave.
    """

    SPECIMENS = "specimens"
    PRODUCT_LINE = "product line"

    @classmethod
    def of(cls, word: str) -> Scope:
        """The scope of that name."""
        try:
            return cls(word)
        except ValueError:
            raise InputError(
                "Unknown scope:",
                [
                    Fault(
                        "no such scope",
                        f"use one of: {', '.join(cls)}",
                        column="scope",
                        value=str(word),
                    )
                ],
            ) from None


def matching_rows(rows: pd.DataFrame, build: Build) -> BoolArray:
    """Which rows were taken on a build's hardware (its firmware aside), shape (n,)."""
    hit = rows["cooler_model"].eq(build.cooler_model) & rows["board_model"].eq(build.board_model)
    if build.memory_vendor is not None:
        hit &= rows["memory_vendor"].eq(build.memory_vendor)
    return hit.fillna(False).to_numpy(bool)


def effect_weights(fit: Fit, build: Build, scope: Scope) -> tuple[Array, Array]:
    """Weights of the effects in a build's resistance and in its airflow part.

    Assemblies, sessions and laboratories count as average ones.

    Returns resistance, airflow (q,).
    """
    design = fit.design
    resistance, airflow = np.zeros(design.effect_count), np.zeros(design.effect_count)
    resistance[0], airflow[1] = 1.0, 1.0
    check_parts_known(fit, build)
    for term, levels, start in zip(design.terms, design.levels, design.offsets, strict=True):
        if term.role is Role.NUISANCE or (
            term.role is Role.SPECIMEN and scope is Scope.PRODUCT_LINE
        ):
            continue
        side = airflow if term.acts is Acts.AIRFLOW else resistance
        chosen = _levels_of(fit, term, build)
        for level in chosen:
            side[start + levels.index(level)] += 1.0 / len(chosen)
    return resistance, airflow


def airflow_term(fit: Fit, flow_speed: Array | float, density_ratio: float = 1.0) -> Array:
    """The airflow law's factor less one, for each draw; `flow_speed` is a number or shape (S,)."""
    return _airflow(fit, flow_speed, fit.draws(EXPONENT), density_ratio)


def _airflow(
    fit: Fit, flow_speed: Array | float, exponent: Array | float, density_ratio: float
) -> Array:
    """The airflow law's factor less one, in thinner or denser air."""
    if density_ratio == 1.0:
        return np.asarray(fit.design.airflow(flow_speed, exponent))
    if fit.design.law.column != "fan_rpm":
        raise InputError(
            "The altitude cannot be taken into account:",
            [
                Fault(
                    f"the airflow law is driven by {fit.design.law.column}, not by a fan's speed",
                    "leave altitude_m out",
                    column="altitude_m",
                )
            ],
        )
    thin = density_factor(density_ratio, 1.0, exponent=exponent)
    return np.asarray((fit.design.airflow(flow_speed, exponent) + 1.0) * thin - 1.0)


def rise_draws(
    fit: Fit,
    build: Build,
    scope: Scope,
    *,
    flow_speed: Array | float,
    power_w: Array | float,
    density_ratio: float = 1.0,
) -> Array:
    """Rise of a build over ambient.

    Shapes: flow_speed (S,), power_w (S,). Returns (S,).
    """
    resistance, airflow = effect_weights(fit, build, scope)
    effects = fit.effects
    convective = effects @ airflow
    rise = effects @ resistance + convective * airflow_term(fit, flow_speed, density_ratio)
    return np.asarray(rise * power_w / fit.reference.power_w)


def rise_weights(
    fit: Fit,
    build: Build,
    scope: Scope,
    *,
    flow_speed: float,
    power_w: float,
    density_ratio: float = 1.0,
) -> Callable[[float], Array]:
    """Weights of the effects in a build's rise, for an airflow exponent."""
    sides = effect_weights(fit, build, scope)
    held = {"flow_speed": flow_speed, "power_w": power_w, "density_ratio": density_ratio}
    return lambda exponent: weights_at(fit, sides, exponent, **held)


def weights_at(
    fit: Fit,
    sides: tuple[Array, Array],
    exponent: float,
    *,
    flow_speed: float,
    power_w: float,
    density_ratio: float = 1.0,
) -> Array:
    """Weights of the effects in a rise, shape (q,), from those of its two sides.

    Shapes: sides (q,).
    """
    resistance, airflow = sides
    flow = float(_airflow(fit, flow_speed, exponent, density_ratio))
    return np.asarray(power_w / fit.reference.power_w * (resistance + flow * airflow))


def build_of(fit: Fit, given: Build | str) -> Build:
    """A build from its name: "product", or "product / firmware"."""
    if isinstance(given, Build):
        return given
    product, _, firmware = (part.strip() for part in given.partition("/"))
    rows = fit.results
    named = rows[rows["product"].eq(product).fillna(False)]
    if named.empty:
        known = ", ".join(sorted(rows["product"].dropna().unique())) or "none has a name"
        raise InputError(
            "Unknown product:",
            [
                Fault(
                    "no row of this product",
                    f"use one of: {known}; or give a Build(…)",
                    column="product",
                    value=product,
                )
            ],
        )
    if firmware and not rows["firmware"].eq(firmware).fillna(False).any():
        known = ", ".join(sorted(rows["firmware"].dropna().unique())) or "none is named"
        raise InputError(
            "Unknown firmware:",
            [
                Fault(
                    "no row with this firmware",
                    f"use one of: {known}",
                    column="firmware",
                    value=firmware,
                )
            ],
        )
    factory = named[named["assembly_kind"].eq("factory").fillna(False)]
    parts = (factory if len(factory) else named)[["cooler_model", "board_model"]]
    cooler, board = parts.value_counts().index[0]
    return Build(
        cooler_model=str(cooler), board_model=str(board), firmware=firmware or None, label=given
    )


def check_parts_known(fit: Fit, build: Build) -> None:
    """Refuse a build with a part that the fit has not seen."""
    columns = ["cooler_model", "board_model", "memory_vendor", "assembly_kind"]
    # A firmware acts through its settings, unless the fit holds what it does beyond them.
    columns += ["firmware"] * any("firmware" in term.columns for term in fit.design.terms)
    for column in columns:
        wanted = getattr(build, column)
        if wanted is None:
            continue
        known = sorted(fit.results[column].dropna().unique())
        if wanted not in known:
            raise NotEstimableError(
                f"{build.name}: no run with {column} '{wanted}' is in the fit (it has "
                f"{', '.join(known) or 'none'}). Fix: measure it, or ask for a build that was."
            )


def _levels_of(fit: Fit, term: Term, build: Build) -> list[str]:
    """The term's levels that a build has, each counted alike."""
    rows = fit.results
    if len(term.columns) == 1:
        wanted = getattr(build, term.columns[0], None)
        if wanted is not None:
            return [wanted]
        if term.columns[0] == "assembly_kind" and rows["assembly_kind"].eq("factory").any():
            return ["factory"]
    keys = level_keys(rows, term.columns)
    own = getattr(build, term.columns[0], None)
    if term.role is Role.SPECIMEN and own is not None:
        hit = rows[term.columns[0]].eq(own).fillna(False).to_numpy(bool)
        if term.columns[0] == "board_model" and build.memory_vendor is not None:
            vendor = rows["memory_vendor"].eq(build.memory_vendor).fillna(False)
            narrowed = hit & vendor.to_numpy(bool)
            hit = narrowed if narrowed.any() else hit
    else:
        hit = matching_rows(rows, build)
        if not hit.any():
            hit = rows["board_model"].eq(build.board_model).fillna(False).to_numpy(bool)
    return sorted(keys[hit].unique()) if hit.any() else sorted(keys.unique())
