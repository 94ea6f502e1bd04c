"""Build the linear model's arrays from results rows.

For sensor rows i (design section 3), with everything in K at reference power:

    T_i - A_i = p_i · [ r_i + s_i · (g_i - 1) + w_i · k_i ] + (1 - p_i) · u_i + e_i

p_i is board power over its reference. r_i is the sum of the resistance terms' effects,
s_i that of the airflow terms', g_i the airflow law's factor at the row's fan speed. w_i is
what a cooler's exponent differs, times s_i, and k_i the law's slope along the exponent at
its prior mean: the exponent per cooler to first order. u_i is the part of the rise that
stays when board power changes, such as that of memory, whose own heat does not follow it.
Errors that the runs of a bench share add columns of their own, see `measurement_error`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, cast

import numpy as np

from thermcmp._types import Array, BoolArray, IntArray
from thermcmp.errors import ModelError
from thermcmp.model.measurement_error import (
    MeasurementError,
    SetPoints,
    SharedErrors,
    fan_set_points,
    power_set_points,
    shared_errors,
    stated_errors,
)
from thermcmp.model.named_priors import stated_priors
from thermcmp.model.observation import DEGREES, Residuals, Steps
from thermcmp.model.pairs import Pairs, open_pairs
from thermcmp.model.priors import Gamma, HalfNormal, Normal, Prior, PriorSet
from thermcmp.model.regulated import Regulated, informing_note
from thermcmp.model.rows import (
    LeftOut,
    covariate_values,
    level_keys,
    one_sensor,
    usable_rows,
    with_derived,
)
from thermcmp.model.terms import (
    BENCH,
    DERIVED,
    HOURS,
    LAB_PRODUCT,
    TYPICAL_RISE_K,
    Acts,
    Role,
    Term,
)
from thermcmp.model.unstated import is_of_no_room, is_unstated, unstated_errors, unstated_notes
from thermcmp.physics.noise_law import FAN_SOUND_LAW, NoiseLaw
from thermcmp.tabular.names import counted

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    import pandas as pd

    from thermcmp.physics.airflow import AirflowLaw


BASELINE: Final = "baseline"
AIRFLOW_BASELINE: Final = "airflow baseline"
EXPONENT: Final = "airflow exponent"
CONSTANT: Final = "constant part"
RESIDUAL: Final = "residual sd"
#: Why a term is left out whose spread the scatter then has, too.
_COUNTED: Final = (
    "one run per level, so its spread cannot be separated from the run-to-run scatter and is "
    "counted there. Repeat a run without a teardown to separate them."
)
#: Effects without a spread, first of all columns, and what they act on.
FIXED: Final = {
    BASELINE: Acts.RESISTANCE,
    AIRFLOW_BASELINE: Acts.AIRFLOW,
    CONSTANT: Acts.CONSTANT,
}
#: Level of a covariate with one slope.
PER_UNIT: Final = "per unit"
#: Least typical rise to which priors are scaled [K].
LEAST_RISE_K: Final = 2.0
#: Errors that the runs of a bench share, in units of their standard errors; after those.
SHARED: Final = "shared error"
#: Sensors at the processor, whose heat follows board power closely; others may have heat of
#: their own (common practice, no source).
PROCESSOR_SENSORS: Final = ("junction", "edge", "hot spot", "hotspot", "processor", "die")


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
    #: What a row's effect of a term is multiplied by: 1, or a covariate's value less its
    #: centre; shape (n, K).
    values: Array
    centres: tuple[float, ...]  #: centre of each term's values, 0 where it has none
    rise_k: Array  #: response, shape (n,)
    power_ratio: Array  #: power as set over reference power, shape (n,)
    flow_speed: Array  #: the airflow law's column as set, shape (n,)
    #: Variance known beforehand (within-run error and reading step) [K²], shape (n,).
    known_variance: Array
    #: 1 where the run-to-run variance applies, 0 for a published summary, whose stated error
    #: already contains it; shape (n,).
    run_scatter: Array
    #: Reading step of single runs, 0 where unknown; of an interval its width; shape (n,).
    step_k: Array
    at_limit: BoolArray  #: readings at the limit or the floor: bounds of the temperature, (n,)
    law: AirflowLaw
    reference: Reference
    priors: PriorSet
    shared: SharedErrors
    left_out: tuple[LeftOut, ...]
    notes: tuple[str, ...]  #: decisions taken from the data, in plain words
    residuals: Residuals = Residuals.NORMAL
    steps: Steps = Steps.VARIANCE
    errors: MeasurementError = field(default_factory=MeasurementError)
    noise: NoiseLaw = FAN_SOUND_LAW  #: by which its runs' noise is fitted on first use

    @property
    def fixed_priors(self) -> tuple[Prior, ...]:
        """Priors of the effects without a spread: those of `FIXED`, then the shared errors."""
        return (*(self.priors[name] for name in FIXED), *(Normal(0.0, 1.0),) * self.shared.count)

    @property
    def at_floor(self) -> BoolArray:
        """Those of them that are upper bounds, shape (n,)."""
        return self.rows["at_floor"].to_numpy(bool)

    @property
    def is_between(self) -> BoolArray:
        """Rows that are known to lie between two temperatures, shape (n,)."""
        return self.rows["temperature_high_c"].notna().to_numpy(bool)

    @property
    def side(self) -> Array:
        """Sign of a bound: 1 where the temperature is at least the reading, -1 at most; (n,)."""
        return np.where(self.at_floor, -1.0, 1.0)

    @property
    def measured_rows(self) -> pd.DataFrame:
        """The rows without the columns that were worked out from them."""
        return self.rows[[name for name in self.rows if not str(name).startswith(DERIVED)]]

    @property
    def offsets(self) -> tuple[int, ...]:
        """First effect column of each term; those without a spread stand before them."""
        sizes = [len(levels) for levels in self.levels]
        return tuple(int(v) for v in np.cumsum([len(self.fixed_priors), *sizes])[:-1])

    @property
    def effect_count(self) -> int:
        """Number of effect columns, the fixed ones included."""
        return len(self.fixed_priors) + sum(len(levels) for levels in self.levels)

    @property
    def prior_mean(self) -> Array:
        """Prior means of the terms' effects, the fixed ones left out, shape (q - F,)."""
        sizes = [len(levels) for levels in self.levels]
        return np.repeat([term.prior_mean for term in self.terms], sizes)

    @property
    def acts(self) -> tuple[Acts, ...]:
        """What the effects without a spread and then the terms act on."""
        errors = (Acts.INSTRUMENT,) * self.shared.count
        return (*FIXED.values(), *errors, *(term.acts for term in self.terms))

    @property
    def flow(self) -> BoolArray:
        """Which of them are multiplied by `airflow`, shape (F + K,)."""
        return np.array([acts is Acts.AIRFLOW for acts in self.acts])

    @property
    def coefficients(self) -> Array:
        """Coefficients of the rows apart from `airflow`, shape (n, F + K)."""
        by_acts = self.coefficients_at(self.flow_speed, self.power_ratio)
        columns = np.empty((len(self.rise_k), len(self.acts)))
        for place, acts in enumerate(self.acts):
            columns[:, place] = by_acts[acts]
        first = len(self.fixed_priors)
        columns[:, len(FIXED) : first] = self.shared.effect_k
        columns[:, first:] *= self.values
        return columns

    def coefficients_at(self, flow_speed: Any, power_ratio: Any) -> dict[Acts, Any]:
        """Coefficient of effects by what they act on, apart from `airflow`."""
        return {
            Acts.RESISTANCE: power_ratio,
            Acts.AIRFLOW: power_ratio,
            Acts.EXPONENT: power_ratio * self.bend(flow_speed),
            Acts.CONSTANT: 1.0 - power_ratio,
            # A card at stated conditions is read by no instrument.
            Acts.INSTRUMENT: 0.0,
        }

    def per_power_at(self, flow_speed: Any) -> dict[Acts, Any]:
        """Change of those coefficients as power goes from none to its reference."""
        full, none = (self.coefficients_at(flow_speed, share) for share in (1.0, 0.0))
        return {acts: full[acts] - none[acts] for acts in full}

    def bend(self, flow_speed: Any) -> Any:
        """Slope of the airflow factor along the exponent, at its prior mean."""
        return self.law.slope(flow_speed, self.reference.flow_speed, self.law.exponent_prior_mean)

    def airflow(self, flow_speed: Any, exponent: Any) -> Any:
        """Return the airflow factor less one; NumPy arrays or PyTensor variables broadcast."""
        return self.law.factor(flow_speed, self.reference.flow_speed, exponent) - 1.0

    def part_columns(self, acts: Acts, *, factors_only: bool = False) -> tuple[IntArray, Array]:
        """Return the effect columns of one part of each row's rise, (n, a), and their weights."""
        ones = np.ones(len(self.index))
        columns: list[tuple[Array, Array]] = [
            (place * ones, ones)
            for place, fixed_acts in enumerate(FIXED.values())
            if fixed_acts is acts
        ]
        columns += [
            (start + self.index[:, k].astype(float), self.values[:, k])
            for k, (term, start) in enumerate(zip(self.terms, self.offsets, strict=True))
            if term.acts is acts and (term.role is Role.FACTOR or not factors_only)
        ]
        if not columns:
            return np.empty((len(self.index), 0), np.intp), np.empty((len(self.index), 0))
        places, weights = zip(*columns, strict=True)
        return np.stack(places, axis=1).astype(np.intp), np.stack(weights, axis=1)

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
    noise: NoiseLaw = FAN_SOUND_LAW,
    reference: Reference | None = None,
    priors: str | Mapping[str, Prior] | None = None,
    residuals: Residuals = Residuals.NORMAL,
    steps: Steps = Steps.VARIANCE,
    regulated: Regulated = Regulated.INFORM,
    errors: MeasurementError | None = None,
) -> Design:
    """Return the design of a fit to results rows."""
    rows, sensor = one_sensor(results, sensor)
    rows, left_out = usable_rows(rows, law, regulated)
    if len(rows) < 2:
        raise ModelError("A fit needs at least two usable runs. Fix: add runs.")
    rows, derived_notes = with_derived(rows, is_of_no_room(rows))
    errors = errors or MeasurementError()
    fan, watts = _set_points(rows, law, errors)
    reference = reference or Reference(*(nice(float(np.median(x.values))) for x in (watts, fan)))
    published = rows["n"].fillna(1).to_numpy(float) > 1
    chosen, counted, notes = _chosen_terms(rows, terms, published)
    kept = tuple(each.term for each in chosen)
    rise_k = (rows["temperature_c"] - rows["ambient_c"]).to_numpy(float) + 0.5 * _width(rows)
    typical_k = nice(max(float(np.median(rise_k)), LEAST_RISE_K))
    defaults = default_priors(kept, law, residuals, sensor, typical_k, counted)
    chosen_priors = defaults.changed(stated_priors(priors, defaults))
    power_ratio = watts.values / reference.power_w
    average = _average_cooler(law, reference, chosen_priors)
    responses = _responses(rows, rise_k, power_ratio, fan.values, average)
    return Design(
        rows=rows,
        sensor=sensor,
        terms=kept,
        levels=tuple(each.levels for each in chosen),
        index=np.array([each.index for each in chosen], np.intp).reshape(-1, len(rows)).T,
        values=np.array([each.values for each in chosen]).reshape(-1, len(rows)).T,
        centres=tuple(each.centre for each in chosen),
        rise_k=rise_k,
        power_ratio=power_ratio,
        flow_speed=fan.values,
        known_variance=_known_variance(rows, errors, (fan, watts), responses),
        run_scatter=np.where(published, 0.0, 1.0),
        # A mean of several runs is not a multiple of the step.
        step_k=np.where(published & (_width(rows) == 0.0), 0.0, _step(rows)),
        at_limit=rows["at_limit"].to_numpy(bool) | rows["at_floor"].to_numpy(bool),
        law=law,
        noise=noise,
        reference=reference,
        priors=chosen_priors,
        left_out=left_out,
        notes=(*derived_notes, *notes, *_row_notes(rows, fan, residuals), *unstated_notes(rows)),
        residuals=residuals,
        steps=steps,
        shared=shared_errors(
            stated_errors(rows, errors) | unstated_errors(rows, law.column), *responses
        ),
        errors=errors,
    )


