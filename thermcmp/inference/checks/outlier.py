"""One run or assembly that the others do not explain, and how it is described."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

#: Weight below which a run counts for little (common practice, no source): one that is off
#: by 3.6 scales of Student's t at 2 degrees of freedom, by 4.6 at 4.
LITTLE: Final = 0.2


@dataclass(frozen=True, slots=True)
class Outlier:
    """A run or assembly that the others do not explain."""

    kind: str  #: "run" or "assembly"
    name: str
    off_k: float  #: mean over its rows of reading minus prediction
    off_sds: float  #: the same in standard deviations, from `chance`
    chance: float  #: two-sided probability of a deviation at least as large
    tested: int  #: units tested; named below `FALSE_ALARM` / tested (Bonferroni)
    alone: bool = False  #: whether the run is the only one of its assembly
    weight: float = 1.0  #: weight under Student's t; one under a normal scatter

    @property
    def sentence(self) -> str:
        """The finding, and where to look."""
        how = off_words(self.off_k)
        if self.kind == "run":
            others = "the other runs" if self.alone else "the other runs of its assembly"
            sentence = f"Run {self.name} is {how} than {others} explain; look at its log."
            return sentence + (f" {weight_words(self.weight)}" if self.weight < LITTLE else "")
        return (
            f"Assembly '{self.name}' is {how} than assemblies of such parts otherwise differ; look "
            "at its contact and pads before you trust it."
        )


def off_words(off_k: float) -> str:
    """Return a deviation in words: "1.2 K hotter"."""
    return f"{abs(off_k):.1f} K {'hotter' if off_k > 0 else 'cooler'}"


def weight_words(weight: float) -> str:
    """Return how much a run counts, as a sentence."""
    share = "less than 0.01" if weight < 0.01 else f"{weight:.2f}"
    return f"Under Student's t it counts as {share} of a run."
