"""Autocorrelation of a series, and its effective number of independent readings."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from thermcmp._types import Array

#: A peak of the autocorrelation this high is a cycle, not noise.
CYCLE_PEAK: Final = 0.5


def autocorrelation(values: npt.ArrayLike) -> Array:
    """Return the sample autocorrelation of a series, shape (n,)."""
    series = np.asarray(values, dtype=np.float64)
    n = len(series)
    centred = series - series.mean()
    power = float(centred @ centred)
    if power <= n * (np.finfo(float).eps * max(1.0, abs(float(series.mean())))) ** 2:
        return np.concatenate([[1.0], np.zeros(n - 1)])
    size = 1 << (2 * n - 1).bit_length()
    spectrum = np.fft.rfft(centred, size)
    lags = np.fft.irfft(spectrum * np.conj(spectrum), size)[:n]
    return lags / power


def integrated_time(r: Array) -> float:
    """Return the integrated autocorrelation time [readings] of an autocorrelation.

    References
    ----------
    C. J. Geyer, Practical Markov chain Monte Carlo, Statistical Science 7 (1992) 473-483.
    """
    even = len(r) - len(r) % 2
    pairs = r[0:even:2] + r[1:even:2]
    if not len(pairs):
        return 1.0
    ends = np.flatnonzero(pairs <= 0.0)
    kept = np.minimum.accumulate(pairs[: ends[0]] if len(ends) else pairs)
    return float(max(2.0 * kept.sum() - 1.0, 1.0 / max(np.log10(len(r)), 1.0)))


def ar1_effective_size(n: int, phi: float) -> float:
    """Return the effective size of a first-order autoregressive series, exactly.

    References
    ----------
    N. F. Zhang, Metrologia 43 (2006) S276-S281; the sum over lags in closed form.
    """
    factor = (1.0 + phi) / (1.0 - phi) - 2.0 * phi * (1.0 - phi**n) / (n * (1.0 - phi) ** 2)
    return float(n / factor)


def effective_size(values: npt.ArrayLike) -> float:
    """Return the effective number of independent readings of a series.

    References
    ----------
    Bias of lag one: M. G. Kendall, Biometrika 41 (1954) 403-404.
    """
    n = len(np.asarray(values))
    return float(min(n, 1)) if n < 3 else size_by(autocorrelation(values))


def size_by(r: Array) -> float:
    """Return the effective size by an autocorrelation of three lags or more."""
    n, r1 = len(r), float(r[1])
    phi = min(r1 + (1.0 + 3.0 * r1) / n, 0.999) if r1 > 0.0 else 0.0
    return float(min(max(min(n / integrated_time(r), ar1_effective_size(n, phi)), 1.0), n))


def cycle_in(r: Array) -> int | None:
    """Return the period of a cycle [readings] by an autocorrelation; None without one."""
    negative = np.flatnonzero(r[: len(r) // 3 + 1] < 0.0)
    if not len(negative):
        return None
    lag = int(negative[0] + np.argmax(r[negative[0] : len(r) // 3 + 1]))
    # The estimate shrinks with the lag, as fewer pairs enter the sum.
    return lag if r[lag] * len(r) / (len(r) - lag) >= CYCLE_PEAK else None