def _set_points(
    rows: pd.DataFrame, law: AirflowLaw, errors: MeasurementError
) -> tuple[SetPoints, SetPoints]:
    """Return fan speed and power as set; of regulated and of unstated rows each by itself."""
    held = rows["regulated"].to_numpy(bool)
    fan_alone, power_alone = (held | is_unstated(rows, name) for name in (law.column, "power_w"))
    fan = fan_set_points(rows, law.column, errors.fan_speed, fan_alone)
    return fan, power_set_points(rows, errors.power, power_alone, fan)


def _width(rows: pd.DataFrame) -> Array:
    """Return the width of rows known to lie between two temperatures, else 0, (n,) [K]."""
    return np.nan_to_num((rows["temperature_high_c"] - rows["temperature_c"]).to_numpy(float))


def _step(rows: pd.DataFrame) -> Array:
    """Return the step of each reading, or the width of its interval, (n,) [K]."""
    step_k, width_k = rows["resolution_k"].to_numpy(float, na_value=0.0), _width(rows)
    return np.where(width_k > 0.0, width_k, step_k)


def _row_notes(rows: pd.DataFrame, fan: SetPoints, residuals: Residuals) -> list[str]:
    """Return what was decided of regulated runs, of answering fans and of the scatter."""
    notes = [note] if (note := informing_note(rows)) else []
    if answered := int(fan.answers.sum()):
        notes.append(
            f"{counted(answered, 'run')} taken at the mean fan speed of the set point, since the "
            "fan may answer the temperature: stock runs, or runs with a faster fan where it was "
            "hotter."
        )
    if residuals is Residuals.STUDENT:
        notes.append(
            "Scatter: Student's t, of which residual sd is the scale; published summaries "
            "keep their normal error."
        )
    return notes


