"""Regulated runs: their density, both engines against brute force, and what they find."""

from dataclasses import replace

import numpy as np
import pytensor.tensor as pt
import pytest
from closed_loops import REFERENCE_RPM, REFERENCE_W, Bench, Card
from scipy.integrate import quad
from scipy.special import logsumexp
from scipy.stats import norm

from thermcmp.inference import fitting
from thermcmp.inference.conditional.engine import run_conditional
from thermcmp.inference.conditional.problem import thermal_problem
from thermcmp.inference.diagnostics import Health
from thermcmp.inference.fitting import fit
from thermcmp.inference.nuts.likelihood import held as held_density
from thermcmp.inference.regulated_likelihood import in_kelvin, log_jacobian
from thermcmp.model.conditions import Conditions
from thermcmp.model.design import build_design
from thermcmp.model.priors import HalfNormal, Normal
from thermcmp.model.terms import BUILT_IN
from thermcmp.physics.airflow import airflow_law
from thermcmp.physics.closed_loop import equilibrium
from thermcmp.physics.fan_controls import TargetTemperature
from thermcmp.physics.firmware import Firmware
from thermcmp.physics.sensor_law import SensorLaw
from thermcmp.results.validation import check_results

AT = Conditions(power_w=REFERENCE_W, fan_rpm=REFERENCE_RPM)
TWO = ["cooler_model", "cooler_model airflow", "cooler_model exponent"]
#: Part of the rise that does not follow power in the comparisons by hand [K].
CONSTANT_K = 5.0


def design_of(frame, terms=(), **priors):
    return build_design(
        check_results(frame),
        sensor=None,
        terms=[term for term in BUILT_IN if term.name in terms],
        law=airflow_law("power law"),
        reference=fitting.stated_reference(AT),
        priors=priors,
    )


def one_card(seed=1):
    """Ten runs held by the fan, three by power, two at fixed speeds."""
    rng, bench = np.random.default_rng(seed), Bench(scatter_k=1.2)
    card = Card("Heron-C1", 52.0, 28.0)
    rows = [
        *bench.by_fan(card, 74.0, 10, rng),
        *bench.by_power(card, 76.0, (1500.0, 1800.0, 2100.0), rng),
        *bench.free(card, (1700.0, 1900.0), rng),
    ]
    return bench.frame(rows)


def test_the_simulated_loop_is_that_of_the_firmware():
    rng, bench = np.random.default_rng(3), Bench(scatter_k=0.0)
    card = Card("Heron-C1", 52.0, 28.0)
    for row in bench.by_fan(card, 75.0, 5, rng):
        law = SensorLaw(
            ambient_c=row["ambient_c"],
            power_w=row["power_w"],
            resistance_k_per_w=card.rise_k / REFERENCE_W,
            convective_k_per_w=card.airflow_k / REFERENCE_W,
            exponent=card.exponent,
            reference_rpm=REFERENCE_RPM,
        )
        found = equilibrium(Firmware(name="fw 1", fan=TargetTemperature(75.0, 600.0, 4000.0)), law)
        assert found.fan_rpm[0] == pytest.approx(row["fan_rpm"], rel=1e-6)


