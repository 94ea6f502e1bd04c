"""What the table, the sentences and the caveats of an attribution are made from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from thermcmp._types import Array
from thermcmp.questions.attribution.corners import AttributionStudy
from thermcmp.questions.attribution.kelvin_per_db import KelvinPerDecibel

if TYPE_CHECKING:
    from thermcmp.questions.attribution.data_shares import LinearParts


@dataclass(frozen=True, slots=True, eq=False)
class AttributionContext:
    """An attribution's numbers, and what was asked of them.

    Attributes
    ----------
    parts, noise : mapping of str to ndarray, shape (S,)
        Improvements [K] and changes of level [dB] by part.
    weak : frozenset of str
        Parts that rest on the prior.
    withheld : frozenset of str
        Those of them that are stated as a range only, see `identifiability`.
    fixes : sequence of str
        The runs that would settle them.
    allowed_prior : bool
        Whether the prior makes the split, which was allowed.
    """

    study: AttributionStudy
    parts: Mapping[str, Array]
    noise: Mapping[str, Array]
    linear: LinearParts
    weak: frozenset[str]
    withheld: frozenset[str]
    fixes: Sequence[str]
    kelvin_per_decibel: Sequence[KelvinPerDecibel]
    prob: float
    matters_k: float
    allowed_prior: bool
