"""What a sensor's step does to means, spreads and drifts.

A reading is the true value rounded to the sensor's step. With noise of half a step or
more the rounding averages out and only adds its variance (Sheppard 1898); with less
noise the mean keeps a bias that no number of readings removes.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt

from thermcmp._types import Array

#: Readings with less variance than this never leave their step [step squared].
_STILL: Final = 1e-4
#: So many readings show a step as well as all do.
_SAMPLE: Final = 20_000
#: Independent readings differ by twice their variance in the mean square; by more than
#: this many times that, they alternate.
_ALTERNATES: Final = 1.5


def find_step(values: npt.ArrayLike) -> float:
    """Find the step of a sensor from its readings.

    Shapes: values (n,).
    """
    known = np.asarray(values, dtype=np.float64)
    known = known[:: max(len(known) // _SAMPLE, 1)]
    unique = np.unique(np.round(known[~np.isnan(known)], 6))
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
    """Bound the rounding's bias by the variance that rounded readings show.

    Sheppard's correction is right on average only: near the edge between two steps
    little noise looks large. So every pair of true value and noise that shows this
    variance is considered, and the largest bias among them taken.
    """
    if step <= 0.0:
        return 0.0
    shown = variance / step**2
    # Readings that never leave their step may lie anywhere in it.
    return step / 2.0 if shown < _STILL else step * float(np.interp(shown, *_bounds()))


@lru_cache(maxsize=1)
def _bounds() -> tuple[Array, Array]:
    """Return variances of rounded readings and the largest bias behind each.

    Units of the step; shapes (variances,) both.
    """
    _, variances, biases = _rounded_normal()
    shown = np.geomspace(_STILL, variances[:, -1].max(), 4_000)
    # Less noise than the table holds: the reading never leaves its step.
    found = [
        np.interp(shown, seen, bias, left=0.0) for seen, bias in zip(variances, biases, strict=True)
    ]
    return shown, np.max(found, axis=0)


@lru_cache(maxsize=1)
def _rounded_normal() -> tuple[Array, Array, Array]:
    """Return phases, variance and size of bias of a rounded normal on a grid of noise.

    Units of the step; shapes (phases,), (phases, noises), (phases, noises). Exact sums
    over the cells.
    """
    from scipy.special import ndtr

    noises = np.geomspace(0.01, 1.2, 60)
    cells = np.arange(-8, 10)[:, None, None]
    phases = np.linspace(0.0, 0.5, 51)
    upper = ndtr((cells + 0.5 - phases[:, None]) / noises)
    lower = ndtr((cells - 0.5 - phases[:, None]) / noises)
    weights = upper - lower
    mean = np.sum(cells * weights, axis=0)
    variance = np.maximum.accumulate(np.sum(cells**2 * weights, axis=0) - mean**2, axis=1)
    return phases, variance, np.abs(mean - phases[:, None])


def rounding_bias_of(readings: npt.ArrayLike, step: float) -> float:
    """Bound the bias that rounding gives to the mean of a series of readings.

    Noise from one reading to the next takes a rounding's bias away quickly; slow swings,
    such as a hunting fan's, take it away only slowly. The two are told apart by the
    differences of neighbours.

    Shapes: readings (n,).

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
    # Half the mean square of the differences is the variance of what is new each time.
    quick = min(float(np.mean(np.diff(series) ** 2)) / 2.0, total)
    if np.mean(np.diff(series) ** 2) > _ALTERNATES * 2.0 * total:
        # Steps that take turns are a converter's pattern, not noise: they resolve half a step.
        return step / 4.0
    amplitude = np.sqrt(2.0 * (total - quick))
    swing = min(float(np.sqrt(step / (np.pi**2 * amplitude))), 1.0) if amplitude > 0.0 else 1.0
    return largest_bias(quick, step) * swing
