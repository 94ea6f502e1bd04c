"""Effect terms of a fit; the built-in ones are registered through the same hook as a plug-in's."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from enum import StrEnum
from typing import TYPE_CHECKING, Final

from thermcmp.errors import Fault, InputError
from thermcmp.hooks import PluginWarning, hookimpl, provided
from thermcmp.model.priors import HalfCauchy, HalfNormal, Known, Normal, SpreadPrior
from thermcmp.results.schema import NAMES, in_force

if TYPE_CHECKING:
    import pandas as pd


class Role(StrEnum):
    """Role of a term's levels in the questions."""

    FACTOR = "factor"  #: a cause that questions separate (cooler model, vendor …)
    SPECIMEN = "specimen"  #: one part of a product line
    NUISANCE = "nuisance"  #: assembly, session, laboratory
    ALLOWANCE = "allowance"  #: a cause that other answers allow for, by its prior if need be
    PAIRING = "pairing"  #: what a part's effect differs by on one partner
    COVARIATE = "covariate"  #: a slope along a numeric column


class Acts(StrEnum):
    """Which part of the thermal resistance a term changes."""

    RESISTANCE = "resistance"  #: the whole resistance at the reference fan speed
    AIRFLOW = "airflow"  #: the convective part
    EXPONENT = "exponent"  #: the airflow exponent, to first order
    INSTRUMENT = "instrument"  #: the reading alone: an error that the runs of a bench share
    CONSTANT = "constant"  #: the part of the rise that stays when board power changes


#: Names that the model's own parameters have (in `design`).
RESERVED: Final = frozenset(
    {"baseline", "airflow baseline", "airflow exponent", "constant part", "residual",
     "shared error"}
)  # fmt: skip
#: Endings of the names of a term's parameters and levels.
_PARAMETERS: Final = (" sd", " level")
#: The column that a fit explains.
_RESPONSE: Final = "temperature_c"
#: A column whose letters agree by this ratio with one of the results table is misspelt.
_MISSPELT: Final = 0.88

#: Values of a covariate from here on are no measurements; no part makes more than this [K].
_LARGEST: Final = 1e9
_FARTHEST_K: Final = 200.0

#: Prior of a term's spread where none is stated [K].
_MODERATE: Final = HalfNormal(5.0)


@dataclass(frozen=True, slots=True)
class Term:
    """One group of effects: a zero-mean normal spread over the levels of a factor.

    With `values` it is a numeric covariate: each level's effect is a slope along a column
    of numbers, centred at its mean over the rows.

    Attributes
    ----------
    name : str
        Unique name; also names its coordinate and its spread ``<name> sd``.
    columns : tuple of str
        Results columns whose joint values name a level. A nested factor lists
        the outer one first, so that equal ids under other parents stay apart. Empty for
        a covariate with one slope for all rows.
    role : Role
        What the levels are.
    scale : HalfNormal, HalfCauchy or Normal
        Prior of the standard deviation between levels [K at reference power, for a
        covariate per unit]. A normal prior instead is that of each level's own effect:
        levels are then not shrunk towards each other.
    meaning : str
        Plain words for tables; the name by default.
    acts : Acts
        Which part of the resistance it changes.
    by_default : bool
        Whether a fit includes it when `terms` is not given.
    values : str, optional
        Results column of numbers along which the effects are slopes.
    slope : Normal, optional
        Prior of a covariate's slope [K per unit]; in place of `scale`.
    is_centred : bool
        Whether a covariate's values count from their mean over the rows.
    scales_with_rise : bool
        Whether `scale` is meant for a rise of 50 K and grows with that of the rows.

    Raises
    ------
    InputError
        If `slope` comes without `values`, the term has neither columns nor values, or its
        name is one of the model's parameters.
    """

    name: str
    columns: tuple[str, ...] = ()
    role: Role = Role.FACTOR
    scale: SpreadPrior | Normal = _MODERATE
    meaning: str = ""
    acts: Acts = Acts.RESISTANCE
    by_default: bool = True
    values: str | None = None
    slope: Normal | None = None
    is_centred: bool = True
    scales_with_rise: bool = False

    def __post_init__(self) -> None:
        if isinstance(self.columns, str):
            object.__setattr__(self, "columns", (self.columns,))
        faults = []
        if self.name in RESERVED or self.name.endswith(_PARAMETERS) or "/" in self.name:
            fix = "use a name of its own"
            faults.append(Fault("the model's own name", fix, column="name", value=self.name))
        if _RESPONSE in (*self.columns, self.values):
            fix = "leave it out"
            faults.append(Fault("what the fit explains explains nothing", fix, value=_RESPONSE))
        if self.slope is not None and self.values is None:
            fix = "name the column of numbers with values=, or give scale="
            faults.append(Fault("a slope needs a column of numbers", fix, column="slope"))
        if not self.columns and self.values is None:
            fix = "name the columns of its levels, or a column of numbers with values="
            faults.append(Fault("the term has neither levels nor values", fix, column="columns"))
        if faults:
            raise InputError(f"The term '{self.name}' cannot be used:", faults)
        if self.values is not None and self.role is Role.FACTOR:
            object.__setattr__(self, "role", Role.COVARIATE)
        if not self.meaning:
            object.__setattr__(self, "meaning", self.name)

    @property
    def spread(self) -> str:
        """Name of the parameter that holds the standard deviation between levels."""
        return f"{self.name} sd"

    @property
    def _effect(self) -> SpreadPrior | Normal:
        return self.scale if self.slope is None else self.slope

    @property
    def prior_mean(self) -> float:
        """Prior mean of its effects [K]."""
        return self._effect.mean if isinstance(self._effect, Normal) else 0.0

    def spread_prior(self, rise_k: float) -> SpreadPrior | Known:
        """Return the prior of its standard deviation for rows of some typical rise [K].

        Parameters
        ----------
        rise_k : float
            Typical rise of the rows [K].

        Returns
        -------
        HalfNormal, HalfCauchy or Known
            The prior [K].
        """
        effect, factor = self._effect, rise_k / TYPICAL_RISE_K if self.scales_with_rise else 1.0
        if isinstance(effect, Normal):
            return Known(effect.sd * factor)
        if isinstance(effect, HalfCauchy):
            return HalfCauchy(effect.scale * factor, effect.limit * factor)
        return HalfNormal(effect.scale * factor)


