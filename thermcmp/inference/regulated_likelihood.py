"""Likelihood factor of a regulated run beside its residual: the Jacobian of the actuator.

A loop held the temperature T by moving x, the fan speed N or the power P, until

    T = A + P/P_ref · [ r + s · (g(N) - 1) + w · k(N) ] + (1 - P/P_ref) · u + e = f(x) + e

So x varied from run to run, and by the change of variables from e to x (Casella &
Berger, Statistical Inference, 2nd ed. 2002, theorem 2.1.5) its density at the held T is

    p(x | T, parameters) = p_e(T - f(x)) · |∂f/∂x|
    |∂f/∂N| = P/P_ref · (s + q · w) · (-∂g/∂N),      q = ∂k/∂N / ∂g/∂N
    |∂f/∂P| = [ r + s · (g(N) - 1) + w · k(N) - u ] / P_ref

with q at the exponent's prior mean, as k. The first factor is that of any row, the second one
is computed here; without it a fan that always met the target would count as evidence for no
convective part (s = 0). The density is zero unless more air cools and more power warms.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from thermcmp._types import Array, IntArray
from thermcmp.model.regulated import FAN, POWER, held_by
from thermcmp.model.terms import Acts

if TYPE_CHECKING:
    from thermcmp.model.design import Design

#: Relative step of the central difference along the speed, whose error is its square.
_STEP: Final = 1e-5

#: Returns the effects of some columns, one per row: numbers (S, rows) or a PyTensor vector.
Take = Callable[[IntArray], Any]


@dataclass(frozen=True, slots=True, eq=False)
class Sensitivities:
    """Sensitivities of the regulated rows, as numbers for S draws or PyTensor vectors."""

    fan: Any  #: s + q w of the F rows held by the fan [K at reference], shape (S, F) or (F,)
    #: r + s (g - 1) + w k - u of the G rows held by power [K at reference], (S, G) or (G,).
    power: Any
    per_rpm: Any  #: -∂g/∂N of the rows held by the fan [1/rpm], broadcasts with `fan`


def is_informed(design: Design) -> bool:
    """Return whether a design has regulated rows."""
    fan, power = regulated_rows(design)
    return len(fan) + len(power) > 0


def regulated_rows(design: Design) -> tuple[IntArray, IntArray]:
    """Return the rows held by the fan and the rows held by power."""
    fan, power = (np.flatnonzero(held_by(design.rows, by)) for by in (FAN, POWER))
    return fan, power


def sensitivities(design: Design, take: Take, exponent: Any) -> Sensitivities:
    """Return the sensitivities of the regulated rows, as numbers or as a graph."""
    fan, power = regulated_rows(design)
    speed = design.flow_speed[power]
    factors = design.per_power_at(speed)
    factors[Acts.AIRFLOW] = factors[Acts.AIRFLOW] * design.airflow(speed, exponent)
    return Sensitivities(
        fan=_sum(design, fan, take, Acts.AIRFLOW)
        + steeper(design) * _sum(design, fan, take, Acts.EXPONENT),
        power=sum(
            factor * _sum(design, power, take, acts)
            for acts, factor in factors.items()
            if acts in design.acts
        ),
        per_rpm=fall_per_rpm(design, exponent),
    )


def fall_per_rpm(design: Design, exponent: Any) -> Any:
    """Return -∂g/∂N of the rows held by the fan [1/rpm], for exponents that broadcast with them."""
    return _fall(design, lambda speed: design.airflow(speed, exponent))


def steeper(design: Design) -> Array:
    """Return ∂k/∂N over ∂g/∂N at the rows held by the fan, at the exponent's prior mean, (F,)."""
    return np.asarray(
        _fall(design, design.bend) / fall_per_rpm(design, design.law.exponent_prior_mean)
    )


def _fall(design: Design, function: Callable[[Array], Any]) -> Any:
    """Return how a function of fan speed falls per rpm at the rows held by the fan."""
    fan, _ = regulated_rows(design)
    speed = design.flow_speed[fan]
    slower, faster = function(speed * (1.0 - _STEP)), function(speed * (1.0 + _STEP))
    return (slower - faster) / (2.0 * _STEP * speed)


def _sum(design: Design, rows: IntArray, take: Take, acts: Acts) -> Any:
    """Return one part of the rise at some rows, as `take` has the effects."""
    columns, weights = design.part_columns(acts)
    pairs = zip(columns[rows].T, weights[rows].T, strict=True)
    return sum(take(column) * weight for column, weight in pairs)


def log_jacobian(design: Design, effects: Array, exponent: Array) -> Array:
    """Return the summed log Jacobian (S,) of the regulated rows, from effects (S, q)."""
    return np.asarray(row_log_jacobians(design, effects, exponent)[1].sum(axis=1))


def row_log_jacobians(design: Design, effects: Array, exponent: Array) -> tuple[IntArray, Array]:
    """Return the R regulated rows and their log Jacobians (S, R), from effects (S, q)."""
    fan, power = regulated_rows(design)
    at = sensitivities(design, lambda columns: effects[:, columns], exponent[:, None])
    per_rpm = design.power_ratio[fan] * at.fan * at.per_rpm
    per_watt = at.power / design.reference.power_w
    positive = np.hstack(
        [
            np.broadcast_to(per_rpm, (len(exponent), len(fan))),
            np.broadcast_to(per_watt, (len(exponent), len(power))),
        ]
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.where(positive > 0, np.log(positive), -np.inf)
    return np.concatenate([fan, power]), logs


def in_kelvin(design: Design, effects: Any, exponent: Any) -> tuple[Any, Any]:
    """Return the Jacobians of the rows held by fan and by power in kelvin, as graphs."""
    fan, _ = regulated_rows(design)
    at = sensitivities(design, lambda columns: effects[columns], exponent)
    return at.fan * at.per_rpm * design.flow_speed[fan], at.power
