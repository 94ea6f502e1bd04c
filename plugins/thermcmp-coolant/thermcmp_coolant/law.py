"""How the flow-dependent resistance of a liquid cooler falls with coolant flow.

References
----------
F. W. Dittus and L. M. K. Boelter, Univ. of California Publ. in Engineering 2
(1930) 443-461: turbulent duct, Nu ~ Re^0.8.

M. A. Lévêque, Annales des Mines 13 (1928): laminar developing flow, Nu ~ Re^(1/3).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from thermcmp.errors import Fault, InputError
from thermcmp_coolant.cold_plate import WATER, ChannelPlate, Coolant, warming_k_per_w


def convection_share(
    convection_k_per_w: float, flow_l_min: float, coolant: Coolant = WATER
) -> float:
    """Return the share of convection in the flow-dependent resistance, at one flow.

    Parameters
    ----------
    convection_k_per_w : float
        Convective resistance of the cold plate at that flow [K/W].
    flow_l_min : float
        Flow [l/min].
    coolant : Coolant
        The coolant; water at 300 K by default.

    Returns
    -------
    float
        Convection / (convection + warming of the coolant) [-].

    Raises
    ------
    InputError
        If the flow is not above zero.
    """
    return convection_k_per_w / (convection_k_per_w + warming_k_per_w(flow_l_min, coolant))


#: Flow at which the default cold plate's share is stated [l/min].
_STATED_L_MIN = 1.0
_DEFAULT_SHARE = convection_share(ChannelPlate().convection_k_per_w(_STATED_L_MIN), _STATED_L_MIN)


@dataclass(frozen=True, slots=True, kw_only=True)
class CoolantLaw:
    """Convection in the cold plate and the warming of the coolant, in series.

    With the share w of convection stated at the flow F_0, the flow-dependent
    resistance is proportional to

        h(F) = w (F/F_0)^(-m) + (1 - w) (F/F_0)^(-1),

    and the factor is h(F) / h(F_ref), so it is 1 at any reference and two steps
    in flow multiply to one. At F_ref = F_0 it is h itself. The warming follows
    the energy balance, so its exponent of 1 is exact.

    The prior of m is centred between laminar developing flow (1/3, Lévêque 1928)
    and turbulent flow in ducts (0.8, Dittus & Boelter 1930); both lie within 1.6
    standard deviations. One w is used for all cold plates of a fit: where
    their convection differs much, fit them separately.

    Attributes
    ----------
    share : float
        Share w of convection at `stated_at_l_min`, 0 to 1 [-]. The default is that
        of `ChannelPlate` with water at 300 K, see `convection_share`.
    stated_at_l_min : float
        Flow F_0 [l/min].
    name, column, unit : str
        ``"coolant flow"`` reads ``coolant_flow_l_min`` in ``"l/min"``.
    exponent_prior_mean, exponent_prior_sd : float
        Normal prior of m [-].

    Raises
    ------
    InputError
        If the share is outside 0 to 1 or the stated flow is not above zero.
    """

    share: float = _DEFAULT_SHARE
    stated_at_l_min: float = _STATED_L_MIN
    name: str = "coolant flow"
    column: str = "coolant_flow_l_min"
    unit: str = "l/min"
    exponent_prior_mean: float = 0.57
    exponent_prior_sd: float = 0.15

    def __post_init__(self) -> None:
        faults = []
        if not 0.0 <= self.share <= 1.0:
            faults.append(Fault("must be a share", "give a value in [0, 1]", column="share"))
        if not 0.0 < self.stated_at_l_min < np.inf:
            faults.append(
                Fault("not above zero", "give the flow in l/min", column="stated_at_l_min")
            )
        if faults:
            raise InputError("This coolant law is not valid:", faults)

    def factor(self, flow_speed: ArrayLike, reference: ArrayLike, exponent: Any) -> Any:
        """Return the flow-dependent resistance relative to the one at `reference`.

        Parameters
        ----------
        flow_speed : array_like, shape (n,)
            Coolant flow F [l/min], above zero; NaN gives NaN.
        reference : array_like, scalar or shape (n,)
            Reference flow F_ref [l/min], above zero.
        exponent : float, array_like or PyTensor scalar
            Exponent m [-].

        Returns
        -------
        numpy.ndarray or PyTensor variable, broadcast shape
            h(F) / h(F_ref) [-].

        Raises
        ------
        InputError
            If a flow is zero, negative or infinite.
        """
        flow, at = self._ratios(flow_speed, reference)
        return self._resistance(flow, exponent) / self._resistance(at, exponent)

    def slope(self, flow_speed: ArrayLike, reference: ArrayLike, exponent: Any) -> Any:
        """Return the exact derivative of `factor` with respect to `exponent`.

        Parameters
        ----------
        flow_speed, reference, exponent
            As for `factor`.

        Returns
        -------
        numpy.ndarray or PyTensor variable, broadcast shape
            Derivative [-], by the quotient rule.

        Raises
        ------
        InputError
            If a flow is zero, negative or infinite.
        """
        flow, at = self._ratios(flow_speed, reference)
        top, bottom = self._resistance(flow, exponent), self._resistance(at, exponent)
        top_slope = -self.share * np.log(flow) * flow ** (-exponent)
        bottom_slope = -self.share * np.log(at) * at ** (-exponent)
        return (top_slope * bottom - top * bottom_slope) / bottom**2

    def _resistance(self, ratio: Any, exponent: Any) -> Any:
        """Return h at F / F_0 = ratio."""
        return self.share * ratio ** (-exponent) + (1.0 - self.share) / ratio

    def _ratios(self, flow_speed: ArrayLike, reference: ArrayLike) -> tuple[Any, Any]:
        """Return F / F_0 and F_ref / F_0, or refuse flows that are not above zero."""
        flows = {
            "flow_speed": np.asarray(flow_speed, float),
            "reference": np.asarray(reference, float),
        }
        faults = [
            Fault("must be finite and above zero",
                  "leave out runs without coolant flow; never heat a dry cold plate", column=name)
            for name, flow in flows.items()
            if np.any((flow <= 0.0) | np.isinf(flow))
        ]  # fmt: skip
        if faults:
            raise InputError("The coolant law needs flow:", faults)
        return flows["flow_speed"] / self.stated_at_l_min, flows["reference"] / self.stated_at_l_min
