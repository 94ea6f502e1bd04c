"""A creep that hardly shows in one run shows in the runs of a campaign together."""

from __future__ import annotations

import log_worlds
import numpy as np
import pandas as pd
import pytest

from thermcmp.telemetry.campaign.folder import reduce_logs
from thermcmp.telemetry.steady_state.protocol import Protocol
from thermcmp.telemetry.steady_state.run_reduction import reduce_telemetry


def sheet_of(runs):
    """The run sheet of a campaign."""
    rows = [{"file": f"r{i}.csv", "run": f"R{i}", "assembly": f"A{i}"} for i in range(runs)]
    return pd.DataFrame(rows).assign(cooler_model="Alder", board_model="Quarz")


def campaign(folder, creep_k, runs=6):
    """Logs of one card and their run sheet; each rise goes on by a creep of 2,500 s."""
    rng = np.random.default_rng(11)
    t = np.arange(1900.0)
    for i in range(runs):
        card = log_worlds.Card.draw(
            rng, seconds=len(t), idle_s=60, power_w=250.0, step_k=0.1, noise_k=0.15
        )
        card.extra_k = creep_k * -np.expm1(-np.maximum(t - 60.0, 0.0) / 2_500.0)
        card.log().frame.to_csv(folder / f"r{i}.csv", index=False)
    return reduce_logs(folder, sheet_of(runs), progress=False)


@pytest.mark.parametrize(("creep_k", "cautions"), [(4.0, 2), (-4.0, 2), (0.0, 0)])
def test_a_creep_in_all_runs_is_named_for_each_sensor(tmp_path, creep_k, cautions):
    found = [c for c in campaign(tmp_path, creep_k).cautions if "goes on moving" in c]
    assert len(found) == cautions
    assert all("at the end of its 6 runs" in caution for caution in found)


@pytest.mark.parametrize("creep_k", [4.0, -4.0])
def test_a_creep_that_several_runs_show_is_in_the_error_of_each(tmp_path, creep_k):
    reduced = campaign(tmp_path, creep_k, runs=8)
    stated = Protocol(creeping=("memory", "junction"))
    again = reduce_logs(tmp_path, sheet_of(8), stated, progress=False)
    pd.testing.assert_frame_equal(again.results, reduced.results)
    assert not any("goes on moving" in caution for caution in again.cautions)
    # The same cards and noise without their creep.
    (tmp_path / "without").mkdir()
    without = campaign(tmp_path / "without", 0.0, runs=8).results
    both = reduced.results.merge(without, on=["run", "sensor"], suffixes=("", "_without"))
    away_k = both["temperature_c"] - both["temperature_c_without"] - creep_k
    assert np.sum(np.abs(away_k) > 2.0 * both["standard_error_k"]) <= 1
    # In 1,840 s at load the end of most is not known.
    assert reduced.refused["reason"].str.contains("run longer|uncertain by|goes back").sum() >= 6


def test_a_creep_that_is_likelier_than_not_is_in_the_row():
    t = np.arange(3000.0)
    card = log_worlds.Card.draw(np.random.default_rng(3), seconds=3000, step_k=0.1, noise_k=0.08)
    card.extra_k = 5.0 * -np.expm1(-np.maximum(t - card.idle_s, 0.0) / 2_000.0)
    reduction = reduce_telemetry(card.log().frame)
    check = next(c for c in reduction.checks if c.name == "creep" and c.sensor == "memory")
    assert check.figure > 50.0
    row = reduction.estimates.set_index("sensor").loc["memory"]
    assert row["protocol_verdict"] in {"corrected", "refused"}
    if row["protocol_verdict"] == "corrected":
        assert "a creep of 1,400 s and more" in row["protocol_reason"]
