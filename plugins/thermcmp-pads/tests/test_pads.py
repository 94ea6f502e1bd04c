"""Bond line and constriction against textbooks, and the covariate in a fit."""

import numpy as np
import pandas as pd
import pytest
import thermcmp_pads as pads
from scipy.integrate import quad

import thermcmp as tc
from thermcmp.inference.fitting import named_terms
from thermcmp.testing import check_plugin, sample_rows


def test_it_conforms():
    check_plugin(pads)


def test_a_chip_on_epoxy_is_as_warm_as_in_the_textbook():
    """Incropera & DeWitt, Fundamentals of Heat and Mass Transfer, chapter 3 (from memory).

    A chip of 1e4 W/m² is cooled by air of 25 °C with 100 W/(m² K) above, and below through
    0.02 mm of epoxy (0.9e-4 m² K/W, their table) and 8 mm of aluminium (239 W/(m K)) with the
    same air. Printed: 75.3 °C.
    """
    area_mm2 = 100.0
    # The joint as a layer of 1 µm of a perfect conductor and the tabled contact of 90 mm² K/W.
    joint = pads.bond_line_k_per_w(1e-3, 1e9, area_mm2, 90.0)
    base = pads.bond_line_k_per_w(8.0, 239.0, area_mm2)
    film = 1.0 / (100.0 * area_mm2 * 1e-6)
    heat_w = 1e4 * area_mm2 * 1e-6
    chip_c = 25.0 + heat_w / (1.0 / film + 1.0 / (joint + base + film))
    assert chip_c == pytest.approx(75.3, abs=0.05)


def test_a_small_pad_on_a_thick_chip_is_that_on_a_half_space():
    """8 / (3 π² k a) on average: Carslaw & Jaeger, even flux over a disk.

    The next term in the ratio of the radii, 1.41 of them, is 1.4 % of it here (Yovanovich).
    """
    chip = pads.Chip(area_mm2=1e4, thickness_mm=1e3, conductivity_w_per_m_k=150.0)
    radius_m = 1e-3 * np.sqrt(1e4 * 1e-4 / np.pi)
    half_space = 8.0 / (3.0 * np.pi**2 * 150.0 * radius_m)
    series = float(pads.constriction_k_per_w(1e-4, chip))
    assert series == pytest.approx(half_space * (1.0 - 1.41 * 0.01), rel=2e-3)


@pytest.mark.parametrize("coverage", [0.09, 0.25, 0.5])
@pytest.mark.parametrize("thickness_mm", [8.0, 20.0])
def test_a_thick_chip_agrees_with_the_closed_form_of_the_handbook(coverage, thickness_mm):
    """Song, Lee & Au 1994 (Lee, Electronics Cooling 1998; from memory), stated to 10 %."""
    chip = pads.Chip(thickness_mm=thickness_mm)
    radius_m = 1e-3 * np.sqrt(chip.area_mm2 / np.pi)
    ratio = np.sqrt(coverage)
    rate = np.pi + 1.0 / (np.sqrt(np.pi) * ratio)
    psi = 0.5 * (1.0 - ratio) ** 1.5 / np.tanh(rate * 1e-3 * thickness_mm / radius_m)
    closed = psi / (np.sqrt(np.pi) * chip.conductivity_w_per_m_k * ratio * radius_m)
    assert float(pads.constriction_k_per_w(coverage, chip)) == pytest.approx(closed, rel=0.10)


@pytest.mark.parametrize("coverage", [0.3, 0.5, 0.8])
def test_a_thin_chip_is_a_plate_without_a_gradient_through_it(coverage):
    """The balance of radial flow in a thin disk, integrated: another solution than the series."""
    b, a, d, k = 1.0, np.sqrt(coverage), 1e-4, 2.0

    def inflow(r):
        # Of one watt: what enters below outside of r less what leaves through the pad there.
        return r**2 * (1.0 / a**2 - 1.0) if r < a else 1.0 - r**2

    def rise(r):
        return quad(lambda x: inflow(x) / (2.0 * np.pi * x * k * d), 0.0, r, points=[a])[0]

    def mean(outer):
        return quad(lambda r: 2.0 * r * rise(r), 0.0, outer, points=[min(a, outer)])[0] / outer**2

    chip = pads.Chip(area_mm2=np.pi * 1e6, thickness_mm=1e3 * d, conductivity_w_per_m_k=k)
    series = float(pads.constriction_k_per_w(coverage, chip))
    assert series == pytest.approx(mean(b) - mean(a), rel=1e-3)


def test_a_pad_of_half_the_size_has_a_predicted_cost():
    chip = pads.Chip()
    whole, half = (float(pads.joint_k_per_w(1.0, 5.0, share, chip=chip)) for share in (1.0, 0.5))
    assert whole == pytest.approx(1e3 / 5.0 / 168.0)
    # The layer doubles, and the heat must gather beside it.
    assert 2.0 * whole < half < 2.5 * whole
    assert float(pads.joint_k_per_w(1.0, 5.0, 1.4, chip=chip)) == pytest.approx(whole)


def test_what_is_no_joint_is_refused():
    with pytest.raises(tc.InputError, match=r"'thickness_mm'.*\n.*'area_mm2'"):
        pads.bond_line_k_per_w(0.0, 5.0, -1.0)
    with pytest.raises(tc.InputError, match="negative"):
        pads.bond_line_k_per_w(1.0, 5.0, 1.0, -1.0)
    with pytest.raises(tc.InputError, match="coverage"):
        pads.joint_k_per_w(1.0, 5.0, 0.0)
    with pytest.raises(tc.InputError, match="'pad_conductivity_w_per_m_k': the column is missing"):
        pads.with_joint(pd.DataFrame({"pad_thickness_mm": [1.0]}))


@pytest.fixture(scope="module")
def padded():
    """A campaign in which each assembly had one of two pads, at 3.5 W per chip."""
    rows = sample_rows()
    rows = rows[rows["sensor"] == "memory"].reset_index(drop=True)
    half = rows["assembly"].astype("category").cat.codes.to_numpy() % 2 == 1
    rows = pads.with_joint(
        rows.assign(
            pad_thickness_mm=1.0, pad_conductivity_w_per_m_k=4.0,
            pad_coverage=np.where(half, 0.4, 1.0),
        )
    )  # fmt: skip
    cost_k = 3.5 * (rows[pads.COLUMN] - rows[pads.COLUMN].min()) * rows["power_w"] / 200.0
    return rows.assign(temperature_c=rows["temperature_c"] + cost_k)


def test_the_fit_finds_the_heat_through_the_joint(padded):
    """3.5 W were put in; the installed package takes part without being named."""
    fit = tc.fit(padded, draws=2000, seed=1)
    assert "joint" in [term.name for term in fit.design.terms]
    assert fit.versions["plug-in pads"] == "0.1.0"
    slope_w = fit.draws("joint")[:, 0] * 200.0 / fit.reference.power_w
    low, high = np.quantile(slope_w, [0.005, 0.995])
    assert low < 3.5 < high
    assert slope_w.std() < 0.5


def test_rows_without_pads_have_no_such_term(padded):
    plain = padded.drop(columns=pads.COLUMN)
    assert "joint" not in [term.name for term in named_terms(None, plain, "memory")]
