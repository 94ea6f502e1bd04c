"""Resistance of a pad or a layer of paste: bond line, contact and constriction.

References
----------
M. M. Yovanovich, J. R. Culham and P. Teertstra, "Analytical modeling of spreading resistance
in flux tubes, half spaces, and compound disks", IEEE Transactions on Components, Packaging and
Manufacturing Technology A 21 (1998) 168-176: separation of variables in a disk.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike

from thermcmp.errors import Fault, InputError

_MESSAGE = "This joint cannot be computed:"


@dataclass(frozen=True, slots=True, kw_only=True)
class Chip:
    """The chip under the pad; the defaults are those of an invented memory chip.

    Attributes
    ----------
    area_mm2 : float
        Area of its top [mm²].
    thickness_mm : float
        Thickness through which heat gathers towards a smaller pad [mm].
    conductivity_w_per_m_k : float
        Conductivity of that layer [W/(m K)]: silicon when warm about 120 (common practice, no
        source). Mould above the silicon adds a layer of its own, see `bond_line_k_per_w`.
    """

    area_mm2: float = 168.0
    thickness_mm: float = 0.3
    conductivity_w_per_m_k: float = 120.0

    def __post_init__(self) -> None:
        _require_positive(**{each.name: getattr(self, each.name) for each in fields(self)})


def bond_line_k_per_w(
    thickness_mm: ArrayLike,
    conductivity_w_per_m_k: ArrayLike,
    area_mm2: ArrayLike,
    contact_mm2_k_per_w: ArrayLike = 0.0,
) -> np.ndarray:
    """Return the resistance of a layer with the contacts at its two faces.

    Parameters
    ----------
    thickness_mm : array_like
        Thickness under the mounting pressure [mm].
    conductivity_w_per_m_k : array_like
        Conductivity of the material [W/(m K)].
    area_mm2 : array_like
        Area that it covers [mm²].
    contact_mm2_k_per_w : array_like
        Specific resistance of both contacts together [mm² K/W].

    Returns
    -------
    numpy.ndarray
        (t / k + R_c) / A [K/W].

    Raises
    ------
    InputError
        If a thickness, conductivity or area is not above zero, or a contact is negative.
    """
    _require_positive(
        thickness_mm=thickness_mm,
        conductivity_w_per_m_k=conductivity_w_per_m_k,
        area_mm2=area_mm2,
    )
    contact = np.asarray(contact_mm2_k_per_w, float)
    if (contact < 0.0).any():
        fault = Fault("negative", "give 0 or more", column="contact_mm2_k_per_w")
        raise InputError(_MESSAGE, [fault])
    # 1 mm / (1 W/(m K)) is 1000 mm² K/W.
    specific = 1e3 * np.asarray(thickness_mm, float) / np.asarray(conductivity_w_per_m_k, float)
    return (specific + contact) / np.asarray(area_mm2, float)


def constriction_k_per_w(coverage: ArrayLike, chip: Chip) -> np.ndarray:
    """Return the resistance of heat that gathers from a whole chip under a smaller pad.

    The chip is taken as a disk with an even flux over its lower face and over the pad. With
    the zeros d_n of J1, e the ratio of the radii and t the thickness over the chip's radius b,

        R = 4 / (pi k b e^2) sum J1(d_n e)^2 coth(d_n t) / (d_n^3 J0(d_n)^2).

    Parameters
    ----------
    coverage : array_like
        Share of the chip that the pad covers, above 0; 1 or more has no constriction [-].
    chip : Chip
        The chip.

    Returns
    -------
    numpy.ndarray
        Mean temperature of the chip's lower face over that of the pad's, less the even flow
        through the chip, per watt [K/W].

    Raises
    ------
    InputError
        If a coverage is not above zero.
    """
    from scipy.special import j0, j1

    _require_positive(coverage=coverage)
    ratio = np.sqrt(np.clip(np.asarray(coverage, float), None, 1.0))
    radius_m = 1e-3 * np.sqrt(chip.area_mm2 / np.pi)
    zeros = _zeros()
    weights = 1.0 / (
        zeros**3 * j0(zeros) ** 2 * np.tanh(1e-3 * chip.thickness_mm / radius_m * zeros)
    )
    total = j1(zeros * ratio[..., None]) ** 2 @ weights
    return 4.0 * total / (np.pi * chip.conductivity_w_per_m_k * radius_m * ratio**2)


@functools.cache
def _zeros() -> np.ndarray:
    """Return zeros of J1: enough for a pad of a hundredth of the chip."""
    from scipy.special import jn_zeros

    return np.asarray(jn_zeros(1, 2000))


def joint_k_per_w(
    thickness_mm: ArrayLike,
    conductivity_w_per_m_k: ArrayLike,
    coverage: ArrayLike = 1.0,
    *,
    chip: Chip | None = None,
    contact_mm2_k_per_w: ArrayLike = 0.0,
) -> np.ndarray:
    """Return the resistance between a chip and the cooler above its pad.

    Parameters
    ----------
    thickness_mm : array_like
        Thickness under the mounting pressure [mm].
    conductivity_w_per_m_k : array_like
        Conductivity of the material [W/(m K)].
    coverage : array_like
        Share of the chip that is covered; a larger pad counts as 1 [-].
    chip : Chip, optional
        The chip; that of the defaults if not given.
    contact_mm2_k_per_w : array_like
        Specific resistance of both contacts together [mm² K/W].

    Returns
    -------
    numpy.ndarray
        Bond line and constriction in series [K/W].

    Raises
    ------
    InputError
        As for `bond_line_k_per_w` and `constriction_k_per_w`.
    """
    chip = chip or Chip()
    _require_positive(coverage=coverage)
    area_mm2 = chip.area_mm2 * np.clip(np.asarray(coverage, float), None, 1.0)
    layer = bond_line_k_per_w(thickness_mm, conductivity_w_per_m_k, area_mm2, contact_mm2_k_per_w)
    return layer + constriction_k_per_w(coverage, chip)


def _require_positive(**values: ArrayLike) -> None:
    """Refuse values that are not above zero; NaN passes as unknown."""
    faults = [
        Fault("must be finite and above zero", "correct it", column=name)
        for name, value in values.items()
        if ((array := np.asarray(value, float)) <= 0.0).any() or np.isinf(array).any()
    ]
    if faults:
        raise InputError(_MESSAGE, faults)
