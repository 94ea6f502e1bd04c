"""One log with several runs: blocks of a set point, sessions, cards."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from thermcmp.telemetry.campaign.folder import reduce_logs

PARTS = {"cooler_model": "Alder r1", "board_model": "Quarz", "cooler_id": "C1", "board_id": "B1"}


@pytest.fixture
def reduced(tmp_path):
    """Reduce a frame as the log of run R1."""

    def run(frame, **options):
        frame.to_csv(tmp_path / "all.csv", index=False)
        sheet = pd.DataFrame([{"file": "all.csv", "run": "R1", **PARTS}])
        return reduce_logs(tmp_path, sheet, progress=False, **options)

    return run


def chained(*frames, gap_s=1.0):
    """Frames one after the other on one clock."""
    start, out = 0.0, []
    for frame in frames:
        out.append(frame.assign(time_s=frame["time_s"] + start))
        start = float(out[-1]["time_s"].iloc[-1]) + gap_s
    return pd.concat(out, ignore_index=True)


def test_blocks_of_a_set_point_are_runs(clean_run, reduced):
    powers, rises = (200.0, 260.0, 200.0), (44.0, 57.0, 44.0)
    blocks = [
        clean_run(seconds=1300, idle_s=0, power_w=p, rise_k=r, seed=i).assign(Set_W=int(p))
        for i, (p, r) in enumerate(zip(powers, rises, strict=True))
    ]
    result = reduced(chained(*blocks), split_by="Set_W")
    assert result.results["run"].tolist() == ["R1 Set_W=200", "R1 Set_W=260", "R1 Set_W=200 (2)"]
    rise = result.results["temperature_c"] - result.results["ambient_c"]
    assert rise.tolist() == pytest.approx(rises, abs=0.15)
    assert result.results["power_w"].tolist() == pytest.approx(powers, abs=0.2)
    assert "block" not in result.results


def test_each_block_is_judged(clean_run, reduced):
    short = clean_run(seconds=200, idle_s=0, seed=1).assign(Set_W=150)
    whole = clean_run(seconds=1300, idle_s=0).assign(Set_W=250)
    result = reduced(chained(whole, short), split_by="Set_W")
    assert result.results["run"].tolist() == ["R1 Set_W=250"]
    assert result.refused["run"].tolist() == ["R1 Set_W=150"]
    noisy = whole.assign(Set_W=np.round(np.random.default_rng(0).normal(250.0, 1.0, 1300), 1))
    (reason,) = reduced(noisy, split_by="Set_W").refused["reason"]
    assert "as a reading does and no set point" in reason


def test_sessions_hours_apart(clean_run, reduced):
    frame = chained(clean_run(seed=1), clean_run(seed=2, rise_k=50.0), gap_s=7200.0)
    result = reduced(frame, split_by="gap")
    assert result.results["run"].tolist() == ["R1 part 1", "R1 part 2"]
    rise = result.results["temperature_c"] - result.results["ambient_c"]
    assert rise.tolist() == pytest.approx([55.0, 50.0], abs=0.1)
    alone = reduced(frame)
    assert 'split_by="gap"' in alone.results["protocol_reason"].iloc[0]
    assert alone.results["protocol_verdict"].tolist() == ["corrected"]


def test_cards_of_one_log_are_runs_of_other_specimens(clean_run, reduced):
    cards = [clean_run(seed=i, rise_k=50.0 + i).assign(device=f"card {i}") for i in range(3)]
    frame = pd.concat(cards).sort_values(["time_s", "device"], kind="stable")
    result = reduced(frame, split_by="device")
    assert result.results["run"].tolist() == ["R1 card 0", "R1 card 1", "R1 card 2"]
    assert "cooler_id" not in result.results or result.results["cooler_id"].isna().all()
    (reason,) = reduced(frame).refused["reason"]
    assert 'split_by="device"' in reason
    (reason,) = reduced(clean_run(), split_by="device").refused["reason"]
    assert "no column of devices" in reason
