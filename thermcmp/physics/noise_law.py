"""Fan noise by fan speed, L = a + b g(N), and the speed at a given level.

The noise law g is a plug-in point; the built-in fan sound law has g = lg(N / N_ref).

References
----------
Fan sound law: b = 50 dB per tenfold speed, in fan makers' application notes
("50 log10(rpm1/rpm2)"). Cards measured on a bench have about 50 to 60 (common
practice, no source), so a law fitted to the card is preferred.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike

from thermcmp._types import Array
from thermcmp.errors import Fault, ThermcmpError
from thermcmp.hooks import PluginItem, guarded, hookimpl, named_item
from thermcmp.physics._checks import floats, require_positive

#: Slope b of the makers' fan sound law [dB per tenfold speed].
FAN_SOUND_LAW_DB: Final = 50.0
#: Step of a derivative, and farthest speed looked for from the reference [tenfold speeds].
_STEP: Final = 1e-4
_FARTHEST: Final = 3.0
#: Fan speeds at which a plug-in's law is tried [rpm].
_TRIED: Final = np.geomspace(300.0, 6000.0, 60)


@dataclass(frozen=True, slots=True)
class NoiseLaw:
    """How a fan's level rises with its speed; level and slope are fitted per cooler model.

    Attributes
    ----------
    name : str
        Name by which a fit selects the law.
    shape : callable
        ``shape(fan_rpm)``: a smooth function that rises strictly with fan speed [rpm], an
        array of any shape; in any unit, since `decades` scales it.
    """

    name: str
    # Names are unique among the plug-ins, and functions compare by identity only.
    shape: Callable[[Array], Any] = field(compare=False)

    def decades(self, fan_rpm: ArrayLike, reference_rpm: ArrayLike) -> Array:
        """Return the law g of a fan speed.

        It is 0 at the reference speed and rises there by 1 per tenfold speed, so the slope b
        is in dB per tenfold speed at the reference, whatever the law.

        Parameters
        ----------
        fan_rpm, reference_rpm : array_like, broadcastable
            Fan speed and reference speed [rpm], above zero.

        Returns
        -------
        numpy.ndarray, broadcast shape
            g [tenfold speeds].
        """
        at = floats(reference_rpm)
        rise = floats(self.shape(floats(fan_rpm))) - floats(self.shape(at))
        return np.asarray(rise / self._climb(at))

    def speed_rpm(self, decades: ArrayLike, reference_rpm: ArrayLike) -> Array:
        """Return the fan speed of a value of the law: the inverse of `decades`.

        Parameters
        ----------
        decades : array_like, any shape
            Value of the law [tenfold speeds]; NaN gives NaN.
        reference_rpm : array_like, broadcastable
            Reference speed [rpm], above zero.

        Returns
        -------
        numpy.ndarray, broadcast shape
            Fan speed [rpm]; NaN where the law does not reach the value.
        """
        # Imported on use, for the speed of `import thermcmp.physics`.
        from scipy.optimize import elementwise

        wanted, at = np.broadcast_arrays(floats(decades), floats(reference_rpm))
        level = floats(self.shape(at)) + wanted * self._climb(at)

        def beyond(step: Array, at: Array, level: Array) -> Array:
            return floats(self.shape(at * 10.0**step)) - level

        ends = (np.full(wanted.shape, -_FARTHEST), np.full(wanted.shape, _FARTHEST))
        found = elementwise.find_root(beyond, ends, args=(at, level))
        return np.where(found.success, at * 10.0**found.x, np.nan)

    def _climb(self, at_rpm: Array) -> Array:
        """Return how much the shape rises per tenfold speed at a fan speed."""
        ahead, behind = (floats(self.shape(at_rpm * 10.0**step)) for step in (_STEP, -_STEP))
        return (ahead - behind) / (2.0 * _STEP)


#: The fan makers' law, which a fit takes by default.
FAN_SOUND_LAW: Final = NoiseLaw("fan sound law", np.log10)


@hookimpl
def thermcmp_noise_laws() -> list[NoiseLaw]:
    """Return the built-in noise law."""
    return [FAN_SOUND_LAW]


@dataclass(frozen=True, slots=True)
class _PluginShape:
    """The shape of a plug-in's noise law; an error in it names the plug-in."""

    provision: PluginItem

    def __call__(self, fan_rpm: Array) -> Any:
        def numbers(fan_rpm: Array) -> Any:
            values = self.provision.item.shape(fan_rpm)
            tried = (fan_rpm >= _TRIED.min()) & (fan_rpm <= _TRIED.max())
            if np.shape(values) != fan_rpm.shape:
                raise ValueError("returned another shape than that of the fan speeds")
            if not np.isfinite(floats(values)[tried]).all():
                raise ValueError("returned what is not a finite number")
            return values

        return guarded(self.provision, numbers, object, passing=(ThermcmpError,))(fan_rpm)


