"""Effect terms of a fit; the built-in ones are registered through the same hook as a plug-in's."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from thermcmp.errors import PluginError
from thermcmp.hooks import hookimpl, provided
from thermcmp.model.priors import HalfNormal


class Role(StrEnum):
    """Role of a term's levels in the questions."""

    FACTOR = "factor"  #: a cause that questions separate (cooler model, vendor …)
    SPECIMEN = "specimen"  #: one part of a product line
    NUISANCE = "nuisance"  #: assembly, session, laboratory
    ALLOWANCE = "allowance"  #: a cause that other answers allow for, by its prior if need be


class Acts(StrEnum):
    """Which part of the thermal resistance a term changes."""

    RESISTANCE = "resistance"  #: the whole resistance at the reference fan speed
    AIRFLOW = "airflow"  #: the convective part
    EXPONENT = "exponent"  #: the airflow exponent, to first order
    INSTRUMENT = "instrument"  #: the reading alone: an error that the runs of a bench share
    CONSTANT = "constant"  #: the part of the rise that stays when board power changes


@dataclass(frozen=True, slots=True)
class Term:
    """One group of effects: a zero-mean normal spread over the levels of a factor.

    Attributes
    ----------
    name : str
        Unique name; also names its coordinate and its spread ``<name> sd``.
    columns : tuple of str
        Results columns whose joint values name a level. A nested factor lists
        the outer one first, so that equal ids under other parents stay apart.
    role : Role
        What the levels are.
    scale : HalfNormal
        Prior of the standard deviation between levels [K at reference power].
    meaning : str
        Plain words for tables.
    acts : Acts
        Which part of the resistance it changes.
    by_default : bool
        Whether a fit includes it when `terms` is not given.
    """

    name: str
    columns: tuple[str, ...]
    role: Role
    scale: HalfNormal
    meaning: str
    acts: Acts = Acts.RESISTANCE
    by_default: bool = True

    @property
    def spread(self) -> str:
        """Name of the parameter that holds the standard deviation between levels."""
        return f"{self.name} sd"


BUILT_IN: Final[tuple[Term, ...]] = (
    Term(
        "cooler_model",
        ("cooler_model",),
        Role.FACTOR,
        HalfNormal(10.0),
        "difference between cooler models",
    ),
    Term(
        "board_model",
        ("board_model",),
        Role.FACTOR,
        HalfNormal(10.0),
        "difference between board models",
    ),
    Term(
        "memory_vendor",
        ("memory_vendor",),
        Role.FACTOR,
        HalfNormal(5.0),
        "difference between memory vendors",
    ),
    Term(
        "assembly_kind",
        ("assembly_kind",),
        Role.FACTOR,
        HalfNormal(3.0),
        "factory against bench assembly",
    ),
    Term(
        "cooler",
        ("cooler_model", "cooler_id"),
        Role.SPECIMEN,
        HalfNormal(2.0),
        "specimens of one cooler model",
    ),
    Term(
        "board",
        ("board_model", "board_id"),
        Role.SPECIMEN,
        HalfNormal(2.0),
        "specimens of one board model",
    ),
    Term(
        "assembly",
        ("lab", "assembly"),
        Role.NUISANCE,
        HalfNormal(2.0),
        "assemblies of the same parts (reassembly)",
    ),
    Term("session", ("lab", "session"), Role.NUISANCE, HalfNormal(1.0), "sessions at one bench"),
    Term("lab", ("lab",), Role.NUISANCE, HalfNormal(2.0), "laboratories"),
    Term(
        "cooler_model airflow",
        ("cooler_model",),
        Role.FACTOR,
        HalfNormal(20.0),
        "difference between cooler models in the convective part",
        Acts.AIRFLOW,
    ),
    Term(
        "cooler airflow",
        ("cooler_model", "cooler_id"),
        Role.SPECIMEN,
        HalfNormal(2.0),
        "specimens of one cooler model in the convective part",
        Acts.AIRFLOW,
    ),
    # Exponents of coolers differ by some 0.15 (0.5 laminar to 0.8 turbulent), of a convective
    # part of some 40 K.
    Term(
        "cooler_model exponent",
        ("cooler_model",),
        Role.FACTOR,
        HalfNormal(6.0),
        "difference between cooler models in the airflow exponent, times the convective part",
        Acts.EXPONENT,
    ),
    # Voltages, memory timings, the split of power among parts: whatever a firmware changes
    # that fan speed and power do not show.
    Term(
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


def registered_terms() -> tuple[Term, ...]:
    """Return all registered terms, built-ins first."""
    terms = tuple(entry.item for entry in provided("thermcmp_terms"))
    wrong = [term.name for term in terms if not isinstance(term, Term)]
    if wrong:
        raise PluginError(
            f"A plug-in supplied effect terms that are not thermcmp.Term: {', '.join(wrong)}. "
            "Fix: build them with thermcmp.Term."
        )
    return terms
