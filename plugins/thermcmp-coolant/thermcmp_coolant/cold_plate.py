"""The two resistances of a cold plate that depend on the coolant flow.

References
----------
M. A. Lévêque, "Les lois de la transmission de chaleur par convection", Annales
des Mines 13 (1928): laminar flow, thermally developing, Nu = 1.615 Gz^(1/3).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from thermcmp.errors import Fault, InputError

M3_PER_S_IN_L_PER_MIN: Final = 1e-3 / 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Coolant:
    """Properties of a coolant at its working temperature.

    Attributes
    ----------
    density_kg_per_m3 : float
        Density [kg/m³].
    heat_capacity_j_per_kg_k : float
        Specific heat capacity [J/(kg K)].
    conductivity_w_per_m_k : float
        Thermal conductivity [W/(m K)].
    viscosity_pa_s : float
        Dynamic viscosity [Pa s].
    """

    density_kg_per_m3: float
    heat_capacity_j_per_kg_k: float
    conductivity_w_per_m_k: float
    viscosity_pa_s: float

    @property
    def prandtl(self) -> float:
        """Prandtl number [-]."""
        return self.viscosity_pa_s * self.heat_capacity_j_per_kg_k / self.conductivity_w_per_m_k


#: Saturated water at 300 K: Incropera & DeWitt, Fundamentals of Heat and Mass
#: Transfer, Table A.6 (values from memory; their Prandtl number is a test).
WATER: Final = Coolant(
    density_kg_per_m3=997.0,
    heat_capacity_j_per_kg_k=4179.0,
    conductivity_w_per_m_k=0.613,
    viscosity_pa_s=855e-6,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelPlate:
    """A cold plate of equal straight channels; the defaults are invented.

    Attributes
    ----------
    channels : int
        Number of parallel channels.
    width_m, height_m, length_m : float
        Size of one channel [m].
    """

    channels: int = 50
    width_m: float = 0.5e-3
    height_m: float = 4.0e-3
    length_m: float = 40.0e-3

    @property
    def hydraulic_diameter_m(self) -> float:
        """Hydraulic diameter [m]: four times the cross-section over the wetted perimeter."""
        return 2.0 * self.width_m * self.height_m / (self.width_m + self.height_m)

    @property
    def wetted_area_m2(self) -> float:
        """Wetted area [m²]: base and two walls of all channels; the lid carries no heat."""
        return self.channels * (2.0 * self.height_m + self.width_m) * self.length_m

    def reynolds(self, flow_l_min: float, coolant: Coolant = WATER) -> float:
        """Return the Reynolds number in a channel [-] at a total flow [l/min]."""
        section = self.channels * self.width_m * self.height_m
        speed = flow_l_min * M3_PER_S_IN_L_PER_MIN / section
        return (
            coolant.density_kg_per_m3 * speed * self.hydraulic_diameter_m / coolant.viscosity_pa_s
        )

    def convection_k_per_w(self, flow_l_min: float, coolant: Coolant = WATER) -> float:
        """Return the convective resistance of the plate at a flow.

        Parameters
        ----------
        flow_l_min : float
            Total flow [l/min].
        coolant : Coolant
            The coolant; water at 300 K by default.

        Returns
        -------
        float
            Resistance between channel walls and mean coolant [K/W]. With walls
            of one temperature and no loss along the fins: an estimate for a share,
            not a prediction of a temperature.

        Raises
        ------
        InputError
            If the flow is not above zero, or too fast for laminar flow
            (Reynolds number above 2300).

        References
        ----------
        Lévêque 1928, Nu = 1.615 (Re Pr D / L)^(1/3).
        """
        _require_flow(flow_l_min)
        reynolds = self.reynolds(flow_l_min, coolant)
        if reynolds > 2300.0:
            raise InputError(
                "The laminar law of the channels is not valid:",
                [Fault(f"Reynolds number {reynolds:.0f} is above 2300",
                       "give the measured resistance of the plate instead",
                       column="flow_l_min", value=f"{flow_l_min:g}")],
            )  # fmt: skip
        graetz = reynolds * coolant.prandtl * self.hydraulic_diameter_m / self.length_m
        nusselt = 1.615 * graetz ** (1.0 / 3.0)
        coefficient = nusselt * coolant.conductivity_w_per_m_k / self.hydraulic_diameter_m
        return 1.0 / (coefficient * self.wetted_area_m2)


def warming_k_per_w(flow_l_min: float, coolant: Coolant = WATER) -> float:
    """Return the mean warming of the coolant above its inlet, per watt: 1 / (2 rho c F).

    Parameters
    ----------
    flow_l_min : float
        Flow F [l/min].
    coolant : Coolant
        The coolant; water at 300 K by default.

    Returns
    -------
    float
        Resistance between mean and entering coolant [K/W].

    Raises
    ------
    InputError
        If the flow is not above zero.

    References
    ----------
    Energy balance of the stream; half of its warming is the mean for a heat
    flow spread evenly along it.
    """
    _require_flow(flow_l_min)
    capacity = coolant.density_kg_per_m3 * coolant.heat_capacity_j_per_kg_k
    return 1.0 / (2.0 * capacity * flow_l_min * M3_PER_S_IN_L_PER_MIN)


def _require_flow(flow_l_min: float) -> None:
    """Refuse a flow that is not above zero."""
    if not flow_l_min > 0.0:
        raise InputError(
            "A cold plate needs flow:",
            [Fault("not above zero", "give the flow in l/min", column="flow_l_min",
                   value=f"{flow_l_min:g}")],
        )  # fmt: skip
