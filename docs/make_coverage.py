"""Write the page of the parts' coverage from the tables of its study.

First the study, which writes a table per design to the folder, then the page::

    THERMCMP_STUDY_RESULTS=out python -m pytest -m study tests/studies/test_part_coverage.py
    THERMCMP_STUDY_RESULTS=out python -m pytest -m study tests/studies/test_fix_worlds.py
    THERMCMP_STUDY_RESULTS=out python -m pytest -m study tests/studies/test_effect_worlds.py
    THERMCMP_STUDY_RESULTS=out python -m pytest -m study tests/studies/test_lab_worlds.py
    python docs/make_coverage.py out
"""

import sys
from pathlib import Path

import pandas as pd

PAGE = Path(__file__).with_name("coverage.md")
HEAD = """# Coverage of the parts of a fix

Does a 90 % interval contain the true part in about 90 % of studies, and what happens where the \
runs do not hold a part?

## Worlds that the model does not share

Each study is simulated by a thermal network with two sources of heat that shares no formula with \
the library (`tests/studies/fix_worlds.py`): other laws of power and air, fans on curves, \
instruments with scatter and gain. "Refused" counts studies in which the split is refused or the \
part is withheld; "ranges hold" is how often the range of a withheld part contains the truth. A \
claim is sure and wrong if it misses the truth by more than half its interval's width and nothing \
beside it says prior. The worlds with the lowest coverage come first.
"""
WIDTH = """
### What the width is for

Median widths of 90 % intervals, and what they would be without what makes them wide. In the \
model's own world, fan speed's part, 14 studies: 0.68 K; without the firmware's direct effect \
0.67, without the constant part 0.65, without an exponent per cooler 0.68, without all three 0.58. \
Version 0.1, which read speeds and powers as exact, had 0.48 (18 studies): the rest is real \
wander of fan and power that is not used, since it is within three times the class of 1 % that \
counts where none is stated. With 0.3 % stated, as is true of that world, the width is 0.65 K and \
the power's part is stated in 9 of 14 studies instead of 4.

Hardware whose firmware changed with it, fixed speeds only: 8.2 K, without the allowance 4.5 \
(10 studies; these and the figures below with a prior of scale 3 K for the spread of assemblies, \
now 2 K). In the world whose firmware acts directly by 3 K the intervals of 8.1 K hold the \
hardware's part in all of 16 studies. With an allowance of 1.0 K instead of 1.5 they would be \
6.3 K wide and hold it in 44 %, with 0.7 K 5.3 K wide and 44 %. Runs of both firmwares on one \
hardware narrow it without that loss.
"""
OWN_HEAD = """
## The model's own world, with fewer and fewer runs

Two cards as shipped with one factory and three bench assemblies each, their effects, exponent and \
spreads drawn by the simulator, whose formulas are independent of the model's. Then rows are left \
out, the rest is fitted and the fix attributed. The priors are wider than what is drawn, so an \
interval that rests on them contains the truth more often than stated. The designs are in \
`tests/studies/fix_designs.py`, the study is `tests/studies/test_part_coverage.py`. These tables \
were measured with version 0.1, in which heat followed board power by decree and every part had \
an estimate.

This page is made from the studies' tables by `docs/make_coverage.py`.
"""
EFFECT_HEAD = """
## Effects where the model is wrong

One contrast, "new cooler minus old cooler", in worlds that share no formula with the library \
(`tests/studies/effect_worlds.py`): pairings that do not fit, boards that multiply, assemblies \
that spread far or unevenly, sessions and laboratories that went with a cooler, drift, outliers, \
published summaries. Where it depends on the board it is asked on each board and on average. \
"Refused" counts rows with a range only, "false and sure" intervals that exclude 0 where nothing \
differs or have the wrong sign, without a word on the chance of the other sign, or miss the \
truth with health ok and nothing beside them that names the cause. "Cause named" counts \
studies in which a sentence of the answer, the fit or its check names what is wrong; a world \
without a fault, and a single bad run or assembly that is not the world's only one, has no cause \
to name. The worlds with the lowest coverage come first; those with 60 studies were measured with \
the version before, which said nothing of the other sign. `docs/make_coverage.py` makes the table.
"""
LAB_TITLE = "\n## Rankings from several laboratories\n"
LAB_HEAD = f"""{LAB_TITLE}
Libraries of 14 to 40 products and up to 5 laboratories that share no formula with the library \
(`tests/studies/lab_worlds.py`). A further laboratory's reading is one that was left out of the \
rows. "Separations right" counts libraries in which all separations of groups are right together: \
the coolest of a group is truly more than 1 K warmer than that of the group before (cooler at all \
where no share of ranks is given). The last two columns are the correlation of the ranks with the \
true ones, by `rank` and by the mean rises of the rows. In uneven lots a third of the products has \
two kinds of specimens, 13 % apart in resistance, all tested at one laboratory.
"""
LAB_COLUMNS = {
    "world": "world", "libraries": "libraries", "temperature held": "temperatures held",
    "rank held": "ranks held", "gaps held": "gaps held", "gap width": "width of a gap [K]",
    "further laboratory held": "further laboratory held", "groups right": "separations right",
    "rank correlation": "ranks by the model", "of raw means": "ranks by means",
}  # fmt: skip
PEER_HEAD = """
### Ranks by other ways

Mean distance of a product's rank from the true one in the same libraries: by `rank`, by the mean \
temperature of its runs, by their mean rise over ambient, by the mean rise of its coolest specimen \
and by a general mixed model (statsmodels: products fixed, laboratories and assemblies random, a \
slope along the logarithm of fan speed). A false split is a separation of groups that are truly \
not more than 1 K apart. All forty-product libraries were answered by the fast engine whatever its \
health; two of 200 were in caution.
"""
PEERS = ("model", "raw means", "means of the rise", "best specimens", "mixed model")
PEER_COLUMNS = {
    "world": "world", "libraries": "libraries",
    **{f"rank error, {peer}": "`rank`" if peer == "model" else peer for peer in PEERS},
    "splits": "splits of a library", "false splits": "false splits of a library",
    "libraries with a false split": "libraries with a false split",
    "bad": "fast engine's health bad",
}  # fmt: skip
EVIDENCE_HEAD = """
### Evidence that disagrees

How often `Ranking.evidence()` speaks up (any pair below 5 %) in libraries of 14 products and 5 \
laboratories in which one card was read 4 or 8 K off at one laboratory, or all cards of one \
laboratory scatter by 3 or 6 K of their own. "Named" counts libraries in which its sentence calls \
that card, or that laboratory, the farthest off; "named as outlier" those in which another caveat \
names an assembly of the card there. "Odd" counts libraries in which the caveat on the share of \
all deviations speaks up, and in the last columns those in which it names that card or laboratory.
"""
EVIDENCE_COLUMNS = {
    "world": "world", "libraries": "libraries", "pairs": "pairs split", "disagrees": "speaks up",
    "card named": "card named", "laboratory named": "laboratory named",
    "outlier named": "named as outlier", "odd": "odd",
    "odd card right": "odd: that card", "odd laboratory right": "odd: that laboratory",
}  # fmt: skip
EFFECT_COLUMNS = (
    "| world | partner | studies | truth [K] | estimate [K] | 90 % intervals hold | ranges hold "
    "| refused | false and sure | cause named | mean width [K] |"
)
WORLD_COLUMNS = (
    "| part | truth [K] | estimate [K] | 90 % intervals hold | refused | ranges hold "
    "| sure and wrong | median width [K] |"
)
COLUMNS = (
    "| part | truth in 90 % interval | median width [K] | mean error [K] | rms error [K] "
    "| data share |"
)


