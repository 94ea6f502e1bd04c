"""Several sensors against their own limits."""

import numpy as np
import pytest

import thermcmp as tc
from thermcmp.errors import InputError
from thermcmp.inference.joint_fitting import fit_sensors
from thermcmp.model.conditions import Conditions
from thermcmp.questions.ranking.question import rank
from thermcmp.questions.smallest_margin.question import rank_margins

LIMITS = {"memory": 95.0, "edge": 72.0}
HELD = {"fan_rpm": 1800.0, "power_w": 200.0, "ambient_c": 25.0}


@pytest.fixture(scope="module")
def fits(peers):
    reference = Conditions(power_w=200.0, fan_rpm=1800.0)
    results = peers.campaign.results
    return fit_sensors(results, ["memory", "edge"], reference=reference, draws=1000, seed=5)


@pytest.fixture(scope="module")
def answer(fits):
    return rank_margins(fits, LIMITS, **HELD)


def smallest(fits, **conditions):
    """The smallest margin of each product in each draw, by the rankings of the single sensors."""
    margins = []
    for sensor, limit in LIMITS.items():
        draws = rank(fits[sensor], **conditions).draws["temperature_c"]
        margins.append(limit - draws.sortby("product"))
    return margins


def test_the_smallest_margin_of_each_draw_decides(fits, answer):
    memory, edge = smallest(fits, **HELD)
    least = np.minimum(memory, edge)
    for name, row in answer.table.set_index("product").iterrows():
        draws = least.sel(product=name).to_numpy()
        assert row["mean_k"] == pytest.approx(draws.mean())
        assert [row["low_k"], row["high_k"]] == pytest.approx(np.quantile(draws, [0.05, 0.95]))
        assert row["p_exceed"] == pytest.approx(np.mean(draws < 0.0))
        by_memory = float(np.mean((memory <= edge).sel(product=name)))
        assert row["decides"] == ("memory" if by_memory >= 0.5 else "edge")
        assert row["p_decides"] == pytest.approx(max(by_memory, 1.0 - by_memory))
    assert list(answer.table["mean_k"]) == sorted(answer.table["mean_k"], reverse=True)
    places = (-least).to_numpy().argsort(axis=0).argsort(axis=0) + 1
    wanted = dict(zip(least["product"].to_numpy(), places.mean(axis=1), strict=True))
    found = answer.table.set_index("product")["rank_mean"]
    assert found.to_dict() == pytest.approx(wanted)


def test_a_limit_far_away_decides_nothing(fits):
    lone = rank_margins(fits, {"memory": 95.0, "edge": 200.0}, **HELD)
    memory = rank(fits["memory"], **HELD)
    assert list(lone.table["product"]) == list(memory.table["product"])
    assert set(lone.table["decides"]) == {"memory"}
    assert lone.table["mean_k"].to_numpy() == pytest.approx(
        95.0 - memory.table["mean_c"].to_numpy()
    )
    assert list(lone.table["group"]) == list(memory.table["group"])


def test_as_bought_one_fan_serves_both_sensors(peers, fits):
    names = peers.fit.results["firmware"].dropna().unique()
    fan = tc.FanCurve((30.0, 50.0, 90.0), (1300.0, 1600.0, 2300.0))
    firmwares = {name: tc.Firmware(name=name, fan=fan, control_sensor="edge") for name in names}
    room = {"ambient_c": 24.0, "case_rise_k": 5.0, "power_w": 200.0}
    bought = rank_margins(fits, LIMITS, firmware=firmwares, **room)
    loops = [
        rank(fits["memory"], firmware=firmwares, control=fits["edge"], **room),
        rank(fits["edge"], firmware=firmwares, **room),
    ]
    speeds = [each.draws["fan_rpm"].sortby("product").to_numpy() for each in loops]
    assert speeds[0] == pytest.approx(speeds[1], abs=1e-6)
    hot = [
        limit - each.draws["temperature_c"].sortby("product")
        for limit, each in zip(LIMITS.values(), loops, strict=True)
    ]
    least = np.minimum(*hot).mean("draw")
    found = bought.table.set_index("product")["mean_k"]
    assert found.to_dict() == pytest.approx(
        dict(zip(least["product"].to_numpy(), least.to_numpy(), strict=True))
    )
    assert {"p_front", "noise_rank_mean"} <= set(bought.table)


def test_what_cannot_be_held_against_limits_is_refused(peers, fits):
    with pytest.raises(InputError, match="no fit of this sensor"):
        rank_margins(fits, {"hot spot": 100.0})
    with pytest.raises(InputError, match="give a temperature"):
        rank_margins(fits, {"memory": 900.0})
    with pytest.raises(InputError, match="no limit"):
        rank_margins(fits, {})
    with pytest.raises(InputError, match="fit_sensors"):
        rank_margins({"memory": peers.fit, "edge": fits["edge"]}, LIMITS)
    with pytest.raises(InputError, match="fan_speed"):
        rank_margins(fits, LIMITS, fan_speed=1800.0)


def test_sentences_name_what_decides_and_who_is_over(fits):
    tight = rank_margins(fits, {"memory": 60.0, "edge": 72.0}, **HELD)
    assert tight.sentences[0].startswith(f"Largest margin: {tight.table['product'].iloc[0]} with")
    assert "that of the memory" in tight.sentences[0]
    assert any("limit is exceeded" in sentence for sentence in tight.sentences)
    figure = tight.plot()
    assert figure.get_xlabel() == "Smallest margin to a limit [K]"
    shown = [label.get_text() for label in figure.get_yticklabels()]
    assert shown == list(tight.table["product"])