def _known_variance(
    rows: pd.DataFrame,
    errors: MeasurementError,
    set_points: tuple[SetPoints, SetPoints],
    responses: tuple[Array, Array],
) -> Array:
    """Return each row's variance that is known beforehand, (n,) [K²]; pairs are fan and power."""
    within_k, air_k = (
        rows[name].to_numpy(float, na_value=0.0) for name in ("standard_error_k", "ambient_error_k")
    )
    step_k = _step(rows)
    # A reading rounded to a step has the variance step²/12 (GUM, JCGM 100:2008 F.2.2.1).
    known = within_k**2 + step_k**2 / 12.0 + errors.ambient_k**2 + air_k**2
    for readings, response_k in zip(set_points, responses, strict=True):
        known += response_k**2 * readings.left
    return np.asarray(known)


def _average_cooler(
    law: AirflowLaw, reference: Reference, priors: PriorSet
) -> Callable[[Array], Array]:
    """Return an average cooler's convective part, less that at the reference, by speed [K]."""
    convective = cast("Normal", priors[AIRFLOW_BASELINE])

    def part_k(speed: Array) -> Array:
        factor = law.factor(speed, reference.flow_speed, law.exponent_prior_mean)
        return np.asarray(convective.mean * (factor - 1.0))

    return part_k


