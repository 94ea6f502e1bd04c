"""Several instruments on one time."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from thermcmp.errors import InputError
from thermcmp.telemetry.instruments.alignment import ClockOffset, join_instruments, measure_offset


def record(times, **columns):
    return pd.DataFrame({"time_s": np.asarray(times, dtype=float), **columns})


def test_nearest_within_the_tolerance_and_nothing_else():
    card = record(range(10), memory_c=np.arange(10.0))
    meter = record([0.2, 2.1, 2.9, 7.0], noise_dba=[30.0, 32.0, 33.0, 37.0])
    joined = join_instruments(card, meter, tolerance_s=0.5)
    expected = [30, np.nan, 32, 33, np.nan, np.nan, np.nan, 37, np.nan, np.nan]
    assert np.array_equal(joined["noise_dba"], expected, equal_nan=True)
    assert joined["memory_c"].tolist() == card["memory_c"].tolist()
    assert "noise_dba" not in card


def test_a_gap_stays_a_gap():
    card = record(range(100), memory_c=np.ones(100))
    meter = record([*range(20), *range(60, 100)], noise_dba=np.ones(60))
    joined = join_instruments(card, meter, tolerance_s=1.0)
    assert joined["noise_dba"].isna().sum() == 38


def test_a_stated_and_a_measured_offset_agree():
    rng = np.random.default_rng(4)
    t = np.arange(0.0, 900.0)
    power = np.where(t > 100.0, 250.0, 20.0) + rng.standard_normal(900)
    card = record(t, power_w=power)
    their_t = np.arange(0.0, 850.0, 0.5)
    # The meter started 37 s later and its clock counts from there.
    level = np.where(their_t + 37.0 > 100.0, 40.0, 31.0) + 0.2 * rng.standard_normal(1700)
    meter = record(their_t, noise_dba=level)
    found = measure_offset(card, meter, columns=("power_w", "noise_dba"), largest_s=90.0)
    assert found.offset_s == pytest.approx(37.0, abs=1.0)
    assert found.correlation > 0.9
    assert found.uncertainty_s < 30.0
    joined = join_instruments(card, meter, tolerance_s=0.6, offset_s=found)
    assert joined["noise_dba"][t < 36].isna().all()
    assert joined["noise_dba"][200:800].mean() == pytest.approx(40.0, abs=0.05)


def test_an_offset_that_does_not_show_is_refused():
    rng = np.random.default_rng(5)
    card = record(range(500), power_w=rng.standard_normal(500))
    meter = record(range(500), noise_dba=rng.standard_normal(500))
    with pytest.raises(InputError, match="correlates by"):
        measure_offset(card, meter, columns=("power_w", "noise_dba"), largest_s=50.0)
    wave = np.sin(np.arange(500) / 5.0)
    with pytest.raises(InputError, match="several offsets"):
        measure_offset(record(range(500), power_w=wave), record(range(500), noise_dba=wave),
                       columns=("power_w", "noise_dba"), largest_s=100.0)  # fmt: skip
    with pytest.raises(InputError, match="no such column"):
        measure_offset(card, meter, columns=("power_w", "level"), largest_s=50.0)
    with pytest.raises(InputError, match="do not overlap"):
        far = record(np.arange(500) + 9000.0, noise_dba=np.ones(500))
        measure_offset(card, far, columns=("power_w", "noise_dba"), largest_s=50.0)


def test_dates_are_matched_in_one_zone():
    card = record(range(3), memory_c=[1.0, 2.0, 3.0])
    card["recorded_at"] = pd.date_range("2026-03-09 12:00", periods=3, freq="s", tz="UTC")
    meter = record(range(3), noise_dba=[30.0, 31.0, 32.0])
    meter["recorded_at"] = pd.date_range("2026-03-09 13:00:01", periods=3, freq="s", tz="+01:00")
    joined = join_instruments(card, meter, tolerance_s=0.4, by_date=True)
    assert np.array_equal(joined["noise_dba"], [np.nan, 30.0, 31.0], equal_nan=True)
    meter["recorded_at"] = meter["recorded_at"].dt.tz_localize(None)
    with pytest.raises(InputError, match="zone"):
        join_instruments(card, meter, tolerance_s=0.4, by_date=True)


def test_what_cannot_be_joined_is_reported_at_once():
    card = record(range(3), memory_c=[1.0, 2.0, 3.0])
    with pytest.raises(InputError) as caught:
        join_instruments(card, record(range(3), memory_c=[1.0, 2.0, 3.0]), tolerance_s=-1.0)
    assert len(caught.value.faults) == 2
    with pytest.raises(InputError, match="no reading is within"):
        join_instruments(card, record([50.0], noise_dba=[30.0]), tolerance_s=1.0,
                         offset_s=ClockOffset(5.0, 0.5, 1.0))  # fmt: skip
