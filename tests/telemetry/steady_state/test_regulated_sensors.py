"""What a control loop moved comes out of the log, or of the run sheet where the log is mute."""

import numpy as np
import pandas as pd
import pytest

from thermcmp.results.validation import check_results
from thermcmp.telemetry.steady_state.protocol import Protocol
from thermcmp.telemetry.steady_state.run_reduction import reduce_telemetry


def held(clean_run, *, power=0.0, fan=0.0, seed=1):
    """A run held at 84 °C from minute seven on, while power and fan settle by these shares."""
    frame = clean_run(seconds=2200)
    t = frame["time_s"].to_numpy()
    hot, settling = t > 420, np.exp(-(t - 420.0) / 250.0)
    noise = 0.1 * np.random.default_rng(seed).standard_normal(len(t))
    frame["memory_c"] = np.where(hot, 84.0 + np.round(noise, 1), frame["memory_c"])
    for name, last, share in (("power_w", 225.0, power), ("fan_rpm", 2300.0, -fan)):
        frame[name] = np.where(hot, last * (1.0 + share * settling), frame[name])
    return frame


@pytest.mark.parametrize(
    ("power", "fan", "by"),
    [(0.12, 0.0, "power"), (0.0, 0.3, "fan"), (0.12, 0.25, "fan and power")],
)
def test_the_actuator_is_reported(clean_run, sheet_row, power, fan, by):
    row = reduce_telemetry(held(clean_run, power=power, fan=fan), run=sheet_row).rows.iloc[0]
    assert row["regulated"]
    assert row["regulated_by"] == by
    assert f"by {by} (" in row["protocol_reason"]


def test_where_the_log_is_mute_the_run_sheet_speaks(clean_run, sheet_row):
    protocol = Protocol(targets_c={"memory": 76.0})
    for stated, told in (({}, None), ({"regulated_by": "fan"}, "fan")):
        row = reduce_telemetry(clean_run(), protocol, run=sheet_row | stated).rows
        assert row["regulated"].all()
        checked = check_results(row)["regulated_by"].iloc[0]
        assert (pd.isna(checked) and told is None) or checked == told
    # A run that followed is not regulated, whatever the sheet says of the others.
    free = reduce_telemetry(clean_run(), run=sheet_row | {"regulated_by": "fan"}).rows
    assert not free["regulated"].any()
    assert check_results(free)["regulated_by"].isna().all()
