"""The answer of a chain of builds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from thermcmp.questions.answer import Answer

if TYPE_CHECKING:
    from thermcmp.model.conditions import Conditions


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Chain(Answer):
    """What each step of a chain of builds brought at equal conditions.

    Attributes
    ----------
    before_c, after_c : float
        Mean temperatures of the first and the last build [°C].
    builds : tuple of str
        Names of the builds, from the first to the last.
    assemblies : mapping of str to int
        Assemblies run of each build, and of those that fill in combinations.
    missing : tuple of str
        Combinations of changes that were not measured.
    conditions : Conditions
        What was held equal.
    scope : str
        For whom it speaks: "specimens" or "product line".
    """

    before_c: float
    after_c: float
    builds: tuple[str, ...]
    assemblies: Mapping[str, int]
    missing: tuple[str, ...]
    conditions: Conditions
    scope: str
