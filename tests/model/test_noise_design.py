"""Noise rows: background off, one distance, one row per run."""

import numpy as np
import pytest

from thermcmp.model.noise_design import build_noise_design


def build(rows, **options):
    return build_noise_design(rows, **{"reference_rpm": 1800.0, "distance_m": 0.5} | options)


def test_a_campaign_without_noise_has_no_noise_design(make_rows):
    assert build(make_rows(noise_dba=[np.nan, np.nan])) is None


def test_background_is_taken_off_by_energy(make_rows):
    """ISO 3744:2010, 8.2.3: K1 = -10 lg(1 - 10^(-ΔL/10)); 1.26 dB at 6 dB, 0.46 dB at 10 dB."""
    design = build(
        make_rows(
            noise_dba=[46.0, 50.0, 40.0, 60.0],
            noise_floor_dba=[40.0, 40.0, 38.0, np.nan],
            mic_distance_m=0.5,
        )
    )
    assert design.level_dba == pytest.approx([46.0 - 1.256, 50.0 - 0.458, 60.0], abs=1e-3)
    assert design.rows["run"].tolist() == ["r0", "r1", "r3"]
    notes = " ".join(design.notes)
    assert "1 noise reading without a background level" in notes
    assert "1 noise reading less than 6 dB above the background: left out" in notes


def test_other_distances_are_moved_and_said(make_rows):
    """Free field: 6.02 dB per doubling of the distance."""
    design = build(make_rows(noise_dba=[40.0, 40.0], mic_distance_m=[0.5, 1.0]))
    assert design.level_dba == pytest.approx([40.0, 46.02], abs=0.005)
    assert "free-field law" in " ".join(design.notes)
    assert "free-field law" not in " ".join(
        build(make_rows(noise_dba=[40.0, 40.0], mic_distance_m=[0.5, np.nan])).notes
    )


def test_a_run_counts_once_whatever_its_sensors(make_rows):
    design = build(make_rows(run=["r0", "r0"], sensor=["memory", "edge"], noise_dba=41.0))
    assert len(design.rows) == 1


def test_speeds_are_relative_and_ranges_per_model(make_rows):
    design = build(
        make_rows(
            cooler_model=["A", "A", "B", "B"],
            fan_rpm=[1800.0, 18_000.0, 900.0, 0.0],
            noise_dba=[40.0, 95.0, 25.0, 20.0],
        )
    )
    assert design.decades == pytest.approx([0.0, 1.0, np.log10(0.5)])
    assert design.speed_range_rpm("A") == (1800.0, 18_000.0)
    assert design.speed_range_rpm("B") == (900.0, 900.0)
    assert design.speed_range_rpm("C") is None
    assert design.levels[0] == ("A", "B")
    assert design.index[:, 0].tolist() == [0, 0, 1]
