"""Fit the studies of worlds that break the model, ask for one contrast, and judge the answers.

A claim is refused if its row has no mean or says that it is not separable, and missed if there is
an effect and the interval holds 0. It is false and sure if the interval excludes 0 where the truth
is 0 or has the other sign, and the row does not say that its sign is unclear; where there is an
effect, also if it excludes the truth, health is ok and nothing beside it names the cause. The cause
counts as named if the world's patterns occur in one sentence of the answer, the fit or its check.
Run from the root::

    PYTHONPATH=. python tests/studies/effect_studies.py --size 40 --world pairing --csv out.csv
"""

import argparse
import inspect
import re
import time
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
from effect_worlds import AVERAGE, COVERED, NAMES, study

import thermcmp as tc

FIRST_SEED = 9000
#: Sentences that every fit may have: they name no cause.
INNOCENT = re.compile(
    r"look like the measured one|^No |^Boundary|^Assumed rather|one level only|one run per level"
    r"|standard deviation [−\d].*probability that it is below"
)
#: What a caveat ends with, in general words.
FIX = re.compile(r" Fix: .*")
#: Words of a health that keep a row from being an answer.
WITHHELD = ("refused", "withheld", "not separable", "bad")
ANSWER = ["mean_k", "low_k", "high_k", "health"]


def worlds():
    """Names of the worlds that this version can fit."""
    numeric = "values" in inspect.signature(tc.Term).parameters
    return tuple(name for name in NAMES if name != COVERED or numeric)


def answers(world, size, first_seed=FIRST_SEED, check=True):
    """One row per study and partner: truth, interval, health, who names the cause, and time."""
    rows = []
    for seed in range(first_seed, first_seed + size):
        drawn = study(world, seed)
        begun = time.perf_counter()
        try:
            model = tc.fit(drawn.rows, "memory", seed=seed, **_terms(world))
            answer = tc.separate(model, contrasts=[drawn.contrast])
        except (tc.NotEstimableError, tc.EngineError) as error:
            found = {partner: {"health": f"refused: {error}"} for partner in drawn.true_k}
            beside = anywhere = names_cause(drawn.cause, [str(error)])
        else:
            found = {partner: contrast_row(answer, drawn, partner) for partner in drawn.true_k}
            words = [*answer.caveats, *answer.sentences]
            words += [str(row["health"]) for row in found.values()]
            beside = names_cause(drawn.cause, words)
            # Without the check it is not known whether it names the cause.
            anywhere = beside if check else np.nan
            if check and not beside:
                words = [*str(model).splitlines(), *tc.check_fit(model, refits=0).sentences]
                anywhere = names_cause(drawn.cause, words)
        seconds = time.perf_counter() - begun
        for partner, true_k in drawn.true_k.items():
            rows.append(
                {"world": world, "seed": seed, "partner": partner or "", "true_k": true_k}
                | dict(found[partner])
                | {"named_beside": beside, "named": anywhere, "seconds": seconds}
            )
    columns = ["world", "seed", "partner", "true_k", *ANSWER]
    return pd.DataFrame(rows).reindex(columns=[*columns, "named_beside", "named", "seconds"])


def _terms(world):
    if world != COVERED:
        return {}
    slope = tc.Term("pad coverage", values="pad_coverage", slope=tc.Normal(0, 10))
    return {"terms": [..., slope]}


def contrast_row(answer, drawn, partner):
    """The answer's row of the contrast with a partner, or its only one where it has none."""
    first, second = drawn.contrast
    table = answer.table[answer.table["contrast"].eq(f"{second} − {first}")]
    if "partner" in table:
        wanted = [partner] if partner else [None, AVERAGE]
        for name in wanted:
            at = table["partner"].fillna("").eq(name or "")
            if at.any():
                return table.loc[at, ANSWER].iloc[0].to_dict()
        if table["partner"].fillna("").ne("").any():
            return {"health": "refused: no row with this partner"}
    if len(table) != 1:
        raise LookupError(f"no row of {second} − {first} with {partner} in\n{answer.table}")
    return table[ANSWER].iloc[0].to_dict()


