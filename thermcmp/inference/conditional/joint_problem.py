"""Several sensors' designs as one problem, with effects that go together."""

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
    """One linear problem of several sensors.

    Attributes
    ----------
    problem : GaussianProblem
        Rows of all sensors, one set each; effects and spreads of the first sensor first.
    priors : tuple of Prior
        Of the exponents, the spreads, the residuals and the partial correlations.
    effects, spreads : tuple of slice
        Where each sensor's effects and spreads stand.
    members : tuple of tuple of int
        The sensors that each link correlates.
    """

    problem: GaussianProblem
    priors: tuple[Prior, ...]
    effects: tuple[slice, ...]
    spreads: tuple[slice, ...]
    members: tuple[tuple[int, ...], ...]


def joint_problem(designs: Sequence[Design], together: Sequence[str], shape: float) -> JointProblem:
    """Stack the designs of several sensors."""
    parts = [thermal_problem(design)[0] for design in designs]
    effects = _slices([part.effect_count for part in parts])
    spreads = _slices([len(design.terms) for design in designs])
    links, members = [], []
    for name in together:
        link, mine = _link(designs, effects, name)
        links.append(link)
        members.append(mine)
    columns, values, flow = _places(parts, effects)
    rows = _slices([len(part.y) for part in parts])

    def of_rows(terms: Sequence[AirflowTerm | None], exponent: Array) -> Array:
        whole = np.broadcast_to(exponent, (rows[-1].stop, exponent.shape[1]))
        pieces = [
            term(whole[mine])
            for term, mine in zip(terms, rows, strict=True)
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
                np.where(part.scale_of < 0, -1, part.scale_of + mine.start)
                for part, mine in zip(parts, spreads, strict=True)
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
        links=tuple(links),
    )
    priors = (
        *(d.priors[EXPONENT] for d in designs),
        *(d.priors[term.spread] for d in designs for term in d.terms),
        *(d.priors[RESIDUAL] for d in designs),
        *(prior for mine in members for prior in correlation_priors(len(mine), shape)),
    )
    return JointProblem(problem, priors, effects, spreads, tuple(members))


def _slices(sizes: Sequence[int]) -> tuple[slice, ...]:
    ends = np.cumsum(sizes)
    return tuple(slice(int(end - size), int(end)) for end, size in zip(ends, sizes, strict=True))


def _link(
    designs: Sequence[Design], effects: Sequence[slice], name: str
) -> tuple[Link, tuple[int, ...]]:
    """The levels of one term in the sensors that have it, by which of them have the level."""
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
    for found in columns.values():
        blocks.setdefault(tuple(found), []).append(list(found.values()))
    return (
        Link(
            len(members),
            tuple(
                (np.array(which, np.intp), np.array(stand, np.intp))
                for which, stand in blocks.items()
                if len(which) > 1
            ),
        ),
        tuple(members),
    )


def _places(
    parts: Sequence[GaussianProblem], effects: Sequence[slice]
) -> tuple[IntArray, Array, BoolArray]:
    """Places of all rows: the still ones first, then those on airflow, padded with zeros.

    Every row has as many places of each kind as the sensor with the most; a place that
    a sensor has no term for points to its baseline with a coefficient of zero.
    """
    width = [max(int(np.sum(part.flow == side)) for part in parts) for side in (False, True)]
    columns, values = [], []
    for part, mine in zip(parts, effects, strict=True):
        n = len(part.y)
        for side, wide in zip((False, True), width, strict=True):
            have = part.flow == side
            more = wide - int(have.sum())
            columns.append(np.hstack([part.columns[:, have], np.zeros((n, more), np.intp)]))
            columns[-1] += mine.start
            values.append(np.hstack([part.values[:, have], np.zeros((n, more))]))
    stacked = [
        np.vstack([np.hstack(pair) for pair in zip(x[::2], x[1::2], strict=True)])
        for x in (columns, values)
    ]
    return stacked[0].astype(np.intp), stacked[1], np.repeat([False, True], width)
