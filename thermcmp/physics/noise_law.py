"""Fan noise by fan speed, L = a + b lg(N / N_ref), and the speed at a given level.

References
----------
Fan sound law: b = 50 dB per tenfold speed, in fan makers' application notes
("50 log10(rpm1/rpm2)"). Cards measured on a bench have about 50 to 60 (common
practice, no source), so a law fitted to the card is preferred.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from thermcmp._types import Array
from thermcmp.physics._checks import floats, require_positive

#: Slope b of the makers' fan sound law [dB per tenfold speed].
FAN_SOUND_LAW_DB: Final = 50.0


def fan_noise_dba(
    fan_rpm: ArrayLike,
    *,
    level_dba: ArrayLike,
    reference_rpm: ArrayLike,
    slope_db: ArrayLike = FAN_SOUND_LAW_DB,
) -> Array:
    """Return the level of a card at a fan speed.

    Parameters
    ----------
    fan_rpm : array_like, any shape
        Fan speed N [rpm], above zero; a stopped fan has no level of its own.
    level_dba : array_like, broadcastable
        Level a at the reference speed, corrected for background [dB(A)]; draws of a
        posterior have shape (S,).
    reference_rpm : array_like, broadcastable
        Reference speed N_ref [rpm], above zero.
    slope_db : array_like, broadcastable
        Slope b [dB per tenfold speed].

    Returns
    -------
    numpy.ndarray, broadcast shape
        Level [dB(A)].

    Raises
    ------
    InputError
        If a speed is zero, negative or infinite.
    """
    _check_speeds(fan_rpm=fan_rpm, reference_rpm=reference_rpm)
    decades = np.log10(floats(fan_rpm) / floats(reference_rpm))
    return floats(level_dba) + floats(slope_db) * decades


def density_shift_db(density_ratio: ArrayLike) -> Array:
    """Return the change of a fan's sound pressure level with air density, at one speed.

    Parameters
    ----------
    density_ratio : array_like, any shape
        New air density over old at the same temperature [-], above zero.

    Returns
    -------
    numpy.ndarray, same shape
        Change of level, 20 lg of the ratio [dB]; negative in thinner air.

    Raises
    ------
    InputError
        If a ratio is zero, negative or infinite.

    References
    ----------
    The forces of blades on the air, and with them the sound pressure of a fan, are
    proportional to density: fan makers' sound law has 20 lg of it (from memory).
    """
    require_positive(
        "Air cannot have this density ratio:",
        "give new density over old, above zero",
        density_ratio=density_ratio,
    )
    return 20.0 * np.log10(floats(density_ratio))


def fan_speed_at_level_rpm(
    noise_dba: ArrayLike,
    *,
    level_dba: ArrayLike,
    reference_rpm: ArrayLike,
    slope_db: ArrayLike = FAN_SOUND_LAW_DB,
) -> Array:
    """Return the fan speed at which a card has a level: the inverse of `fan_noise_dba`.

    The law has no end. Compare the speeds with the measured ones by
    `thermcmp.physics.reach.reach_of`.

    Parameters
    ----------
    noise_dba : array_like, any shape
        Level without background [dB(A)].
    level_dba, reference_rpm, slope_db : array_like, broadcastable
        As for `fan_noise_dba`.

    Returns
    -------
    numpy.ndarray, broadcast shape
        Fan speed [rpm]; NaN where the slope is not above zero, since such a law
        has no inverse.

    Raises
    ------
    InputError
        If the reference speed is zero, negative or infinite.
    """
    _check_speeds(reference_rpm=reference_rpm)
    slope = floats(slope_db)
    usable = np.where(slope > 0.0, slope, np.nan)
    decades = (floats(noise_dba) - floats(level_dba)) / usable
    return floats(reference_rpm) * 10.0**decades


def _check_speeds(**speeds: ArrayLike) -> None:
    """Refuse speeds that are not above zero."""
    require_positive(
        "The fan sound law needs turning fans:",
        "give a finite speed above zero; a stopped fan has no level of its own",
        **speeds,
    )
