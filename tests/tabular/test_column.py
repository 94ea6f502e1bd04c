"""Which column a heading means."""

import pytest

from thermcmp.results.schema import BY_NAME
from thermcmp.tabular.column import match_heading, stated_unit


@pytest.mark.parametrize(
    ("heading", "match"),
    [
        ("power_w", ("power_w", "")),
        ("power_w [kW]", ("power_w", "kW")),
        ("Power (W)", ("power_w", "W")),
        ("Power_W", ("power_w", "W")),
        ("Noise floor, dB(A)", ("noise_floor_dba", "dB(A)")),
        ("Mic distance in cm", ("mic_distance_m", "cm")),
        ("Drift (K/h)", ("drift_k_per_min", "K/h")),
        ("Power", None),
        ("Fan (%)", None),
        ("Board power (W)", None),
        ("Run (s)", None),
    ],
)
def test_a_name_with_its_unit_means_the_column(heading, match):
    assert match_heading(heading, BY_NAME) == match


def test_a_column_with_a_heading_of_its_own_is_not_taken_twice():
    assert match_heading("Power (kW)", BY_NAME, taken={"power_w"}) is None
    assert match_heading("power_w [kW]", BY_NAME, taken={"power_w"}) == ("power_w", "kW")


def test_the_ending_of_a_plain_name_is_no_unit():
    assert stated_unit("noise_a") == ""
    assert stated_unit("Noise / dB(A)") == "dB(A)"