#: Rise for which the priors of the built-in terms are stated [K].
TYPICAL_RISE_K: Final = 50.0
#: No spread is larger than half of that rise [K].
WIDEST_K: Final = 25.0


#: Name of the term of benches.
BENCH: Final = "bench"
#: Name of the slope over a session.
DRIFT: Final = "drift"
#: Name of the term of what one laboratory's bench adds to one product.
LAB_PRODUCT: Final = "lab and product"
#: Name of the term of what a cooler's effect differs by on one vendor's memory.
VENDOR_PAIRING: Final = "cooler and vendor"
#: First letters of columns that a fit works out itself.
DERIVED: Final = "~ "
#: Column of the hours from the middle of a session, by the start times.
HOURS: Final = f"{DERIVED}hours into session"
#: Name of the slope over the sessions of a bench, and its column: the time of a session from the
#: middle of all, as a share of their span. Where parts had times of their own only.
TREND: Final = "trend"
SPAN: Final = f"{DERIVED}share of the bench's time"
#: Name of the slope along the ambient temperature, and its column: tens of kelvins from the mean.
#: Where parts had ambient temperatures of their own only.
AMBIENT: Final = "ambient"
TENS_OF_KELVINS: Final = f"{DERIVED}ambient from mean, 10 K"

#: Name of the slope over the runs of an assembly, and its column: the run's number in its assembly
#: from the mean. Where parts had unlike numbers of runs only.
SETTLING: Final = "settling"
RUNS: Final = f"{DERIVED}runs of the assembly before"


def _built_in(
    name: str,
    columns: Sequence[str],
    role: Role,
    scale: SpreadPrior,
    meaning: str,
    acts: Acts = Acts.RESISTANCE,
) -> Term:
    return Term(name, tuple(columns), role, scale, meaning, acts, scales_with_rise=True)


def _slope(
    name: str, values: str, scale: SpreadPrior, meaning: str, columns: Sequence[str] = ()
) -> Term:
    return Term(
        name,
        tuple(columns),
        Role.NUISANCE,
        scale,
        meaning,
        values=values,
        is_centred=False,
        scales_with_rise=True,
    )


