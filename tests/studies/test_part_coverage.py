"""How often the 90 % interval of each part of a fix holds the truth, by design.

THERMCMP_STUDY_SIZE sets the number of simulated studies per design (200 by default). With
THERMCMP_STUDY_RESULTS, a folder, each design leaves its table there.

Effects, exponent and spreads are drawn by the simulator, whose formulas are written out
apart from the model's. The priors are wider than what is drawn, so an interval may hold
somewhat more often than stated; less often than the binomial's 0.5 % point is a fault.
"""

import os

import numpy as np
import pandas as pd
import pytest
from fix_designs import DESIGNS, NEW, OLD, STUDY
from scipy.stats import binom
from study_tables import keep, show

from thermcmp.inference.fitting import fit
from thermcmp.model.conditions import Conditions
from thermcmp.questions.attribution.question import attribute
from thermcmp.simulation import Scenario, simulate

SIZE = int(os.environ.get("THERMCMP_STUDY_SIZE", "200"))
STATED = 0.90
#: Part -> its name in the truth.
PARTS = {"hardware": "hardware", "firmware: fan speed": "fan", "firmware: power": "power"}
REFERENCE = Conditions(power_w=200.0, fan_rpm=1800.0)


def one_study(design, seed):
    """Per part: truth, mean, low, high, share of the data."""
    scenario = Scenario(bad_mount_probability=0.0)
    campaign = simulate(STUDY, seed=seed, scenario=scenario, draw_effects=True)
    rows = DESIGNS[design](campaign.results).reset_index(drop=True)
    model = fit(rows, "memory", reference=REFERENCE, draws=2000, seed=seed)
    answer = attribute(model, OLD, NEW)
    truth = campaign.truth.attribution_k("memory", OLD, NEW)
    true_k = {part: truth.order_free_k[name] for part, name in PARTS.items()}
    true_k["total"] = truth.total_k
    true_k["hardware, fan and power as before"] = truth.alone_k["hardware"]
    table = answer.table.set_index("part")
    columns = ["mean_k", "low_k", "high_k", "data_share"]
    return [
        {"seed": seed, "part": part, "true_k": value, **table.loc[part, columns].to_dict()}
        for part, value in true_k.items()
    ]


@pytest.mark.study
@pytest.mark.parametrize("design", DESIGNS)
def test_intervals_of_the_parts_hold_the_truth_as_often_as_they_say(design, capsys):
    found = [row for seed in range(5000, 5000 + SIZE) for row in one_study(design, seed)]
    studies = pd.DataFrame(found)
    studies["held"] = studies["true_k"].between(studies["low_k"], studies["high_k"])
    studies["width_k"] = studies["high_k"] - studies["low_k"]
    studies["error_k"] = studies["mean_k"] - studies["true_k"]
    table = studies.groupby("part", sort=False).agg(
        held_90=("held", "mean"),
        width_k=("width_k", "median"),
        bias_k=("error_k", "mean"),
        rms_error_k=("error_k", lambda error: float(np.sqrt(np.mean(error**2)))),
        data_share=("data_share", "mean"),
    )
    table = table.assign(design=design, studies=SIZE).reset_index()
    show(capsys, f"{design}, {SIZE} studies", table)
    keep(table, f"part-coverage-{list(DESIGNS).index(design)}")
    assert table["held_90"].min() >= binom.ppf(0.005, SIZE, STATED) / SIZE
