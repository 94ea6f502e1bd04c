"""Build the linear model's arrays from results rows.

For sensor rows i (design section 3), with everything in K at reference power:

    T_i - A_i = P_i/P_ref · [ r_i + s_i · (g_i - 1) ] + e_i

r_i is the sum of the resistance terms' effects, s_i that of the airflow terms',
g_i the airflow law's factor at the row's fan speed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from thermcmp._types import Array, BoolArray, IntArray
from thermcmp.errors import ModelError
from thermcmp.model.observation import DEGREES, Residuals, Steps
from thermcmp.model.priors import Gamma, HalfNormal, Normal, Prior, PriorSet
from thermcmp.model.regulated import Regulated, informing_note
from thermcmp.model.rows import LeftOut, level_keys, one_sensor, usable_rows
from thermcmp.model.terms import Role, Term

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

    from thermcmp.physics.airflow import AirflowLaw


BASELINE: Final = "baseline"
AIRFLOW_BASELINE: Final = "airflow baseline"
EXPONENT: Final = "airflow exponent"
RESIDUAL: Final = "residual sd"


@dataclass(frozen=True, slots=True)
class Reference:
    """Reference power and flow speed at which effects are stated."""

    power_w: float
    flow_speed: float  #: in the airflow law's unit (fan speed [rpm] for air)


@dataclass(frozen=True, slots=True, eq=False)
class Design:
    """The arrays of one fit: n rows of one sensor, K terms."""

    rows: pd.DataFrame
    sensor: str
    terms: tuple[Term, ...]
    levels: tuple[tuple[str, ...], ...]  #: level names of each term
    index: IntArray  #: level of each row in each term, shape (n, K)
    rise_k: Array  #: response, shape (n,)
    power_ratio: Array  #: power over reference power, shape (n,)
    flow_speed: Array  #: the airflow law's column, shape (n,)
    #: Variance known beforehand (within-run error and reading step) [K²], shape (n,).
    known_variance: Array
    #: 1 where the run-to-run variance applies, 0 for a published summary, whose stated error
    #: already contains it; shape (n,).
    run_scatter: Array
    step_k: Array  #: reading step of single runs, 0 where unknown, shape (n,)
    at_limit: BoolArray  #: readings at the limit: lower bounds of the temperature, shape (n,)
    law: AirflowLaw
    reference: Reference
    priors: PriorSet
    left_out: tuple[LeftOut, ...]
    notes: tuple[str, ...]  #: decisions taken from the data, in plain words
    residuals: Residuals = Residuals.NORMAL
    steps: Steps = Steps.VARIANCE

    @property
    def offsets(self) -> tuple[int, ...]:
        """First effect column of each term; columns 0 and 1 are the two baselines."""
        sizes = [len(levels) for levels in self.levels]
        return (
            tuple(int(v) for v in 2 + np.concatenate([[0], np.cumsum(sizes)[:-1]])) if sizes else ()
        )

    @property
    def effect_count(self) -> int:
        """Number of effect columns, both baselines included."""
        return 2 + sum(len(levels) for levels in self.levels)

    def airflow(self, flow_speed: Any, exponent: Any) -> Any:
        """Return the airflow factor less one; NumPy arrays or PyTensor variables broadcast."""
        return self.law.factor(flow_speed, self.reference.flow_speed, exponent) - 1.0

    def term_position(self, name: str) -> int | None:
        """Return the position of the term of that name, or None if the fit has none."""
        return next((k for k, term in enumerate(self.terms) if term.name == name), None)


def nice(value: float) -> float:
    """Return the value rounded to two significant digits, in steps of five."""
    step = 10.0 ** np.floor(np.log10(value)) / 20.0
    return float(np.round(value / step) * step)


def build_design(  # noqa: PLR0913 - all but the rows are keyword-only
    results: pd.DataFrame,
    *,
    sensor: str | None,
    terms: Sequence[Term],
    law: AirflowLaw,
    reference: Reference | None = None,
    priors: Mapping[str, Prior] | None = None,
    residuals: Residuals = Residuals.NORMAL,
    steps: Steps = Steps.VARIANCE,
    regulated: Regulated = Regulated.INFORM,
) -> Design:
    """Return the design of a fit to results rows."""
    rows, sensor = one_sensor(results, sensor)
    rows, left_out = usable_rows(rows, law, regulated)
    if len(rows) < 2:
        raise ModelError("A fit needs at least two usable runs. Fix: add runs.")
    flow_speed = rows[law.column].to_numpy(float)
    power = rows["power_w"].to_numpy(float)
    reference = reference or Reference(
        nice(float(np.median(power))), nice(float(np.median(flow_speed)))
    )
    kept, levels, index, notes = _chosen_terms(rows, terms)
    se = rows["standard_error_k"].to_numpy(float, na_value=np.nan)
    step = rows["resolution_k"].to_numpy(float, na_value=np.nan)
    # A reading rounded to a step has the variance step²/12 (GUM, JCGM 100:2008 F.2.2.1).
    known = np.nan_to_num(se) ** 2 + np.nan_to_num(step) ** 2 / 12.0
    published = rows["n"].fillna(1).to_numpy(float) > 1
    if note := informing_note(rows):
        notes.append(note)
    if residuals is Residuals.STUDENT:
        notes.append(
            "Scatter: Student's t, of which residual sd is the scale; published summaries "
            "keep their normal error."
        )
    return Design(
        rows=rows,
        sensor=sensor,
        terms=kept,
        levels=levels,
        index=index,
        rise_k=rows["temperature_c"].to_numpy(float) - rows["ambient_c"].to_numpy(float),
        power_ratio=power / reference.power_w,
        flow_speed=flow_speed,
        known_variance=known,
        run_scatter=np.where(published, 0.0, 1.0),
        # A mean of several runs is not a multiple of the step.
        step_k=np.where(published, 0.0, np.nan_to_num(step)),
        at_limit=rows["at_limit"].to_numpy(bool),
        law=law,
        reference=reference,
        priors=default_priors(kept, law, residuals).changed(priors),
        left_out=left_out,
        notes=tuple(notes),
        residuals=residuals,
        steps=steps,
    )


def default_priors(
    terms: Sequence[Term], law: AirflowLaw, residuals: Residuals = Residuals.NORMAL
) -> PriorSet:
    """Return weakly informative priors, in K at reference power."""
    fixed: list[tuple[str, Prior, str]] = [
        (BASELINE, Normal(50.0, 50.0), "rise at reference power and fan speed [K]"),
        (AIRFLOW_BASELINE, Normal(30.0, 20.0), "convective part of the rise [K]"),
        (
            EXPONENT,
            Normal(law.exponent_prior_mean, law.exponent_prior_sd),
            f"exponent of the {law.name}",
        ),
        (RESIDUAL, HalfNormal(1.0), "run-to-run standard deviation [K]"),
    ]
    if residuals is Residuals.STUDENT:
        fixed[-1] = (RESIDUAL, HalfNormal(1.0), "scale of the run-to-run scatter [K]")
        fixed.append((DEGREES, Gamma(2.0, 0.1), "degrees of freedom of the scatter"))
    return PriorSet(
        (*fixed, *((t.spread, t.scale, f"{t.meaning}: standard deviation [K]") for t in terms))
    )


def _chosen_terms(
    rows: pd.DataFrame, terms: Sequence[Term]
) -> tuple[tuple[Term, ...], tuple[tuple[str, ...], ...], IntArray, list[str]]:
    """Return the terms that the rows inform, their levels, the index (n, K), and notes."""
    import pandas as pd

    kept: list[Term] = []
    levels: list[tuple[str, ...]] = []
    index: list[IntArray] = []
    notes: list[str] = []
    for term in terms:
        codes, names = pd.factorize(level_keys(rows, term.columns), sort=True)
        if len(names) < 2:
            notes.append(f"{term.name}: one level only ({names[0]}), so no effect to estimate.")
        elif len(names) == len(rows) and term.role is Role.NUISANCE:
            notes.append(
                f"{term.name}: one run per level, so its spread cannot be separated from the "
                "run-to-run scatter and is counted there. Repeat a run without a teardown to "
                "separate them."
            )
        else:
            kept.append(term)
            levels.append(tuple(str(name) for name in names))
            index.append(codes.astype(np.intp))
    stacked = np.stack(index, axis=1) if index else np.zeros((len(rows), 0), dtype=np.intp)
    return tuple(kept), tuple(levels), stacked, notes
