"""Fit and attribute the studies of every world, and put what the answers were worth in a table.

Run from the root with the number of studies, the page and, where not all are wanted, the first
letters of the worlds; --check adds whether the check of the fit saw a misfit, at twice the time::

    PYTHONPATH=. python tests/studies/world_studies.py 40 worlds.md a b1 own --check
"""

import sys
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
from fix_worlds import NEW, OLD, WORLDS, study

import thermcmp as tc

FIRST_SEED = 7000
#: Part in the truth -> its name in the answer.
PARTS = {
    "total": "total",
    "hardware": "hardware",
    "fan speed": "firmware: fan speed",
    "power": "firmware: power",
    "direct": "firmware: direct",
}
REFUSED, ABSENT = "refused", "not in the answer"
ANSWER = ["mean_k", "low_k", "high_k", "health"]


def answers(world, size, first_seed=FIRST_SEED, check=False):
    """One row per study and part: truth, estimate, health, and whether a caveat says prior."""
    rows = []
    for seed in range(first_seed, first_seed + size):
        campaign = study(WORLDS[world], seed)
        start = {
            part: {"seed": seed, "part": part, "true_k": value}
            for part, value in campaign.true_k.items()
            if part != "direct" or abs(value) > 1e-9
        }
        try:
            model = tc.fit(campaign.rows, "memory", seed=seed)
            answer = tc.attribute(model, OLD, NEW)
        except (tc.NotEstimableError, tc.EngineError):
            rows += [row | {"health": REFUSED} for row in start.values()]
            continue
        misfit = misfit_seen(model) if check else np.nan
        table = answer.table.set_index("part")
        for part, row in start.items():
            name = PARTS[part]
            row |= {"caveat": prior_caveat(name, answer), "misfit": misfit}
            # A direct effect that no term of the fit has is in no row of the answer.
            row |= (
                {"health": ABSENT} if name not in table.index else table.loc[name, ANSWER].to_dict()
            )
            rows.append(row)
    columns = ["seed", "part", "true_k", *ANSWER, "caveat", "misfit"]
    frame = pd.DataFrame(rows).reindex(columns=columns)
    return frame.assign(caveat=frame["caveat"].eq(True), misfit=frame["misfit"].astype(float))


def misfit_seen(model):
    """Whether a campaign made by the fit looks unlike the measured one in any feature."""
    return bool(tc.check_fit(model, refits=0).predictive.table["health"].ne("ok").any())


def prior_caveat(name, answer):
    """Whether a caveat that names this part, and not one whose name is longer, says prior."""
    longer = [part for part in answer.table["part"] if name in part and part != name]
    for caveat in answer.caveats:
        # That the shares inside the hardware part follow the priors says nothing of the part.
        if "prior" in caveat and not caveat.startswith("Inside"):
            for part in sorted(longer, key=len, reverse=True):
                caveat = caveat.replace(part, "")
            if name in caveat:
                return True
    return False


def judged(rows):
    """Add to the answers whether each was refused, held the truth, or was sure and wrong."""
    point = np.isfinite(rows["mean_k"].astype(float)) & rows["health"].str.startswith("ok")
    held = rows["true_k"].between(rows["low_k"], rows["high_k"])
    apart = np.maximum(rows["low_k"] - rows["true_k"], rows["true_k"] - rows["high_k"])
    far = apart > 0.5 * (rows["high_k"] - rows["low_k"])
    ranged = rows["health"].str.startswith("withheld")
    prior = rows["caveat"] | rows["health"].str.contains("prior")
    return rows.assign(
        refused=~point,
        held=held.where(point),
        range_held=held.where(ranged),
        sure_and_wrong=point & far & ~prior,
        width_k=(rows["high_k"] - rows["low_k"]).where(point),
    )


def summary(rows):
    """Per part: truth, estimate, coverage where answered, refusals, and sure false claims."""
    parts = judged(rows).groupby("part", sort=False)
    table = parts.agg(
        truth_k=("true_k", "mean"),
        mean_k=("mean_k", "mean"),
        held_90=("held", lambda held: held.astype(float).mean()),
        refused=("refused", "mean"),
        range_held=("range_held", lambda held: held.astype(float).mean()),
        sure_and_wrong=("sure_and_wrong", "mean"),
        width_k=("width_k", "median"),
        misfit_seen=("misfit", "mean"),
        health=(
            "health",
            lambda health: ", ".join(f"{n} {words}" for words, n in health.value_counts().items()),
        ),
    )
    return table.reset_index()


def markdown(world, table, size):
    """One world as a table of the page."""
    lines = [
        f"\n## {world}\n",
        f"{size} studies.\n",
        "| part | truth [K] | estimate [K] | 90 % intervals hold | refused | ranges hold | "
        "sure and wrong | median width [K] | misfit seen | health |",
        "| --- |" + " --- |" * 9,
        *(
            f"| {row.part} | {row.truth_k:z.1f} | {row.mean_k:z.1f} | {row.held_90:.0%} | "
            f"{row.refused:.0%} | {row.range_held:.0%} | {row.sure_and_wrong:.0%} | "
            f"{row.width_k:.2f} | "
            f"{row.misfit_seen:.0%} | {row.health} |"
            for row in table.itertuples()
        ),
    ]
    return ("\n".join(lines) + "\n").replace("nan%", "–").replace("nan", "–")


if __name__ == "__main__":
    check = "--check" in sys.argv
    size, page, *chosen = (word for word in sys.argv[1:] if word != "--check")
    warnings.simplefilter("ignore")
    Path(page).write_text("# Worlds of fix studies\n", encoding="utf-8")
    for world in WORLDS:
        if not chosen or world.startswith(tuple(chosen)):
            rows = answers(world, int(size), check=check)
            section = markdown(world, summary(rows), size)
            print(section, flush=True)
            with Path(page).open("a", encoding="utf-8") as file:
                file.write(section)
