"""The coolant-flow law against energy balance, handbook exponents and its host."""

import subprocess
import sys

import numpy as np
import pytest
import thermcmp_coolant
from thermcmp_coolant import WATER, ChannelPlate, CoolantLaw, convection_share, warming_k_per_w

from thermcmp import hooks
from thermcmp.errors import InputError
from thermcmp.physics.airflow import AirflowLaw, PowerLaw, airflow_law, check_airflow_law
from thermcmp.testing import check_plugin

FLOWS = np.array([0.3, 0.8, 1.0, 1.5, 4.0])


def test_it_conforms():
    check_plugin(thermcmp_coolant)


def test_water_has_the_printed_prandtl_number():
    # Incropera & DeWitt, Table A.6, saturated water at 300 K: Pr = 5.83.
    assert WATER.prandtl == pytest.approx(5.83, abs=0.005)


def test_warming_is_half_of_the_energy_balance():
    # Common practice, no source: about 250 W warm 1 l/min of water by 3.6 K.
    assert 2 * 250.0 * warming_k_per_w(1.0) == pytest.approx(3.6, abs=0.01)
    assert warming_k_per_w(2.0) == pytest.approx(warming_k_per_w(1.0) / 2, rel=1e-12)


def test_plate_follows_a_second_correlation():
    # Hausen 1943 (Incropera, eq. 8.57): Nu = 3.66 + 0.0668 Gz / (1 + 0.04 Gz^(2/3)), an
    # independent fit of the same laminar entrance; Lévêque's is its limit of high Gz.
    plate = ChannelPlate()
    for flow in (0.7, 1.0, 2.0, 6.0):
        graetz = plate.reynolds(flow) * WATER.prandtl * plate.hydraulic_diameter_m / plate.length_m
        nusselt = 3.66 + 0.0668 * graetz / (1 + 0.04 * graetz ** (2 / 3))
        area, diameter = plate.wetted_area_m2, plate.hydraulic_diameter_m
        hausen = diameter / (nusselt * WATER.conductivity_w_per_m_k * area)
        assert plate.convection_k_per_w(flow) == pytest.approx(hausen, rel=0.12)


def test_plate_refuses_turbulent_channels_and_no_flow():
    with pytest.raises(InputError, match="above 2300"):
        ChannelPlate(channels=1).convection_k_per_w(1.0)
    with pytest.raises(InputError, match="needs flow"):
        ChannelPlate().convection_k_per_w(0.0)


def test_default_share_comes_from_the_stated_plate():
    plate = ChannelPlate().convection_k_per_w(1.0)
    assert CoolantLaw().share == convection_share(plate, 1.0)
    assert CoolantLaw().share == pytest.approx(plate / (plate + warming_k_per_w(1.0)), rel=1e-12)
    assert 0.5 < CoolantLaw().share < 0.9


def test_factor_is_the_two_resistances_in_series():
    plate, law = ChannelPlate(), CoolantLaw()
    at = {f: plate.convection_k_per_w(f) + warming_k_per_w(f) for f in (0.4, 1.0, 2.5)}
    # With Lévêque's exponent of 1/3 the law must reproduce the plate's resistances.
    for flow, reference in ((0.4, 1.0), (2.5, 1.0), (2.5, 0.4)):
        assert law.factor(flow, reference, 1 / 3) == pytest.approx(
            at[flow] / at[reference], rel=1e-12
        )


@pytest.mark.parametrize("exponent", [1 / 3, 0.8])
def test_limits_are_the_power_law_and_the_energy_balance(exponent):
    pure = CoolantLaw(share=1.0).factor(FLOWS, 1.5, exponent)
    np.testing.assert_allclose(pure, PowerLaw().factor(FLOWS, 1.5, exponent), rtol=1e-12)
    warming = CoolantLaw(share=0.0).factor(FLOWS, 1.5, exponent)
    np.testing.assert_allclose(warming, 1.5 / FLOWS, rtol=1e-12)


def test_prior_covers_laminar_and_turbulent_flow():
    law = CoolantLaw()
    # Lévêque 1928; Dittus & Boelter 1930.
    for handbook in (1 / 3, 0.8):
        assert abs(handbook - law.exponent_prior_mean) < 1.6 * law.exponent_prior_sd


@pytest.mark.parametrize("law", [CoolantLaw(), CoolantLaw(share=0.3, stated_at_l_min=2.0)])
@pytest.mark.parametrize("reference", [0.5, 1.0, 3.0])
def test_law_passes_its_checks_in_numbers_and_in_pytensor(law, reference):
    assert isinstance(law, AirflowLaw)
    check_airflow_law(law, FLOWS, reference)


def test_invalid_laws_and_flows_are_refused():
    with pytest.raises(InputError) as caught:
        CoolantLaw(share=1.2, stated_at_l_min=0.0)
    assert [f.column for f in caught.value.faults] == ["share", "stated_at_l_min"]
    for method in (CoolantLaw().factor, CoolantLaw().slope):
        with pytest.raises(InputError, match=r"flow_speed.*never heat a dry cold plate"):
            method([0.0, 1.0], 1.0, 0.57)
    assert np.isnan(CoolantLaw().factor(np.nan, 1.0, 0.57))


def test_installed_package_is_found_through_its_entry_point():
    """A fresh interpreter, since this one's registry may have been built in another test."""
    script = (
        "from thermcmp import hooks; from thermcmp.physics.airflow import airflow_law; "
        "r = [r for r in hooks.plugins() if r.distribution == 'thermcmp-coolant']; "
        "print([(x.name, x.status.value, x.provides) for x in r], "
        "airflow_law('coolant flow').column)"
    )
    finished = subprocess.run(
        [sys.executable, "-W", "error", "-c", script], capture_output=True, text=True, check=True
    )
    expected = [("coolant", "loaded", ("airflow law 'coolant flow'",))]
    assert finished.stdout.strip() == f"{expected} coolant_flow_l_min"


def test_a_further_law_is_registered_beside_the_default():
    plate_b = CoolantLaw(name="coolant flow, plate B", share=0.4)

    class Bench:
        @hooks.hookimpl
        def thermcmp_airflow_laws(self):
            return [plate_b]

    hooks.use_plugin(Bench(), name="plate B")
    try:
        found = airflow_law("coolant flow, plate B")
        assert float(found.factor(2.0, 1.0, 0.57)) == float(plate_b.factor(2.0, 1.0, 0.57))
        assert airflow_law("coolant flow") == thermcmp_coolant.CoolantLaw()
    finally:
        hooks.forget_plugin("plate B")
