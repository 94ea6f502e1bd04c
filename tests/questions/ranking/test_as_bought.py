"""Products ranked under the loops of their own firmwares."""

import dataclasses

import numpy as np
import pytest
from scipy.optimize import brentq

import thermcmp as tc
from thermcmp.errors import InputError
from thermcmp.questions.build_prediction.question import predict
from thermcmp.questions.ranking.question import rank
from thermcmp.questions.ranking.tables import front_chances
from thermcmp.simulation import Peers, simulate

AIR = {"ambient_c": 22.0, "case_rise_k": 6.0}
WARM = (40.0, 60.0, 100.0)


def curve(place):
    """A fan curve; each firmware has a faster one than the one before."""
    return tc.FanCurve(WARM, (1100.0 + 60.0 * place, 1400.0 + 60.0 * place, 2300.0))


@pytest.fixture(scope="module")
def firmwares(peers):
    names = sorted(peers.fit.results["firmware"].dropna().unique())
    return {name: tc.Firmware(name=name, fan=curve(k)) for k, name in enumerate(names)}


@pytest.fixture(scope="module")
def bought(peers, firmwares):
    return rank(peers.fit, firmware=firmwares, power_w=200.0, **AIR)


def column(answer, name):
    return answer.table.set_index("product")[name]


def test_every_card_stands_where_its_curve_and_its_cooling_meet(bought, firmwares):
    for name, fan in (
        (str(row.product.item()), firmwares[str(row.product.item()).split(" / ")[1]].fan)
        for _, row in bought.draws.groupby("product")
    ):
        row = bought.draws.sel(product=name)
        on_curve = np.interp(row["temperature_c"], fan.temperature_c, fan.fan_rpm)
        # Of the numeric solution: a thousandth of a turn.
        assert row["fan_rpm"].to_numpy() == pytest.approx(on_curve, abs=1e-3)


def test_temperatures_are_those_of_the_true_loop(peers, bought, firmwares):
    for name, row in bought.table.set_index("product").iterrows():
        product, firmware = name.split(" / ")
        fan = firmwares[firmware].fan

        def gap(celsius, product=product, fan=fan):
            speed = np.interp(celsius, fan.temperature_c, fan.fan_rpm)
            rise = peers.truth.rise_k(
                "memory", product, fan_rpm=speed, power_w=200.0, scope="product line"
            )
            return 28.0 + rise - celsius

        truth = brentq(gap, 30.0, 200.0)
        width = (row["high_c"] - row["low_c"]) / 2.0
        assert row["mean_c"] == pytest.approx(truth, abs=2.5 * width)


def test_held_fans_are_ranked_as_at_equal_speed(peers, firmwares):
    held = {name: tc.Firmware(name=name, fan=tc.FixedSpeed(1700.0)) for name in firmwares}
    loop = rank(peers.fit, firmware=held, power_w=200.0, **AIR)
    equal = rank(peers.fit, fan_rpm=1700.0, power_w=200.0, **AIR)
    plain = [name.split(" / ")[0] for name in loop.table["product"]]
    assert plain == list(equal.table["product"])
    for name in ("mean_c", "low_c", "high_c", "rank_mean", "p_best", "fan_rpm", "noise_dba"):
        assert loop.table[name].to_numpy() == pytest.approx(equal.table[name].to_numpy())


def test_a_card_has_the_numbers_of_its_prediction(peers, firmwares):
    loop = rank(peers.fit, firmware=firmwares, scope="specimens", **AIR)
    name = loop.table["product"].iloc[0]
    alone = predict(peers.fit, name, firmware=firmwares, scope="specimens", **AIR)
    wanted = alone.table.set_index("quantity")
    row = loop.table.iloc[0]
    assert [row["mean_c"], row["low_c"], row["high_c"]] == pytest.approx(
        list(wanted.loc["temperature", ["mean", "low", "high"]])
    )
    assert row["noise_dba"] == pytest.approx(wanted.loc["noise", "mean"])


def test_the_front_holds_what_no_other_beats_in_both():
    rng = np.random.default_rng(3)
    warmth, levels = rng.normal(70.0, 2.0, (200, 5)), rng.normal(38.0, 1.0, (200, 5))
    warmth[:, 4], levels[:, 4] = warmth[:, 3], levels[:, 3]
    counts = np.zeros(5)
    for t, n in zip(warmth, levels, strict=True):
        for k in range(5):
            counts[k] += not any(
                t[j] <= t[k] and n[j] <= n[k] and (t[j], n[j]) != (t[k], n[k]) for j in range(5)
            )
    chances = front_chances(warmth, levels)
    assert chances == pytest.approx(counts / 200.0)
    # Equal products do not beat each other.
    assert chances[3] == chances[4] > 0.0


