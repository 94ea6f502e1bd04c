"""Designs of several sensors as one problem with correlated effects."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from thermcmp._types import Array, BoolArray, IntArray
from thermcmp.inference.conditional.problem import (
    AirflowTerm,
    GaussianProblem,
    Link,
    thermal_problem,
)
from thermcmp.model.design import EXPONENT, RESIDUAL, Design
from thermcmp.model.priors import Prior, correlation_priors


@dataclass(frozen=True, slots=True, eq=False)
class JointProblem:
    """One linear problem of several sensors, in their order."""

    problem: GaussianProblem  #: one set of rows per sensor
    priors: tuple[Prior, ...]  #: of exponents, spreads, residuals and partial correlations
    effects: tuple[slice, ...]  #: effects of each sensor
    spreads: tuple[slice, ...]  #: spreads of each sensor
    members: tuple[tuple[int, ...], ...]  #: sensors that each link correlates


def joint_problem(designs: Sequence[Design], together: Sequence[str], shape: float) -> JointProblem:
    """Return the designs of several sensors as one problem."""
    parts = [thermal_problem(design)[0] for design in designs]
    effects = _slices([part.effect_count for part in parts])
    spreads = _slices([len(design.terms) for design in designs])
    linked = [_link(designs, effects, name) for name in together]
    members = tuple(sensors for _, sensors in linked)
    columns, values, flow = _places(parts, effects)
    rows = _slices([len(part.y) for part in parts])

    def of_rows(terms: Sequence[AirflowTerm | None], exponent: Array) -> Array:
        whole = np.broadcast_to(exponent, (rows[-1].stop, exponent.shape[1]))
        pieces = [
            term(whole[part])
            for term, part in zip(terms, rows, strict=True)
            if term is not None  # a thermal problem always has one
        ]
        return np.concatenate(pieces)

    problem = GaussianProblem(
        y=np.concatenate([part.y for part in parts]),
        known_variance=np.concatenate([part.known_variance for part in parts]),
        run_scatter=np.concatenate([part.run_scatter for part in parts]),
        columns=columns,
        values=values,
        flow=flow,
        scale_of=np.concatenate(
            [
                np.where(part.scale_of < 0, -1, part.scale_of + spread.start)
                for part, spread in zip(parts, spreads, strict=True)
            ]
        ),
        fixed_mean=np.concatenate([part.fixed_mean for part in parts]),
        fixed_sd=np.concatenate([part.fixed_sd for part in parts]),
        spreads=(
            *(f"{d.sensor}: {term.spread}" for d in designs for term in d.terms),
            *(f"{d.sensor}: {RESIDUAL}" for d in designs),
        ),
        airflow=lambda exponent: of_rows([part.airflow for part in parts], exponent),
        airflow_slope=lambda exponent: of_rows([part.airflow_slope for part in parts], exponent),
        set_of=np.repeat(np.arange(len(parts)), [len(part.y) for part in parts]),
        links=tuple(link for link, _ in linked),
    )
    priors = (
        *(d.priors[EXPONENT] for d in designs),
        *(d.priors[term.spread] for d in designs for term in d.terms),
        *(d.priors[RESIDUAL] for d in designs),
        *(prior for sensors in members for prior in correlation_priors(len(sensors), shape)),
    )
    return JointProblem(problem, priors, effects, spreads, members)


def _slices(sizes: Sequence[int]) -> tuple[slice, ...]:
    ends = np.cumsum(sizes)
    return tuple(slice(int(end - size), int(end)) for end, size in zip(ends, sizes, strict=True))


def _link(
    designs: Sequence[Design], effects: Sequence[slice], name: str
) -> tuple[Link, tuple[int, ...]]:
    """Return the link of one term, its levels by the sensors that have them, and these sensors."""
    columns: dict[str, dict[int, int]] = {}
    members = [i for i, design in enumerate(designs) if design.term_position(name) is not None]
    for member, sensor in enumerate(members):
        design = designs[sensor]
        place = design.term_position(name)
        if place is None:
            continue
        first = effects[sensor].start + design.offsets[place]
        for number, level in enumerate(design.levels[place]):
            columns.setdefault(level, {})[member] = first + number
    blocks: dict[tuple[int, ...], list[list[int]]] = {}
    for by_member in columns.values():
        blocks.setdefault(tuple(by_member), []).append(list(by_member.values()))
    return (
        Link(
            len(members),
            tuple(
                (np.array(which, np.intp), np.array(level_columns, np.intp))
                for which, level_columns in blocks.items()
                if len(which) > 1
            ),
        ),
        tuple(members),
    )


def _places(
    parts: Sequence[GaussianProblem], effects: Sequence[slice]
) -> tuple[IntArray, Array, BoolArray]:
    """Return effect columns, coefficients and airflow flags of all rows' places.

    Places on resistance come first, then those on airflow. A sensor with fewer terms is padded
    with coefficients of zero.
    """
    width = [max(int(np.sum(part.flow == side)) for part in parts) for side in (False, True)]
    columns, values = [], []
    for part, effect in zip(parts, effects, strict=True):
        n = len(part.y)
        for side, wide in zip((False, True), width, strict=True):
            is_side = part.flow == side
            more = wide - int(is_side.sum())
            columns.append(np.hstack([part.columns[:, is_side], np.zeros((n, more), np.intp)]))
            columns[-1] += effect.start
            values.append(np.hstack([part.values[:, is_side], np.zeros((n, more))]))
    stacked = [
        np.vstack([np.hstack(pair) for pair in zip(x[::2], x[1::2], strict=True)])
        for x in (columns, values)
    ]
    return stacked[0].astype(np.intp), stacked[1], np.repeat([False, True], width)