def noise_law_named(name: str) -> NoiseLaw:
    """Return the noise law of a name.

    Parameters
    ----------
    name : str
        Such as ``"fan sound law"``. A built-in is found without loading plug-ins.

    Returns
    -------
    NoiseLaw
        The law.

    Raises
    ------
    InputError
        If there is none; the message has the nearest name or all names.
    PluginError
        If an installed plug-in fails and ``THERMCMP_STRICT_PLUGINS`` is set.
    """
    provision = named_item("thermcmp_noise_laws", name, "noise law")
    law: NoiseLaw = provision.item
    return law if provision.is_built_in else NoiseLaw(law.name, _PluginShape(provision))


def faults_of_noise_laws(law: Any) -> list[Fault]:
    """Return what a trial of a noise law between 300 and 6,000 rpm shows.

    Parameters
    ----------
    law : NoiseLaw
        The law of a plug-in.

    Returns
    -------
    list of Fault
        Empty for a law that can be used.
    """
    if not isinstance(law, NoiseLaw):
        return [Fault(f"a {type(law).__name__}", "return a thermcmp.physics.noise_law.NoiseLaw")]
    speeds = _TRIED.reshape(2, 30)
    values, again = (floats(law.shape(speeds)) for _ in range(2))
    if values.shape != speeds.shape:
        return [Fault("not a number per fan speed", "return an array of the speeds' shape")]
    if not np.isfinite(values).all():
        return [Fault("a value that is not a number", "correct the formula", column="shape")]
    if not (np.diff(values.ravel()) > 0.0).all():
        fix = "rise strictly with fan speed, so that each level has one speed"
        return [Fault("does not rise everywhere from 300 to 6,000 rpm", fix, column="shape")]
    if not np.array_equal(values, again):
        return [Fault("another number the second time", "return the same for the same")]
    return []


def fan_noise_dba(
    fan_rpm: ArrayLike,
    *,
    level_dba: ArrayLike,
    reference_rpm: ArrayLike,
    slope_db: ArrayLike = FAN_SOUND_LAW_DB,
    law: NoiseLaw = FAN_SOUND_LAW,
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
        Slope b at the reference speed [dB per tenfold speed].
    law : NoiseLaw
        The law g.

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
    return floats(level_dba) + floats(slope_db) * law.decades(fan_rpm, reference_rpm)


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
    law: NoiseLaw = FAN_SOUND_LAW,
) -> Array:
    """Return the fan speed at which a card has a level: the inverse of `fan_noise_dba`.

    Compare the speeds with the measured ones by
    `thermcmp.physics.reach.reach_of`.

    Parameters
    ----------
    noise_dba : array_like, any shape
        Level without background [dB(A)].
    level_dba, reference_rpm, slope_db : array_like, broadcastable
        As for `fan_noise_dba`.
    law : NoiseLaw
        The law g.

    Returns
    -------
    numpy.ndarray, broadcast shape
        Fan speed [rpm]; NaN where the slope is not above zero, since such a law
        has no inverse, and where the law does not reach the level.

    Raises
    ------
    InputError
        If the reference speed is zero, negative or infinite.
    """
    _check_speeds(reference_rpm=reference_rpm)
    slope = floats(slope_db)
    usable = np.where(slope > 0.0, slope, np.nan)
    decades = (floats(noise_dba) - floats(level_dba)) / usable
    return law.speed_rpm(decades, reference_rpm)


def _check_speeds(**speeds: ArrayLike) -> None:
    """Refuse speeds that are not above zero."""
    require_positive(
        "The fan sound law needs turning fans:",
        "give a finite speed above zero; a stopped fan has no level of its own",
        **speeds,
    )
