"""The figure of rise against fan speed and against power."""

import numpy as np
from fix_worlds import WORLDS, study

import thermcmp as tc


def test_laws_fall_with_fan_speed_rise_with_power_and_stand_among_their_runs():
    (world,) = (name for name in WORLDS if name.startswith("g:"))
    fit = tc.fit(study(WORLDS[world], 7001).rows, "memory", seed=1, draws=800)
    airflow, power = tc.check_fit(fit, refits=0).plot_laws()
    assert airflow.get_xlabel() == "Fan speed [rpm]"
    assert power.get_xlabel() == "Board power [W]"
    curves, runs = airflow.lines[::2], airflow.lines[1::2]
    assert {line.get_label() for line in curves} == {"Alder-C1", "Alder-C2"}
    for curve, points in zip([*curves, power.lines[0]], [*runs, power.lines[1]], strict=True):
        at, rise_k = curve.get_data()
        slopes = np.diff(rise_k)
        assert np.all(slopes < 0.0) if curve in curves else np.all(slopes > 0.0)
        run_at, run_k = points.get_data()
        off_k = run_k - np.interp(run_at, at, rise_k)
        # Residuals of some 0.6 K in 24 runs or more, with effects that are drawn together.
        assert abs(off_k.mean()) < 0.3
        assert np.abs(off_k).max() < 3.0