def test_noise_has_ranks_and_the_front_its_chances(bought):
    levels = bought.draws["noise_dba"].to_numpy()
    places = levels.argsort(axis=0).argsort(axis=0) + 1
    assert bought.table["noise_rank_mean"].to_numpy() == pytest.approx(places.mean(axis=1))
    # Somebody is on the front of every draw, and the coolest of all always is.
    assert bought.table["p_front"].sum() >= 1.0
    assert (bought.table["p_front"] >= bought.table["p_best"] - 1e-12).all()
    assert any(sentence.startswith("Quietest: ") for sentence in bought.sentences)
    assert "as if" not in bought.title
    assert "own firmware in a room of 22 °C (28 °C at the intake)" in bought.title


def test_fan_speed_and_noise_have_intervals(peers, bought):
    for answer in (bought, rank(peers.fit, noise_dba=38.0)):
        assert (answer.table["fan_rpm_low"] < answer.table["fan_rpm_high"]).all()
        assert answer.table["fan_rpm"].between(*_ends(answer, "fan_rpm")).all()
        assert answer.table["noise_dba"].between(*_ends(answer, "noise_dba")).all()


def _ends(answer, name):
    tiny = 1e-9
    return answer.table[f"{name}_low"] - tiny, answer.table[f"{name}_high"] + tiny


def test_a_firmware_that_is_not_described_leaves_its_card_out(peers, firmwares):
    known = dict(list(firmwares.items())[1:])
    answer = rank(peers.fit, firmware=known, **AIR)
    last = answer.table.iloc[-1]
    (missing,) = set(firmwares) - set(known)
    assert last["product"].endswith(missing)
    assert last["health"] == f"not estimable: firmware '{missing}' is not described"
    assert np.isnan(last["mean_c"])
    assert answer.table["mean_c"].notna().sum() == len(known)
    assert any("Not ranked" in caveat for caveat in answer.caveats)


def test_a_card_whose_power_is_not_known_says_so(peers, firmwares):
    rows = peers.fit.design.rows
    first = sorted(firmwares)[0]
    unseen = rows.assign(
        fan_mode=rows["fan_mode"].mask(
            rows["firmware"].eq(first) & rows["fan_mode"].eq("stock"), "fixed"
        )
    )
    design = dataclasses.replace(peers.fit.design, rows=unseen)
    answer = rank(dataclasses.replace(peers.fit, design=design), firmware=firmwares, **AIR)
    health = column(answer, "health")
    (name,) = [name for name in health.index if name.endswith(first)]
    assert "the power under firmware" in health[name]
    assert "state power_w" in health[name]


def test_a_fan_that_stops_gives_no_number(peers, firmwares):
    first = sorted(firmwares)[0]
    cold = dataclasses.replace(firmwares[first], start_c=150.0, stop_c=150.0)
    answer = rank(peers.fit, firmware={**firmwares, first: cold}, power_w=200.0, **AIR)
    health = column(answer, "health")
    (name,) = [name for name in health.index if name.endswith(first)]
    assert health[name].startswith("not estimable: no steady state in 100%")


def test_each_firmware_may_follow_a_sensor_of_its_own(firmwares):
    results = simulate(Peers(products=4, specimens=1, remounts=1, sessions=2), seed=5).results
    sensors = sorted(results["sensor"].unique())[:2]
    fits = tc.fit_sensors(results, sensors, draws=400, seed=5)
    judged, other = (fits[sensor] for sensor in sensors)
    loops = {
        name: dataclasses.replace(firmware, control_sensor=sensors[place % 2])
        for place, (name, firmware) in enumerate(sorted(firmwares.items()))
    }
    both = rank(judged, firmware=loops, control=(judged, other), power_w=200.0, **AIR)
    assert both.fits == (judged, judged, other)
    together = both.table.set_index("product")
    for control in (judged, other):
        names = {n for n, loop in loops.items() if loop.control_sensor == control.sensor}
        cards = [name for name in together.index if name.split(" / ")[1] in names]
        assert cards
        alone = rank(
            judged, products=cards, firmware=loops, control=control, power_w=200.0, **AIR
        ).table.set_index("product")
        for column_name in ("mean_c", "fan_rpm"):
            assert alone.loc[cards, column_name].to_numpy() == pytest.approx(
                together.loc[cards, column_name].to_numpy(float)
            )
    with pytest.raises(InputError, match="give control=, a fit of the"):
        rank(judged, firmware=loops, control=(judged, judged), power_w=200.0, **AIR)


def test_what_contradicts_a_firmware_is_refused(peers, firmwares):
    with pytest.raises(InputError, match="leave fan_rpm out"):
        rank(peers.fit, firmware=firmwares, fan_rpm=1800.0)
    with pytest.raises(InputError, match="leave noise_dba out"):
        rank(peers.fit, firmware=firmwares, noise_dba=40.0)
    with pytest.raises(InputError, match="no firmware follows it"):
        rank(peers.fit, control=peers.fit)
    fewer = dataclasses.replace(peers.fit, posterior=peers.fit.posterior.isel(draw=slice(0, 100)))
    with pytest.raises(InputError, match="same draws="):
        rank(peers.fit, firmware=firmwares, control=fewer)
    with pytest.raises(InputError, match="names no firmware"):
        rank(peers.fit, firmware=firmwares, products=[peers.fit.results["product"].iloc[0]])