def _responses(
    rows: pd.DataFrame,
    rise_k: Array,
    power_ratio: Array,
    speed: Array,
    convective: Callable[[Array], Array],
) -> tuple[Array, Array]:
    """Return the rise's change per relative change of fan speed and of power, (n,) each [K].

    `convective` is an average cooler's convective part at fan speeds [K]. The rise is level with
    the mean of its cooler and board: an error in proportion to a row's own reading would explain
    its run-to-run scatter.
    """
    import pandas as pd

    step, moved = 1e-5, convective(speed)
    slope = (convective(speed * (1.0 + step)) - convective(speed * (1.0 - step))) / (2.0 * step)
    pair = level_keys(rows, ("cooler_model", "board_model")).to_numpy()
    level = pd.Series(rise_k / power_ratio - moved).groupby(pair).transform("mean").to_numpy()
    return power_ratio * slope, power_ratio * (level + moved)


def default_priors(
    terms: Sequence[Term],
    law: AirflowLaw,
    residuals: Residuals = Residuals.NORMAL,
    sensor: str = "",
    rise_k: float = TYPICAL_RISE_K,
    counted: Sequence[Term] = (),
) -> PriorSet:
    """Return weakly informative priors, in K at reference power, for rows of a typical rise.

    The scatter is as open as the widest of the spreads that are counted in it.
    """
    factor = rise_k / TYPICAL_RISE_K
    # Sensors and thermometers scatter whatever the rise, loads in proportion to it.
    own = HalfNormal(max(1.0, factor))
    scatter = max(
        (own, *(term.spread_prior(rise_k) for term in counted)),
        key=lambda prior: prior.standard_deviation,
    )
    constant = (0.0, 3.0) if sensor.lower() in PROCESSOR_SENSORS else (10.0, 10.0)
    fixed: list[tuple[str, Prior, str]] = [
        (BASELINE, _normal(50.0, 50.0, factor), "rise at reference power and fan speed [K]"),
        (AIRFLOW_BASELINE, _normal(30.0, 20.0, factor), "convective part of the rise [K]"),
        (
            CONSTANT,
            _normal(*constant, factor),
            "part of the rise that stays when board power changes [K]",
        ),
        (
            EXPONENT,
            Normal(law.exponent_prior_mean, law.exponent_prior_sd),
            f"exponent of the {law.name}",
        ),
        (RESIDUAL, scatter, "run-to-run standard deviation [K]"),
    ]
    if residuals is Residuals.STUDENT:
        fixed[-1] = (RESIDUAL, fixed[-1][1], "scale of the run-to-run scatter [K]")
        fixed.append((DEGREES, Gamma(2.0, 0.1), "degrees of freedom of the scatter"))
    return PriorSet(
        (
            *fixed,
            *(
                (t.spread, t.spread_prior(rise_k), f"{t.meaning}: standard deviation [K]")
                for t in terms
            ),
        )
    )