def section(table: pd.DataFrame) -> str:
    """Return the section of one design: a row per part."""
    first = table.iloc[0]
    lines = [
        f"\n### {str(first['design']).capitalize()}\n",
        f"{first['studies']} studies.\n",
        COLUMNS,
        "| --- | --- | --- | --- | --- | --- |",
        *(
            f"| {row.part} | {row.held_90:.1%} | {row.width_k:.2f} | "
            f"{f'{row.bias_k:z.2f}'.replace('-', '−')} | "
            f"{row.rms_error_k:.2f} | {row.data_share:.0%} |"
            for row in table.itertuples()
        ),
    ]
    return "\n".join(lines) + "\n"


def world_section(table: pd.DataFrame) -> str:
    """Return the section of one world: a row per part."""
    first = table.iloc[0]
    name = first["world"].partition(": ")[2]
    lines = [
        f"\n### {name[:1].upper()}{name[1:]}\n",
        f"{first['studies']} studies.\n",
        WORLD_COLUMNS,
        "| --- |" + " --- |" * 7,
        *(
            f"| {row.part} | {row.truth_k:z.1f} | {_cell(row.mean_k, '.1f')} | "
            f"{_cell(row.held_90, '.0%')} | {row.refused:.0%} | {_cell(row.range_held, '.0%')} | "
            f"{row.sure_and_wrong:.0%} | {_cell(row.width_k, '.1f')} |"
            for row in table.itertuples()
        ),
    ]
    return "\n".join(lines) + "\n"