@pytest.mark.parametrize(
    ("by", "place", "column"),
    [("fan", 0, "fan_rpm"), ("power", 10, "power_w")],
)
def test_the_density_of_what_the_loop_moved_adds_up_to_one(by, place, column):
    frame = one_card().iloc[[place, 13]].reset_index(drop=True)
    frame.loc[1, ["cooler_model", "cooler_id", "assembly"]] = ["Heron-C2", "Heron-C2-1", "other"]
    assert frame.loc[0, "regulated_by"] == by
    assert not frame.loc[1, "regulated"]
    design, sigma = design_of(frame, TWO), 0.7
    # Baselines and constant part, then what the two coolers differ in all three terms.
    effects = np.array([[52.0, 26.0, 8.0, -1.0, 1.0, 1.0, -1.0, 4.0, -4.0]])
    # The exponent of the ratio of slopes, where it is exact.
    exponent = np.array([0.65])

    def density(x):
        flow_speed, power = design.flow_speed.copy(), design.power_ratio.copy()
        if by == "fan":
            flow_speed[0] = x
        else:
            power[0] = x / REFERENCE_W
        moved = replace(design, flow_speed=flow_speed, power_ratio=power)
        g = (flow_speed[0] / REFERENCE_RPM) ** -exponent[0]
        bend = -np.log(flow_speed[0] / REFERENCE_RPM) * g
        rise = power[0] * (51.0 + 27.0 * (g - 1.0) + 4.0 * bend) + (1.0 - power[0]) * 8.0
        jacobian = log_jacobian(moved, effects, exponent)[0]
        return norm.pdf(design.rise_k[0], rise, sigma) * np.exp(jacobian)

    middle = frame.loc[0, column]
    total, _ = quad(density, 0.4 * middle, 3.0 * middle, points=[middle], limit=200)
    assert total == pytest.approx(1.0, abs=1e-6)


def test_an_error_of_the_fan_speed_joins_the_variance_by_its_own_slope():
    """The density of a speed read with an error, by convolution: what docs/model.md says."""
    design, sigma, u = design_of(one_card().iloc[[0, 13]].reset_index(drop=True)), 0.5, 40.0
    effects, exponent = np.array([[51.0, 27.0, 8.0]]), np.array([0.62])

    def parts(speed):
        moved = replace(design, flow_speed=np.array([speed, design.flow_speed[1]]))
        g = (speed / REFERENCE_RPM) ** -exponent[0]
        share = design.power_ratio[0]
        rise = share * (effects[0, 0] + effects[0, 1] * (g - 1.0)) + (1.0 - share) * effects[0, 2]
        return design.rise_k[0] - rise, np.exp(log_jacobian(moved, effects, exponent)[0])

    grid = np.linspace(0.5, 2.0, 401) * design.flow_speed[0]
    rest, jacobian = np.array([parts(speed) for speed in grid]).T
    middle = grid[np.argmin(np.abs(rest))]
    for read in middle + np.array([-80.0, 0.0, 80.0]):
        exact = np.trapezoid(norm.pdf(read, grid, u) * norm.pdf(rest, 0.0, sigma) * jacobian, grid)
        here, slope = parts(read)
        stated = norm.pdf(here, 0.0, np.hypot(sigma, slope * u)) * slope
        # To first order: slopes change by some 5 % over two errors of this speed.
        assert stated == pytest.approx(exact, rel=0.07)
        assert norm.pdf(here, 0.0, sigma) * slope != pytest.approx(exact, rel=0.2)


def test_a_loop_that_could_not_have_held_has_no_density():
    design = design_of(one_card())
    # More air does not cool, more power does not warm: neither by r nor beside the constant part.
    effects = np.array(
        [[52.0, 28.0, 8.0], [52.0, -1.0, 8.0], [-5.0, 28.0, 8.0], [52.0, 28.0, 70.0]]
    )
    found = log_jacobian(design, effects, np.full(4, 0.65))
    assert np.isfinite(found).tolist() == [True, False, False, False]


def test_the_graph_has_the_same_numbers():
    rng, bench = np.random.default_rng(2), Bench()
    cards = Card("Heron-C1", 52.0, 28.0), Card("Heron-C2", 49.0, 22.0)
    rows = [row for card in cards for row in bench.by_fan(card, 75.0, 3, rng)]
    rows += bench.by_power(cards[1], 74.0, (1500.0, 2000.0), rng)
    design = design_of(bench.frame(rows), TWO)
    effects = np.array([50.0, 25.0, 8.0, 1.0, -1.0, 2.0, -3.0, 2.0, -2.0])
    effects = effects + rng.normal(0.0, 1.0, (4, 9))
    exponent = np.array([0.5, 0.6, 0.7, 0.8])
    numbers = log_jacobian(design, effects, exponent)
    graphs = [
        float(pt.sum(held_density(pt.concatenate(in_kelvin(design, one, m)))).eval())
        for one, m in zip(effects, exponent, strict=True)
    ]
    assert np.ptp(numbers - graphs) < 1e-9
    assert np.ptp(numbers) > 0.1