def names_cause(cause, words):
    """Whether all patterns of a cause occur in one sentence that is not every fit's own."""
    return bool(cause) and any(
        all(re.search(pattern, FIX.sub("", sentence), re.IGNORECASE) for pattern in cause)
        for sentence in words
        if not INNOCENT.search(sentence)
    )


def judged(rows):
    """Add whether each claim was refused, held the truth, missed an effect, or is false."""
    truth, low, high = (rows[name].astype(float) for name in ("true_k", "low_k", "high_k"))
    health = rows["health"].astype(str)
    point = np.isfinite(rows["mean_k"].astype(float)) & ~health.str.startswith(WITHHELD)
    held = truth.between(low, high)
    effect = truth.abs() > 1e-9
    # An interval beyond 0 on the side where the truth is not: on either where there is none.
    wrong_side = ((low > 0) & (truth <= 1e-9)) | ((high < 0) & (truth >= -1e-9))
    wrong_side &= ~health.str.contains("chance of the other sign")
    unsaid = effect & ~held & health.str.startswith("ok") & ~rows["named_beside"].astype(bool)
    return rows.assign(
        refused=~point,
        held=held.where(point),
        range_held=held.where(~point & np.isfinite(low)),
        missed=(low.le(0) & high.ge(0)).where(point & effect),
        false_and_sure=point & (wrong_side | unsaid),
        width_k=(high - low).where(point),
    )


def summary(rows):
    """Per world and partner: truth, estimate and what the answers were worth, worst first."""

    def share(values):
        return values.astype(float).mean()

    claims = judged(rows).groupby(["world", "partner"], sort=False)
    table = claims.agg(
        studies=("seed", "size"),
        true_k=("true_k", "mean"),
        mean_k=("mean_k", "mean"),
        held_90=("held", share),
        range_held=("range_held", share),
        refused=("refused", "mean"),
        missed=("missed", share),
        false_and_sure=("false_and_sure", "mean"),
        named=("named", share),
        width_k=("width_k", "mean"),
        seconds=("seconds", "mean"),
    ).reset_index()
    # What was refused throughout can hold nothing and comes last.
    worst = table["held_90"].fillna(2.0) - table["false_and_sure"]
    return table.iloc[np.argsort(worst.to_numpy(), kind="stable")]


def markdown(table):
    """The table as it stands on a page."""
    lines = [
        "| world | partner | studies | truth [K] | mean [K] | 90 % intervals hold | ranges hold "
        "| refused | effect missed | false and sure | cause named | mean width [K] "
        "| s per study |",
        "| --- | --- |" + " ---: |" * 11,
        *(
            f"| {row.world} | {row.partner or '–'} | {row.studies} | {row.true_k:z.1f} | "
            f"{row.mean_k:z.1f} | {row.held_90:.0%} | {row.range_held:.0%} | {row.refused:.0%} | "
            f"{row.missed:.0%} | {row.false_and_sure:.0%} | {row.named:.0%} | "
            f"{row.width_k:.2f} | {row.seconds:.2f} |"
            for row in table.itertuples()
        ),
    ]
    page = ("\n".join(lines) + "\n").replace("nan%", "–").replace("nan", "–")
    return re.sub(r"\| -(?=\d)", "| −", page)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Judge the answers in worlds that break the model")
    parser.add_argument("--size", type=int, default=40, help="studies per world")
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    parser.add_argument("--world", action="append", help="first letters of a world; repeatable")
    parser.add_argument("--csv", type=Path, help="file for a row per study and partner")
    parser.add_argument("--page", type=Path, help="file for the table, worst first")
    parser.add_argument("--no-check", action="store_true", help="leave check_fit out")
    options = parser.parse_args()
    warnings.simplefilter("ignore")
    tables = []
    for world in worlds():
        if not options.world or world.startswith(tuple(options.world)):
            tables.append(
                answers(world, options.size, options.first_seed, check=not options.no_check)
            )
            print(markdown(summary(tables[-1])), flush=True)
            if options.csv:
                pd.concat(tables).to_csv(options.csv, index=False)
    page = markdown(summary(pd.concat(tables)))
    if options.page:
        options.page.write_text(page, encoding="utf-8")
    print(page)
