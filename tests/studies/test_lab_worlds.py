"""Is a ranking from several laboratories right, in libraries that are not the model's own?

The number of libraries per world is 200 by default, and a tenth of THERMCMP_STUDY_SIZE where that
is set. With THERMCMP_STUDY_RESULTS, a folder, each world leaves its table there.
"""

import os
import warnings

import numpy as np
import pandas as pd
import pytest
from lab_worlds import AIR_C, POWER_W, SPEED_RPM, WORLDS, library
from scipy.stats import binom, spearmanr
from study_tables import keep, show

import thermcmp as tc

STATED = os.environ.get("THERMCMP_STUDY_SIZE")
SIZE = 200 if STATED is None else max(int(STATED) // 10, 2)
FIRST_SEED = 7000
HELD = 0.85
#: All separations of a ranking hold together in this share of libraries.
TOGETHER = 0.90
AT = {"fan_rpm": SPEED_RPM, "power_w": POWER_W, "ambient_c": AIR_C}


def judged(seed, world):
    """Hold one library's answers against its truth."""
    made = library(seed, world)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = tc.fit(made.rows, seed=seed)
        ranking = tc.rank(fit, **AT)
    table, truth = ranking.table, ranking.table["product"].map(made.rise_k).to_numpy()
    temperature = (table["low_c"] - AIR_C <= truth) & (truth <= table["high_c"] - AIR_C)
    league = ranking.league()
    gap = league["rival"].map(made.rise_k) - league["product"].map(made.rise_k)
    held = (league["low_k"] <= gap) & (gap <= league["high_k"])
    wrong = (league["p_matters"] > 0.95) & (gap < 0.0)
    name = table["product"].iloc[seed % len(table)]
    further = tc.predict(fit, name, scope="new laboratory", **AT).table.set_index("quantity")
    low, high = further.loc["temperature", ["low", "high"]]
    apart = [made.island[product] for product in table["product"]]
    return {
        "products": len(table),
        "temperature held": temperature.mean(),
        "temperature width": (table["high_c"] - table["low_c"]).median(),
        "gaps held": held.mean(),
        "gap width": (league["high_k"] - league["low_k"]).median(),
        "sure and wrong gaps": wrong.mean(),
        "further laboratory held": float(low <= made.further_c[name] <= high),
        "groups right": float(groups_right(table, made.rise_k)),
        "groups": int(table["group"].nunique()),
        "islands told": float(one_network_each(table["network"], apart)),
        "rank correlation": spearmanr(table["mean_c"], truth)[0],
        "of raw means": spearmanr(raw_means(made.rows).reindex(table["product"]), truth)[0],
        "health": str(fit.health),
    }


def groups_right(table, rise_k):
    """Whether the coolest of each group is truly cooler than that of the next, in each network."""
    for _, network in table.groupby("network"):
        firsts = network.groupby("group")["product"].first().map(rise_k).to_numpy()
        if np.any(np.diff(firsts) < 0.0):
            return False
    return True


def one_network_each(network, island):
    """Whether no network has products of two islands."""
    return pd.DataFrame({"n": network, "i": island}).groupby("n")["i"].nunique().max() == 1


def raw_means(rows):
    return (rows["temperature_c"] - rows["ambient_c"]).groupby(rows["product"]).mean()


@pytest.mark.study
@pytest.mark.parametrize("world", WORLDS)
def test_rankings_hold(world, capsys):
    table = pd.DataFrame([judged(FIRST_SEED + k, WORLDS[world]) for k in range(SIZE)])
    numbers = table.drop(columns="health").mean().to_frame("mean").T
    numbers["caution or bad"] = table["health"].ne("ok").mean()
    show(capsys, f"{world}, {SIZE} libraries", numbers)
    place = list(WORLDS).index(world)
    keep(numbers.assign(world=world, libraries=SIZE), f"lab-world-{place:02d}")
    # Within a library products share its laboratories: libraries count, not products.
    least = binom.ppf(0.005, SIZE, HELD) / SIZE
    for part in ("temperature held", "gaps held", "further laboratory held"):
        assert table[part].mean() >= least, part
    assert table["groups right"].sum() >= binom.ppf(0.005, SIZE, TOGETHER)
    assert table["islands told"].all()
    assert table["sure and wrong gaps"].mean() <= 0.02
    assert table["rank correlation"].mean() >= table["of raw means"].mean() - 0.02