def effect_section(tables: list[pd.DataFrame]) -> str:
    """Return the table of all worlds of one contrast, worst first."""
    table = pd.concat(tables, ignore_index=True)
    worst = table["held_90"].fillna(2.0) - table["false_and_sure"]
    lines = [
        EFFECT_COLUMNS,
        "| --- | --- |" + " ---: |" * 9,
        *(
            f"| {row.world} | {'–' if pd.isna(row.partner) else row.partner} | {row.studies} | "
            f"{row.true_k:z.1f} | {_cell(row.mean_k, 'z.1f')} | {_cell(row.held_90, '.0%')} | "
            f"{_cell(row.range_held, '.0%')} | {row.refused:.0%} | {row.false_and_sure:.0%} | "
            f"{_cell(row.named, '.0%')} | {_cell(row.width_k, '.1f')} |".replace(" -", " −")
            for row in table.iloc[worst.argsort(kind="stable")].itertuples()
        ),
    ]
    return EFFECT_HEAD + "\n" + "\n".join(lines) + "\n"


def lab_section(tables: list[pd.DataFrame], evidence: list[pd.DataFrame]) -> str:
    """Return the tables of the libraries of several laboratories."""
    table = pd.concat(tables, ignore_index=True)
    peers = table.dropna(subset=["rank error, model"])
    text = LAB_HEAD + _rows(table, LAB_COLUMNS) + PEER_HEAD + _rows(peers, PEER_COLUMNS)
    if evidence:
        text += EVIDENCE_HEAD + _rows(pd.concat(evidence, ignore_index=True), EVIDENCE_COLUMNS)
    return text


def _rows(table: pd.DataFrame, columns: dict[str, str]) -> str:
    """Return a table of some columns, shares in percent."""
    table = table.reindex(columns=list(columns))
    counts = ("gap width", "splits", "pairs")
    decimals = ("rank correlation", "of raw means", "false splits")
    for name in table.columns[2:]:
        is_fine = name in decimals or name.startswith("rank error")
        form = ".2f" if is_fine else ".1f" if name in counts else ".0%"
        table[name] = [_cell(value, form) for value in table[name]]
    rows = [list(columns.values()), ["---", *["---:"] * (len(columns) - 1)]]
    rows += table.astype(str).to_numpy().tolist()
    return "\n" + "\n".join(f"| {' | '.join(row)} |" for row in rows) + "\n"


def _cell(value: float, form: str) -> str:
    return "–" if pd.isna(value) else f"{value:{form}}"


def _worst(table: pd.DataFrame) -> float:
    """Lowest share of intervals or ranges that hold; worlds that are refused come last."""
    return float(table[["held_90", "range_held"]].fillna(1.0).min(axis=None)) - (
        0.0 if table["refused"].min() < 1.0 else -1.0
    )


def page(folder: Path) -> str:
    """Return the page; sections without a table in the folder stay as they are on it."""
    worlds = [pd.read_csv(path) for path in sorted(folder.glob("fix-world-*.csv"))]
    designs = [pd.read_csv(path) for path in sorted(folder.glob("part-coverage-*.csv"))]
    effects = [pd.read_csv(path) for path in sorted(folder.glob("effect-world-*.csv"))]
    labs = [pd.read_csv(path) for path in sorted(folder.glob("lab-world-*.csv"))]
    evidence = [pd.read_csv(path) for path in sorted(folder.glob("evidence-*.csv"))]
    whole, _, earlier_labs = PAGE.read_text(encoding="utf-8").partition(LAB_TITLE)
    kept, _, earlier = whole.partition(EFFECT_HEAD)
    first = HEAD + "".join(map(world_section, sorted(worlds, key=_worst))) + WIDTH
    second = OWN_HEAD + "".join(map(section, designs))
    if not designs:
        second = OWN_HEAD + "\n" + kept[kept.index("### All corners measured") :]
    if not worlds:
        first = kept[: kept.index(OWN_HEAD)]
    third = effect_section(effects) if effects else EFFECT_HEAD * bool(earlier) + earlier
    fourth = lab_section(labs, evidence) if labs else LAB_TITLE * bool(earlier_labs) + earlier_labs
    return first + second.rstrip("\n") + "\n" + third.rstrip("\n") + "\n" + fourth


if __name__ == "__main__":
    PAGE.write_text(page(Path(sys.argv[1])), encoding="utf-8")
