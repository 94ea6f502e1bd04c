"""A further term that the rows called for, and how it is described."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from thermcmp._types import Array
from thermcmp.inference.checks.outlier import Outlier
from thermcmp.model.terms import Term


@dataclass(frozen=True, slots=True, eq=False)
class Expansion:
    """A term that the rows called for, and what called for it."""

    term: Term
    outlier: Outlier | None = None
    cooler: str = ""

    def sentence(self, draws: Callable[[str], Array]) -> str:
        """Describe the finding, by the draws of the fit that holds the term."""
        if self.outlier is not None:
            low, high = np.abs(np.quantile(draws(self.term.name)[:, 0], [0.05, 0.95]))
            low, high = sorted((low, high))
            return (
                f"{self.outlier.sentence} It has an effect of its own in the fit "
                f"({low:.1f} to {high:.1f} K) and does not count for the parts."
            )
        common, more = draws("assembly sd"), draws(self.term.spread)
        spread = np.quantile(np.hypot(common, more), [0.05, 0.95])
        others = np.quantile(common, [0.05, 0.95])
        if spread[0] < others[1]:
            return (
                f"Cooler {self.cooler} was assembled too rarely to know how far its assemblies "
                f"spread: by {spread[0]:.1f} to {spread[1]:.1f} K (standard deviation), where "
                f"those of the others spread by {others[0]:.1f} to {others[1]:.1f} K. Its "
                "contrasts carry its own spread; more assemblies of it would narrow them."
            )
        return (
            f"Cooler {self.cooler} cannot be reassembled reliably: its assemblies spread by "
            f"{spread[0]:.1f} to {spread[1]:.1f} K (standard deviation), those of the others by "
            f"{others[0]:.1f} to {others[1]:.1f} K. Its contrasts carry its own spread."
        )