BUILT_IN: Final[tuple[Term, ...]] = (
    _built_in(
        "cooler_model",
        ("cooler_model",),
        Role.FACTOR,
        HalfNormal(10.0),
        "difference between cooler models",
    ),
    _built_in(
        "board_model",
        ("board_model",),
        Role.FACTOR,
        HalfNormal(10.0),
        "difference between board models",
    ),
    _built_in(
        "memory_vendor",
        ("memory_vendor",),
        Role.FACTOR,
        HalfNormal(5.0),
        "difference between memory vendors",
    ),
    _built_in(
        "assembly_kind",
        ("assembly_kind",),
        Role.FACTOR,
        HalfNormal(3.0),
        "factory against bench assembly",
    ),
    _built_in(
        "cooler",
        ("cooler_model", "cooler_id"),
        Role.SPECIMEN,
        HalfNormal(2.0),
        "specimens of one cooler model",
    ),
    _built_in(
        "board",
        ("board_model", "board_id"),
        Role.SPECIMEN,
        HalfNormal(2.0),
        "specimens of one board model",
    ),
    # Where one assembly stands for a pair of parts nothing says how far the next would be from
    # it: the long tail keeps up to 5 K open, and a few assemblies close it (docs/model.md).
    _built_in(
        "assembly",
        ("lab", "assembly"),
        Role.NUISANCE,
        HalfCauchy(2.0, WIDEST_K),
        "assemblies of the same parts (reassembly)",
    ),
    _built_in(
        "session",
        ("lab", "session"),
        Role.NUISANCE,
        HalfCauchy(1.2, WIDEST_K),
        "sessions at one bench",
    ),
    _built_in("lab", ("lab",), Role.NUISANCE, HalfCauchy(1.5, WIDEST_K), "laboratories"),
    _built_in(BENCH, ("lab", "bench"), Role.NUISANCE, HalfCauchy(1.2, WIDEST_K), "benches"),
    # A bench may favour a cooler: its air, its case, how it holds the card.
    _built_in(
        LAB_PRODUCT,
        ("lab", "cooler_model", "board_model"),
        Role.NUISANCE,
        HalfCauchy(0.5, WIDEST_K),
        "what a product differs by at one laboratory",
    ),
    # Near zero where pairs agree, free where they do not.
    _built_in(
        "pairing",
        ("cooler_model", "board_model"),
        Role.PAIRING,
        HalfCauchy(0.7, WIDEST_K),
        "what a cooler's effect differs by on one board",
    ),
    # Pads as high as one vendor's modules need; on request, since few benches cross them.
    replace(
        _built_in(
            VENDOR_PAIRING,
            ("cooler_model", "memory_vendor"),
            Role.PAIRING,
            HalfCauchy(0.7, WIDEST_K),
            "what a cooler's effect differs by on one vendor's memory",
        ),
        by_default=False,
    ),
    _built_in(
        "cooler_model airflow",
        ("cooler_model",),
        Role.FACTOR,
        HalfNormal(15.0),
        "difference between cooler models in the convective part",
        Acts.AIRFLOW,
    ),
    _built_in(
        "cooler airflow",
        ("cooler_model", "cooler_id"),
        Role.SPECIMEN,
        HalfNormal(2.0),
        "specimens of one cooler model in the convective part",
        Acts.AIRFLOW,
    ),
    # Exponents of coolers differ by some 0.15 (0.5 laminar to 0.8 turbulent), of a convective
    # part of some 27 K.
    _built_in(
        "cooler_model exponent",
        ("cooler_model",),
        Role.FACTOR,
        HalfNormal(4.0),
        "difference between cooler models in the airflow exponent, times the convective part",
        Acts.EXPONENT,
    ),
    _slope(DRIFT, HOURS, HalfCauchy(0.25, 5.0), "drift over a session, per hour"),
    _slope(
        TREND, SPAN, HalfCauchy(2.0, WIDEST_K), "trend over a bench's sessions", ("lab", "bench")
    ),
    # Air properties and radiation change a rise by 0.1 to 0.2 % per kelvin.
    _slope(AMBIENT, TENS_OF_KELVINS, HalfCauchy(1.0, 10.0), "ambient temperature, per 10 K"),
    # Paste that pumps out or beds in, pads that creep (common practice, no source).
    _slope(SETTLING, RUNS, HalfCauchy(0.1, 5.0), "settling of an assembly, per run"),
    # Voltages, memory timings, the split of power among parts: whatever a firmware changes
    # that fan speed and power do not show.
    _built_in(
        "firmware",
        ("firmware",),
        Role.ALLOWANCE,
        HalfNormal(1.5),
        "what firmware does beyond fan speed and power",
    ),
)