#: The grid's prior of the scatter, which scales with the rise by default.
SCATTER = {"residual sd": HalfNormal(1.0)}


def brute_force(frame, priors, size=41):
    """Posterior moments of rise, airflow part, exponent and scatter on a grid, by hand."""
    axes = [
        np.linspace(48.0, 56.0, size),
        np.linspace(1.0, 66.0, size),
        np.linspace(0.3, 1.0, size),
        np.linspace(0.35, 3.5, size),
    ]
    r, s, m, sigma = np.meshgrid(*axes, indexing="ij", sparse=True)
    log_p = (
        sum(
            norm.logpdf(value, prior.mean, prior.sd)
            for value, prior in zip((r, s, m), priors, strict=True)
        )
        - 0.5 * sigma**2
    )
    for row in frame.to_dict("records"):
        p, n = row["power_w"] / REFERENCE_W, row["fan_rpm"] / REFERENCE_RPM
        unit = r + s * (n**-m - 1.0)
        rest = row["temperature_c"] - row["ambient_c"] - p * unit - (1.0 - p) * CONSTANT_K
        log_p = log_p - np.log(sigma) - 0.5 * (rest / sigma) ** 2
        if row["regulated_by"] == "fan":
            log_p = log_p + np.log(p * s * m * n ** (-m - 1.0))
        elif row["regulated_by"] == "power":
            log_p = log_p + np.log(unit - CONSTANT_K)
    weight = np.exp(log_p - logsumexp(log_p))
    found = []
    for place, axis in enumerate(axes):
        others = tuple(k for k in range(4) if k != place)
        share = weight.sum(axis=others)
        # Nothing of it lies beyond the grid.
        assert max(share[0], share[-1]) < 2e-3 * share.max()
        mean = share @ axis
        found.append((mean, np.sqrt(share @ (axis - mean) ** 2)))
    return np.array(found)


@pytest.fixture(scope="module")
def held():
    """One card's runs, its priors, and its posterior by brute force."""
    frame = one_card()
    priors = {
        "baseline": Normal(50.0, 10.0),
        "airflow baseline": Normal(30.0, 10.0),
        "airflow exponent": Normal(0.65, 0.1),
    }
    expected = brute_force(frame, list(priors.values()))
    # A fifth dimension is too much for a grid, so the constant part is held.
    return frame, priors | {"constant part": Normal(CONSTANT_K, 1e-3), **SCATTER}, expected


@pytest.mark.parametrize("engine", ["conditional", pytest.param("nuts", marks=pytest.mark.study)])
def test_both_engines_agree_with_brute_force(held, engine):
    frame, priors, expected = held
    # The scatter's posterior has a long tail: weighted draws know its width less well.
    draws = {"conditional": 6000, "nuts": 2000}[engine]
    model = fit(
        frame, engine=engine, reference=AT, priors=priors, expand="none", draws=draws, seed=5
    )
    assert model.health is not Health.BAD
    names = ["baseline", "airflow baseline", "airflow exponent", "residual sd"]
    draws = np.stack([model.draws(name) for name in names])
    off = (draws.mean(axis=1) - expected[:, 0]) / expected[:, 1]
    # From 1000 effective draws on 0.12 is nearly four standard errors of a mean.
    assert np.max(np.abs(off)) < 0.12
    assert draws.std(axis=1) == pytest.approx(expected[:, 1], rel=0.1)


def test_without_the_jacobian_the_posterior_is_another_one(held):
    frame, priors, expected = held
    design = design_of(frame, **priors)
    found = run_conditional(*thermal_problem(design), draws=4000, seed=5)
    off = (found.effects[:, 1].mean() - expected[1, 0]) / expected[1, 1]
    # Ten runs of one target, whose fan moved with the scatter: it would be read as idle.
    assert off < -0.5
