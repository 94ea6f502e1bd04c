"""Effect of a sensor's step on means, spreads and drifts.

A reading is the true value rounded to the sensor's step. With noise of half a step or
more the rounding averages out and only adds its variance (Sheppard 1898); with less
noise the mean keeps a bias, however many readings there are.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt

from thermcmp._types import Array

#: Readings with less variance than this never leave their step [step squared].
_STILL: Final = 1e-4
#: Number of readings from which a step is estimated.
_SAMPLE: Final = 20_000
#: The mean square difference of independent readings is twice their variance; readings with
#: more than this many times that alternate.
_ALTERNATES: Final = 1.5


def find_step(values: npt.ArrayLike) -> float:
    """Return the step of a sensor, estimated from its readings."""
    known = np.asarray(values, dtype=np.float64)
    known = known[:: max(len(known) // _SAMPLE, 1)]
    with np.errstate(over="ignore"):
        rounded = np.round(known, 6)
    unique = np.unique(rounded[np.isfinite(rounded)])
    if not len(unique):
        return float("nan")
    if len(unique) == 1:
        text = f"{unique[0]:.6f}".rstrip("0")
        return 10.0 ** -len(text.split(".")[1])
    distances, counts = np.unique(np.round(np.diff(unique), 3), return_counts=True)
    likely = distances[distances > 0.0]
    if not len(likely):
        return float(np.min(np.diff(unique)))
    return float(likely[np.argmax(counts[distances > 0.0])])


def largest_bias(variance: float, step: float) -> float:
    """Return the largest bias of rounding that agrees with the variance of rounded readings.

    Sheppard's correction holds on average only: near the edge between two steps a little
    noise looks large. So the largest bias over all true values and noises that show this
    variance is taken.
    """
    if step <= 0.0:
        return 0.0
    shown = variance / step**2
    # Readings that never leave their step may lie anywhere in it.
    return step / 2.0 if shown < _STILL else step * float(np.interp(shown, *_bounds()))


@lru_cache(maxsize=1)
def _bounds() -> tuple[Array, Array]:
    """Return variances of rounded readings and the largest bias of each, in steps."""
    from scipy.special import ndtr

    # Exact sums over the cells for a rounded normal, on a grid of phases and noises.
    noises = np.geomspace(0.01, 1.2, 60)
    cells = np.arange(-8, 10)[:, None, None]
    phases = np.linspace(0.0, 0.5, 51)
    upper = ndtr((cells + 0.5 - phases[:, None]) / noises)
    lower = ndtr((cells - 0.5 - phases[:, None]) / noises)
    weights = upper - lower
    mean = np.sum(cells * weights, axis=0)
    variances = np.maximum.accumulate(np.sum(cells**2 * weights, axis=0) - mean**2, axis=1)
    biases = np.abs(mean - phases[:, None])
    shown = np.geomspace(_STILL, variances[:, -1].max(), 4_000)
    # With less noise than the grid holds, the reading never leaves its step.
    largest = [
        np.interp(shown, seen, bias, left=0.0) for seen, bias in zip(variances, biases, strict=True)
    ]
    return shown, np.max(largest, axis=0)


def rounding_bias_of(readings: npt.ArrayLike, step: float) -> float:
    """Return the largest bias that rounding gives to the mean of a series of readings.

    Noise from one reading to the next removes the bias quickly, slow swings such as a
    hunting fan's only slowly; differences of neighbours distinguish them.

    References
    ----------
    For a sine of amplitude A the first term of the bias is ``step / pi`` times the Bessel
    function ``J0(2 pi A / step)``, which is below ``sqrt(step / (pi**2 A))``; Widrow and
    Kollár, *Quantization Noise* (2008), on dither (from memory).
    """
    series = np.asarray(readings, dtype=np.float64)
    if step <= 0.0 or len(series) < 3:
        return max(step, 0.0) / 2.0
    total = float(np.var(series))
    difference = float(np.mean(np.diff(series) ** 2))
    if difference > _ALTERNATES * 2.0 * total:
        # Alternating steps are a converter's pattern and not noise: they resolve half a step.
        return step / 4.0
    # Half the mean square difference is the variance of the noise between neighbours.
    quick = min(difference / 2.0, total)
    amplitude = np.sqrt(2.0 * (total - quick))
    swing = min(float(np.sqrt(step / (np.pi**2 * amplitude))), 1.0) if amplitude > 0.0 else 1.0
    return largest_bias(quick, step) * swing