@hookimpl
def thermcmp_terms() -> Sequence[Term]:
    """Register the built-in terms."""
    return BUILT_IN


def faults_of_terms(term: Term) -> list[Fault]:
    """Return what is wrong with a plug-in's term: its types, its columns, its prior."""
    if not isinstance(term, Term):
        return [Fault(f"a value of type {type(term).__name__}", "build it with thermcmp.Term")]
    columns, kinds = term.columns, (HalfNormal, HalfCauchy, Normal)
    if not isinstance(columns, tuple) or not all(isinstance(name, str) for name in columns):
        return [Fault("not names of columns", "give a tuple of texts", column="columns")]
    faults = [
        Fault(f"a value of type {type(value).__name__}", f"use a {words}", column=name)
        for name, value, allowed, words in (
            ("role", term.role, Role, "thermcmp.model.terms.Role"),
            ("acts", term.acts, Acts, "thermcmp.model.terms.Acts"),
            ("scale", term.scale, kinds, "HalfNormal, HalfCauchy or Normal"),
            ("slope", term.slope, (Normal, type(None)), "Normal"),
            ("values", term.values, (str, type(None)), "column of numbers"),
            ("meaning", term.meaning, str, "text"),
        )
        if not isinstance(value, allowed)
    ]
    if not faults and term.values is None and abs(term.prior_mean) > _FARTHEST_K:
        fix = "give a mean in kelvin that a part can make"
        faults.append(Fault("a mean beyond any rise", fix, column="scale"))
    if term.role is Role.PAIRING and len(columns) != 2:
        faults.append(Fault("a pairing of other than two", "name both parts", column="columns"))
    for name in (*columns, *([term.values] if isinstance(term.values, str) else [])):
        near = get_close_matches(name, NAMES, n=1, cutoff=_MISSPELT)
        if near and name != near[0]:
            fix = f"did you mean '{near[0]}'? Else use a name that is less like it"
            faults.append(Fault("misspelt column", fix, column="columns", value=name))
    return faults


def registered_terms() -> tuple[Term, ...]:
    """Return all registered terms, built-ins first."""
    return tuple(entry.item for entry in provided("thermcmp_terms"))


def default_terms(rows: pd.DataFrame, sensor: str | None = None) -> tuple[Term, ...]:
    """Return the terms that a fit of these rows includes when none is named.

    A plug-in's covariate whose column the rows do not fill is left out, with a warning where
    some rows have it, and so is one whose prior is beyond any rise: only a term that was asked
    for may refuse a fit.
    """
    chosen, warned = [], []
    for entry in provided("thermcmp_terms"):
        term: Term = entry.item
        if not term.by_default:
            continue
        reason = None if entry.is_built_in else _why_left_out(term, rows, sensor)
        if reason is None:
            chosen.append(term)
        elif reason:
            warned.append(f"{entry.owner}: its term '{term.name}' is left out, as {reason}")
    if warned:
        warnings.warn("\n".join(warned), PluginWarning, stacklevel=4)
    return tuple(chosen)


def _why_left_out(term: Term, rows: pd.DataFrame, sensor: str | None) -> str | None:
    """Return why a plug-in's covariate is left out; "" where no row has it, None if it is not."""
    import pandas as pd

    if term.values is None:
        return None
    if term.values not in rows:
        return ""
    used = in_force(rows)
    if sensor is not None:
        used &= rows["sensor"].eq(sensor).fillna(False).astype(bool)
    numbers = pd.to_numeric(rows.loc[used, term.values], errors="coerce").astype(float)
    blank = ~numbers.abs().lt(_LARGEST)
    if blank.all():
        return ""
    if blank.any():
        runs = ", ".join(map(str, rows.loc[blank[blank].index, "run"].unique()[:5]))
        return (
            f"'{term.values}' is not a number in {blank.sum()} of {len(blank)} rows ({runs}). "
            "Fix: fill it in"
        )
    reach_k = abs(term.prior_mean) * float(numbers.max() - numbers.min())
    if reach_k > _FARTHEST_K:
        return (
            f"its prior expects {reach_k:.0f} K between the lowest and the highest "
            f"'{term.values}'. Fix: correct the slope, or the unit of the column"
        )
    return None
