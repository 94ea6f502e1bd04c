"""Sound levels: background correction, distance, energy sums.

Levels are plain numbers in dB(A). Sums of energies and differences of levels are separate
functions.

References
----------
ISO 3744:2010, 8.2.3, Eq. 16 (engineering grade) and ISO 3746:2010, 8.3.3,
Eq. 12 (survey grade): background noise correction K1 and its limits.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError
from thermcmp.physics._checks import floats, require_positive


class Grade(StrEnum):
    """Accuracy grade of a sound measurement."""

    ENGINEERING = "engineering"
    SURVEY = "survey"


class BackgroundStatus(StrEnum):
    """How far a level could be corrected for background."""

    NONE_NEEDED = "none needed"
    CORRECTED = "corrected"
    UPPER_BOUND = "upper bound"
    REFUSED = "refused"


class BackgroundCorrection(NamedTuple):
    """Levels corrected for background, and the status of each.

    Attributes
    ----------
    level_dba : numpy.ndarray or float
        Level of the card alone [dB(A)]; NaN where refused.
    status : numpy.ndarray of BackgroundStatus, or BackgroundStatus
        Same shape.
    """

    level_dba: Array
    status: NDArray[np.object_]


class _Limits(NamedTuple):
    """Validity limits of one grade [dB], and the fixed K1 below the lower one."""

    none_above: float
    bound_below: float
    bound_k1: float
    refused_below: float


_LIMITS: Final = {
    # The 3 dB floor is stricter than ISO 3744, which sets none: there the
    # background carries half of the energy or more. Common practice, no source.
    Grade.ENGINEERING: _Limits(15.0, 6.0, 1.26, 3.0),
    # A level at or below its own background contradicts itself.
    Grade.SURVEY: _Limits(10.0, 3.0, 3.02, 0.0),
}


def background_correction_k1_db(difference_db: ArrayLike) -> Array:
    """Return the background correction K1 = -10 lg(1 - 10^(-0.1 dL)), without limits.

    Parameters
    ----------
    difference_db : array_like, any shape
        Level with the card running minus background level, dL [dB].

    Returns
    -------
    numpy.ndarray, same shape
        K1 [dB], to be subtracted; NaN where dL is not above zero.

    References
    ----------
    ISO 3744:2010, Eq. 16; ISO 3746:2010, Eq. 12.
    """
    difference = floats(difference_db)
    usable = np.where(difference > 0.0, difference, np.nan)
    return -10.0 * np.log10(-np.expm1(-0.1 * np.log(10.0) * usable))


def background_corrected_dba(
    level_dba: ArrayLike, floor_dba: ArrayLike, *, grade: str = Grade.ENGINEERING
) -> BackgroundCorrection:
    """Return a level corrected for background, within the limits of the standard.

    ========================  ======================  =====================
    difference dL             engineering (ISO 3744)  survey (ISO 3746)
    ========================  ======================  =====================
    no correction needed      above 15 dB             above 10 dB
    corrected by K1(dL)       6 to 15 dB              3 to 10 dB
    upper bound, K1 fixed     3 to 6 dB, 1.26 dB      0 to 3 dB, 3.02 dB
    refused (NaN)             below 3 dB              0 dB and below
    ========================  ======================  =====================

    Parameters
    ----------
    level_dba : array_like, any shape
        Level with the card running [dB(A)].
    floor_dba : array_like, broadcastable
        Background level, same place and weighting, card off [dB(A)]. An unknown
        (NaN) level or background is refused.
    grade : {"engineering", "survey"}
        Which standard's limits hold.

    Returns
    -------
    BackgroundCorrection
        Corrected level [dB(A)] and `BackgroundStatus`, in broadcast shape.

    Raises
    ------
    InputError
        If `grade` is neither of the two.

    References
    ----------
    ISO 3744:2010, 8.2.3; ISO 3746:2010, 8.3.3. Refusal below 3 dB for the
    engineering grade: common practice, no source.
    """
    if grade not in tuple(Grade):
        allowed = ", ".join(f'"{name}"' for name in Grade)
        raise InputError(
            "This is not a grade of sound measurement:",
            [Fault("unknown grade", f"use one of {allowed}", column="grade", value=str(grade))],
        )
    limits = _LIMITS[Grade(grade)]
    level, floor = np.broadcast_arrays(floats(level_dba), floats(floor_dba))
    # Readings have one decimal: 1e-9 keeps 40.3 - 34.3 at the limit of 6 dB.
    difference = np.round(level - floor, 9)

    k1 = background_correction_k1_db(difference)
    k1 = np.where(difference < limits.bound_below, limits.bound_k1, k1)
    k1 = np.where(difference > limits.none_above, 0.0, k1)
    # Filled by index: numpy.full would convert the enum's members to plain text.
    status = np.empty(difference.shape, dtype=object)
    status[...] = BackgroundStatus.CORRECTED
    status[difference > limits.none_above] = BackgroundStatus.NONE_NEEDED
    status[difference < limits.bound_below] = BackgroundStatus.UPPER_BOUND
    refused = (difference < limits.refused_below) | (difference <= 0.0) | np.isnan(difference)
    status[refused] = BackgroundStatus.REFUSED
    corrected = np.where(refused, np.nan, level - k1)
    return BackgroundCorrection(corrected[()], status[()])


def level_at_distance_dba(
    level_dba: ArrayLike, distance_m: ArrayLike, to_distance_m: ArrayLike
) -> Array:
    """Return a level at another distance: -6.02 dB per doubling.

    Holds in a free field for a source that is small compared with the distance: at
    less than about twice the card's length, or where the room's reflections dominate,
    the true change is smaller. Compare cards at one distance wherever possible, and
    use this only for levels measured at another one.

    Parameters
    ----------
    level_dba : array_like, any shape
        Level at `distance_m` [dB(A)], already corrected for background.
    distance_m, to_distance_m : array_like, broadcastable
        Distance of the measurement and the wanted one [m].

    Returns
    -------
    numpy.ndarray, broadcast shape
        Level at `to_distance_m` [dB(A)].

    Raises
    ------
    InputError
        If a distance is zero, negative or infinite.

    References
    ----------
    Point source in a free field, Lp = Lw - 20 lg r - 11 (textbook).
    """
    require_positive(
        "A level cannot be computed for these distances:",
        "give the distance from the card's surface to the microphone in metres",
        distance_m=distance_m,
        to_distance_m=to_distance_m,
    )
    return floats(level_dba) - 20.0 * np.log10(floats(to_distance_m) / floats(distance_m))


def energy_sum_db(levels_db: ArrayLike, *, axis: int | None = None) -> Array:
    """Return the level of incoherent sources together: 10 lg of the sum of 10^(L/10).

    Parameters
    ----------
    levels_db : array_like, any shape
        Levels [dB]; a NaN makes the sum NaN.
    axis : int, optional
        Axis to sum over; all by default.

    Returns
    -------
    numpy.ndarray, shape without `axis`
        Level [dB]; two equal levels give 3.01 dB more than one.

    Raises
    ------
    InputError
        If there is no level.
    """
    levels = _not_empty(levels_db)
    # Relative to the loudest, so that no power of ten overflows.
    top = np.max(levels, axis=axis, keepdims=True)
    total = np.sum(10.0 ** (0.1 * (levels - top)), axis=axis, keepdims=True)
    return np.squeeze(top + 10.0 * np.log10(total), axis=axis)[()]


def energy_mean_db(levels_db: ArrayLike, *, axis: int | None = None) -> Array:
    """Return the level of the mean energy: 10 lg of the mean of 10^(L/10).

    Parameters
    ----------
    levels_db : array_like, any shape
        Levels [dB]; a NaN makes the mean NaN.
    axis : int, optional
        Axis to average over; all by default.

    Returns
    -------
    numpy.ndarray, shape without `axis`
        Level [dB]; 30 and 40 dB give 37.40 dB.

    Raises
    ------
    InputError
        If there is no level.

    References
    ----------
    ISO 3744:2010, energy mean over microphone positions.
    """
    levels = _not_empty(levels_db)
    count = levels.size if axis is None else levels.shape[axis]
    return energy_sum_db(levels, axis=axis) - 10.0 * np.log10(count)


def _not_empty(levels_db: ArrayLike) -> Array:
    """Return the levels as an array, or refuse an empty one."""
    levels = floats(levels_db)
    if levels.size == 0:
        raise InputError(
            "No level to sum:", [Fault("empty", "give at least one level", column="levels_db")]
        )
    return levels
