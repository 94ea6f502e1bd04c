"""Fits of several sensors from one joint posterior."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.inference.parameter_notes import MOSTLY_PRIOR, shrinkage_of
from thermcmp.inference.posterior import Fit
from thermcmp.model.priors import Correlation

if TYPE_CHECKING:
    import pandas as pd


#: Shape of the prior of correlations: mild shrinkage towards zero.
CORRELATION_SHAPE: Final = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class SensorFits(Mapping[str, Fit]):
    """Fits of several sensors from one joint posterior.

    Each sensor's fit answers every question like one from `fit`. Draw i of one sensor belongs
    to draw i of the others.

    Attributes
    ----------
    fits : dict of str to Fit
        By sensor.
    together : tuple of str
        Terms whose effects are correlated between sensors.
    correlation_shape : float
        Prior of the correlations.
    """

    fits: Mapping[str, Fit]
    together: tuple[str, ...]
    correlation_shape: float = CORRELATION_SHAPE

    def __getitem__(self, sensor: str) -> Fit:
        return self.fits[sensor]

    def __iter__(self) -> Iterator[str]:
        return iter(self.fits)

    def __len__(self) -> int:
        return len(self.fits)

    def correlation(self, term: str, first: str, second: str) -> Array:
        """Return draws of the correlation of a term's effects at two sensors.

        Parameters
        ----------
        term : str
            One of `together`.
        first, second : str
            Two of the sensors.

        Returns
        -------
        ndarray, shape (S,)
            The draws [-].

        Raises
        ------
        KeyError
            If the term is not correlated between these sensors.
        """
        return self.fits[first].draws(correlation_name(term, second))

    @property
    def table(self) -> pd.DataFrame:
        """Correlations: term, first, second, mean, sd, low, high (90 % equal-tailed), p_positive.

        `note` is "mostly prior" if the data took away less than half of the prior's variance.
        """
        import pandas as pd

        rows = []
        sensors = list(self)
        for term in self.together:
            members = [s for s in sensors if self.fits[s].design.term_position(term) is not None]
            # Margin of one correlation under the prior of the matrix.
            margin = Correlation(self.correlation_shape + len(members) / 2.0 - 1.0)
            for place, first in enumerate(members):
                for second in members[place + 1 :]:
                    draws = self.correlation(term, first, second)
                    low, high = np.quantile(draws, [0.05, 0.95])
                    is_prior = shrinkage_of(draws, margin) < MOSTLY_PRIOR
                    rows.append(
                        (
                            *(term, first, second),
                            *(draws.mean(), draws.std(), low, high, np.mean(draws > 0)),
                            "mostly prior" if is_prior else "",
                        )
                    )
        columns = ["term", "first", "second", "mean", "sd", "low", "high", "p_positive", "note"]
        return pd.DataFrame(rows, columns=columns)

    def save(self, path: str | Path) -> Path:
        """Save all fits to one netCDF file; `load_sensor_fits` reads it.

        Parameters
        ----------
        path : str or Path
            File to write; replaced in one step once it is complete.

        Returns
        -------
        pathlib.Path
            The file.
        """
        from thermcmp.inference.storage import save_sensor_fits

        return save_sensor_fits(self, Path(path))

    def __str__(self) -> str:
        return "\n\n".join(
            [
                f"{len(self)} sensors fitted together; correlations between them:",
                self.table.to_string(index=False, float_format=lambda v: f"{v:.2f}"),
                *(str(fit) for fit in self.fits.values()),
            ]
        )


def correlation_name(term: str, other: str) -> str:
    """Return the name of the posterior variable of a correlation with another sensor."""
    return f"{term} correlation with {other}"


def one_posterior(fits: Sequence[Fit]) -> bool:
    """Return whether fits are parts of one joint posterior: draw i of one belongs to draw i of all.

    This holds whether or not they share a term whose effects are correlated.
    """
    joint = {fit.joint_fingerprint for fit in fits}
    same_draws = len({fit.draw_count for fit in fits}) == 1
    return len(fits) > 1 and same_draws and len(joint) == 1 and "" not in joint


def marked_as_joint(fits: Mapping[str, Fit]) -> dict[str, Fit]:
    """Return the fits with the fingerprint of their joint posterior's parameter draws."""
    digest = hashlib.sha256()
    for fit in fits.values():
        for name in sorted(map(str, fit.posterior.data_vars)):
            draws = fit.posterior[name]
            if set(draws.dims) == {"chain", "draw"}:
                digest.update(np.ascontiguousarray(draws, dtype=float).tobytes())
    joint = digest.hexdigest()
    return {sensor: replace(fit, joint_fingerprint=joint) for sensor, fit in fits.items()}
