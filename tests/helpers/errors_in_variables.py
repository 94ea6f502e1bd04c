"""Published lines through points whose x has an error too, and a second way to them.

Sources: K. Pearson, Phil. Mag. 2 (1901) 559-572 (the points); D. York, Can. J. Phys. 44 (1966)
1079-1086 (the weights); D. York et al., Am. J. Phys. 72 (2004) 367-375 (equations and errors);
W. A. Fuller, Measurement Error Models (1987), 1.2 (maize yield against soil nitrogen);
R. J. Carroll et al., Measurement Error in Nonlinear Models, 2nd ed. (2006), 3.2 (attenuation).
No print was seen: points, weights and results of Pearson and York are as three open packages
carry them, Fuller's data are from memory and have the moments that an open package prints.
"""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Line:
    """A straight line with the standard errors that the stated errors of the points imply."""

    intercept: float
    slope: float
    intercept_error: float
    slope_error: float
    #: Weighted sum of squares over its degrees of freedom.
    misfit: float


@dataclass(frozen=True, eq=False)
class Points:
    """Measured points and the standard deviations of their errors."""

    x: np.ndarray
    y: np.ndarray
    x_error: np.ndarray
    y_error: np.ndarray


PEARSON_YORK = Points(
    x=np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4]),
    y=np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5]),
    x_error=np.array([1000.0, 1000.0, 500.0, 800.0, 200.0, 80.0, 60.0, 20.0, 1.8, 1.0]) ** -0.5,
    y_error=np.array([1.0, 1.8, 4.0, 8.0, 20.0, 20.0, 70.0, 70.0, 100.0, 500.0]) ** -0.5,
)
YORK_LINE = Line(5.479910224, -0.480533407, 0.294970735, 0.0579850090, 1.483294149)
#: Intercept and slope of Pearson's best line, every error alike.
PEARSON_LINE = (5.7857, -0.546)

#: Soil nitrogen and maize yield of eleven sites; the nitrogen's error variance is known.
FULLER_NITROGEN = np.array([70.0, 97.0, 53.0, 64.0, 95.0, 64.0, 50.0, 70.0, 94.0, 69.0, 51.0])
FULLER_YIELD = np.array([86.0, 115.0, 90.0, 86.0, 110.0, 91.0, 99.0, 96.0, 99.0, 104.0, 96.0])
FULLER_ERROR_VARIANCE = 57.0
#: Moments as printed: variance of nitrogen, covariance with yield; intercept and slope.
FULLER_MOMENTS = (304.8545, 104.8818)
FULLER_LINE = (67.56, 0.4232)


def york_line(points, tolerance=1e-14):
    """Best straight line with errors in both variables, by York's unified equations."""
    weight_x, weight_y = points.x_error**-2.0, points.y_error**-2.0
    slope, last = np.polyfit(points.x, points.y, 1)[0], np.inf
    while abs(slope - last) > tolerance * abs(slope):
        weight = weight_x * weight_y / (weight_x + slope**2 * weight_y)
        mean_x, mean_y = (np.average(v, weights=weight) for v in (points.x, points.y))
        u, v = points.x - mean_x, points.y - mean_y
        moved = weight * (u / weight_y + slope * v / weight_x)
        last, slope = slope, np.sum(weight * moved * v) / np.sum(weight * moved * u)
    adjusted = mean_x + moved
    centre = np.average(adjusted, weights=weight)
    slope_variance = 1.0 / np.sum(weight * (adjusted - centre) ** 2)
    intercept = mean_y - slope * mean_x
    residual = points.y - slope * points.x - intercept
    return Line(
        intercept,
        slope,
        np.sqrt(1.0 / np.sum(weight) + centre**2 * slope_variance),
        np.sqrt(slope_variance),
        np.sum(weight * residual**2) / (len(points.x) - 2),
    )


def attenuation(true_variance, error_variance):
    """Share of a slope that least squares keeps when the predictor has an error."""
    return true_variance / (true_variance + error_variance)
