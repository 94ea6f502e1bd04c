"""How often does the funnel speak up, where nothing was held back and where something was?

The number of libraries per world is 200 by default, and a tenth of THERMCMP_STUDY_SIZE where that
is set. With THERMCMP_STUDY_RESULTS, a folder, each world leaves its table there.
"""

import os
import warnings

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom
from selective_worlds import WORLDS, library
from study_tables import keep, show

import thermcmp as tc
from thermcmp.questions.laboratories.funnel import ASYMMETRIC, funnel

STATED = os.environ.get("THERMCMP_STUDY_SIZE")
SIZE = 200 if STATED is None else max(int(STATED) // 10, 2)
#: False alarms that are borne at a chance of 10 %, since spreads are taken at their means.
BORNE = 0.15


def looked_at(seed, world):
    """The funnel of one literature: of its pair, or of all of its cards."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = tc.fit(library(seed, world), seed=1, draws=400, engine="conditional", expand="none")
        answer = funnel(fit, ("Card 0", "Card 1") if world.cards == 2 else None, 0.9)
    return {"chance": answer.p_symmetric, "slope": answer.slope, "gap_k": answer.pooled_k}


@pytest.mark.study
@pytest.mark.parametrize("world", WORLDS)
def test_how_often_the_funnel_speaks_up(world, capsys):
    table = pd.DataFrame([looked_at(seed, WORLDS[world]) for seed in range(SIZE)])
    alarms = int((table["chance"] < ASYMMETRIC).sum())
    numbers = table.mean().to_frame("mean").T
    numbers["speaks up"] = alarms / SIZE
    numbers["below 5 %"] = np.mean(table["chance"] < 0.05)
    show(capsys, f"{world}, {SIZE} libraries", numbers)
    keep(numbers.assign(world=world, libraries=SIZE), f"selective-{list(WORLDS).index(world):02d}")
    if WORLDS[world].share == 1.0:
        assert alarms <= binom.ppf(0.995, SIZE, BORNE)
    if world == "two cards, no insignificant difference":
        assert alarms >= binom.ppf(0.005, SIZE, 0.9)
        assert table["slope"].mean() < 0.0