def _normal(mean: float, sd: float, factor: float) -> Normal:
    return Normal(mean * factor, sd * factor)


@dataclass(frozen=True, slots=True, eq=False)
class _Chosen:
    """A term of the fit: its levels, the rows' levels (n,) and what multiplies its effects (n,)."""

    term: Term
    levels: tuple[str, ...]
    index: IntArray
    values: Array
    centre: float = 0.0


def _chosen_terms(
    rows: pd.DataFrame, terms: Sequence[Term], published: BoolArray
) -> tuple[list[_Chosen], list[Term], list[str]]:
    """Return the terms that the rows inform, those counted in the scatter, and notes on others."""
    import pandas as pd

    kept: list[_Chosen] = []
    counted: list[Term] = []
    notes: list[str] = []
    for term in terms:
        codes, names = np.zeros(len(rows), np.intp), [PER_UNIT]
        if term.columns:
            codes, unique = pd.factorize(level_keys(rows, term.columns), sort=True)
            names = [str(name) for name in unique]
        if str(term.values).startswith(DERIVED) and term.values not in rows:
            if term.values == HOURS:
                notes.append(f"{term.name}: not every run states its start, so none is estimated.")
            continue
        if term.values is not None:
            values, centre = covariate_values(rows, term)
            if np.ptp(values) == 0.0:
                notes.append(f"{term.name}: the same value in every run, so no effect to estimate.")
                continue
            kept.append(_Chosen(term, tuple(names), codes, values, centre))
            continue
        pairs = open_pairs(rows, term.columns) if term.role is Role.PAIRING else None
        if pairs is not None:
            # Pairs that were never assembled have an effect too, of which only the spread is known.
            names += pairs.open
        against = _reason_against(rows, term, names, pairs, published)
        if term.name == LAB_PRODUCT and not against:
            against = _lab_product_reason(rows, term, len(names), terms)
        if against:
            notes.append(f"{term.name}: {against}")
            counted += [term] if against == _COUNTED else []
        else:
            ones = np.ones(len(rows))
            kept.append(_Chosen(term, tuple(names), codes.astype(np.intp), ones))
    return kept, counted, notes


def _reason_against(
    rows: pd.DataFrame,
    term: Term,
    names: Sequence[str],
    pairs: Pairs | None,
    published: BoolArray,
) -> str:
    """Return why the rows do not inform a term of these levels; "" where they do."""
    if len(names) < 2:
        return f"one level only ({names[0]}), so no effect to estimate."
    if term.name == BENCH and len(names) == rows["lab"].nunique(dropna=False):
        return "one bench per laboratory, whose effect includes it."
    if pairs is not None and not pairs.crossed:
        return (
            "no two of its partners share a part, so what depends on the partner counts as an "
            "effect of the parts."
        )
    if len(names) == len(rows) and term.role is Role.NUISANCE and not published.any():
        return _COUNTED
    return ""


def _lab_product_reason(rows: pd.DataFrame, term: Term, levels: int, terms: Sequence[Term]) -> str:
    """Return why what one laboratory adds to one product is not separable from other effects."""
    if not open_pairs(rows, term.columns).crossed:
        return "no two laboratories share products, so it counts as an effect of these."
    assembly = next((other for other in terms if other.name == "assembly"), None)
    if assembly is not None and levels == level_keys(rows, assembly.columns).nunique():
        return "one assembly of a product at each laboratory, whose effect includes it."
    return ""
