"""Both questions on campaigns whose truth was put in."""

import numpy as np
import pandas as pd
import pytest
import thermcmp_sensors

import thermcmp as tc
from thermcmp.testing import check_answer, check_plugin, sample_rows


def test_it_conforms():
    check_plugin(thermcmp_sensors)


SPEEDS = np.array([1000.0, 1400.0, 2000.0, 2800.0])


def campaign(contact_k=0.0, airflow_k=0.0):
    """Four assemblies at four fan speeds, twice each; one of them has a known excess.

    The rise of all is 25 K plus 30 K (N / 1500)^-0.65, with 0.3 K of scatter.
    """
    speed = np.tile(np.repeat(SPEEDS, 2), 4)
    names = np.repeat(["A on X", "A on X again", "B on X", "B on X again"], 8)
    flow = (speed / 1500.0) ** -0.65
    hot = names == "A on X again"
    rise = 25.0 + contact_k * hot + (30.0 + airflow_k * hot) * flow
    noise = np.random.default_rng(4).normal(0.0, 0.3, len(speed))
    return pd.DataFrame({
        "run": [f"R{i}" for i in range(len(speed))], "lab": "North", "bench": "1",
        "session": names, "assembly": names, "sensor": "memory",
        "cooler_model": [name[0] for name in names], "cooler_id": [name[0] for name in names],
        "board_model": "X", "board_id": "X1", "memory_vendor": "Quill", "firmware": "fw 1",
        "assembly_kind": "bench", "fan_mode": "fixed", "fan_rpm": speed, "power_w": 200.0,
        "ambient_c": 22.0, "temperature_c": 22.0 + rise + noise,
    })  # fmt: skip


ASKED = {"hot": "A on X again", "cool": "A on X"}


@pytest.mark.parametrize(
    ("contact_k", "airflow_k", "word"),
    [(8.0, 0.0, "Contact:"), (0.0, 12.0, "Airflow:"), (6.0, 8.0, "Both"), (0.0, 0.0, "It is not")],
)
def test_an_excess_that_was_put_in_is_named(contact_k, airflow_k, word):
    fit = tc.fit(campaign(contact_k, airflow_k), draws=1000, seed=1)
    answer = tc.ask(fit, "contact or airflow", **ASKED)
    check_answer(answer)
    rows = answer.table.set_index("name")
    at_reference = (fit.reference.flow_speed / 1500.0) ** -0.65
    for part, truth in (("contact", contact_k), ("airflow", airflow_k * at_reference)):
        # The 90 % interval is 1.64 standard errors on each side; four of them hold the truth.
        error = (rows.loc[part, "high_k"] - rows.loc[part, "low_k"]) / 3.29
        assert error < 2.5
        assert abs(rows.loc[part, "mean_k"] - truth) < 4.0 * error
    assert answer.sentences[1].startswith(word)
    assert answer.caveats[-1] == "They also differ in session, whose effects are part of these."


def test_the_parts_are_those_of_least_squares():
    """Equal power, one exponent and no constant part: the textbook regression with interaction."""
    fit = tc.fit(campaign(5.0, 3.0), draws=400, seed=1)
    chosen = fit.results[fit.results["assembly"].isin(ASKED.values())]
    hot = (chosen["assembly"] == ASKED["hot"]).to_numpy(float)
    means = {name: float(fit.draws(name).mean()) for name in ("airflow exponent", "constant part")}
    flow = (chosen["fan_rpm"].to_numpy(float) / fit.reference.flow_speed) ** -means[
        "airflow exponent"
    ]
    power = chosen["power_w"].to_numpy(float) / fit.reference.power_w
    rise = (chosen["temperature_c"] - chosen["ambient_c"] - means["constant part"]) / power
    columns = np.column_stack([np.ones(len(hot)), flow, hot, hot * flow])
    contact, airflow = np.linalg.lstsq(columns, rise.to_numpy(float), rcond=None)[0][2:]
    rows = tc.ask(fit, "contact or airflow", **ASKED).table.set_index("name")["mean_k"]
    # Draws of the exponent bend the factor a little, and 400 draws scatter.
    assert rows["contact"] == pytest.approx(contact, abs=0.3)
    assert rows["airflow"] == pytest.approx(airflow, abs=0.3)


def test_one_fan_speed_names_the_missing_run():
    rows = campaign()
    kept = rows[(rows["assembly"] != ASKED["hot"]) | (rows["fan_rpm"] == 1400.0)]
    fit = tc.fit(kept.reset_index(drop=True), draws=400, seed=1)
    with pytest.raises(tc.NotEstimableError, match=r"run at 1400 rpm only. Fix: run it at another"):
        tc.ask(fit, "contact or airflow", **ASKED)
    with pytest.raises(tc.InputError, match="no run of it"):
        tc.ask(fit, "contact or airflow", hot="nowhere", cool="A on X")
    with pytest.raises(tc.InputError, match="no such column"):
        tc.ask(fit, "contact or airflow", **ASKED, column="assmbly")


def test_sensors_that_share_their_assemblies_move_together():
    """Memory and junction get one and the same assembly effect; the edge has its own."""
    rows = sample_rows(3)
    names = sorted(rows["assembly"].unique())
    rng = np.random.default_rng(5)
    shared, own = (dict(zip(names, rng.normal(0.0, 4.0, len(names)), strict=True)) for _ in "ab")
    extra = np.where(rows["sensor"] == "edge", rows["assembly"].map(own),
                     rows["assembly"].map(shared))  # fmt: skip
    fits = tc.fit_sensors(
        rows.assign(temperature_c=rows["temperature_c"] + extra.astype(float)), draws=1000, seed=1
    )
    answer = tc.ask(fits, "sensors together")
    check_answer(answer)
    table = answer.table.set_index("name")
    (both,) = [name for name in table.index if "edge" not in name]
    others = [name for name in table.index if name != both]
    assert table.loc[both, "low"] > 0.0
    assert (table.loc[both, "mean"] > table.loc[others, "mean"] + 0.3).all()
    assert any(both in text and "move together" in text for text in answer.sentences)
    with pytest.raises(tc.InputError, match="fit_sensors"):
        tc.ask(fits["edge"], "sensors together")
    with pytest.raises(tc.InputError, match="not correlated"):
        tc.ask(fits, "sensors together", term="asembly")
