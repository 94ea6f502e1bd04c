"""Write the page of the calibration studies from their tables.

First the studies, each of which leaves a table in the folder named (see
`tests/studies/test_calibration_nuts.py`), then the page::

    THERMCMP_STUDY_SIZE=300 THERMCMP_STUDY_RESULTS=out python -m pytest -m study tests/studies
    python docs/make_calibration.py out

A study that was stopped early leaves the campaigns done so far; their number is stated.
"""

import sys
from pathlib import Path

import pandas as pd

PAGE = Path(__file__).with_name("calibration.md")
HEAD = """# Calibration of the engines

Do the intervals mean what they say? Parameters are drawn from the priors, data from the model at \
those parameters, and the model is fitted to the data. Then the rank of each true value among its \
posterior draws is uniform, and a 90 % interval holds it in 90 % of campaigns (Talts, Betancourt, \
Simpson, Vehtari & Gelman, arXiv:1804.06788). The band of Kolmogorov and Smirnov holds for all \
quantities of a design together with 99 %: the smallest p value times the number of quantities \
must exceed 0.01.

The studies are `tests/studies/test_calibration*.py`; this page is made from their tables by \
`docs/make_calibration.py`, whose head says how to repeat both. A bad fit is one whose sampler's \
checks are bad; it is ranked with the others. A contrast is B − A for "B − A", the second level \
of its factor less the first.
"""

#: What must be known of a study beside its numbers, by the heading of its section.
NOTES = {
    "NUTS: the swap with 30 % of readings at the limit": (
        "These campaigns, and their number, were set beforehand. The sampler's step acceptance "
        "of 0.98 was chosen on others: there a run at 0.90 had gone badly (9 bad fits in 71 "
        "campaigns), and one at 0.98 was stopped by hand after 176 campaigns (one bad fit, "
        "0.587)."
    ),
}


def section(table: pd.DataFrame) -> str:
    """One design: what was seen, and a row per quantity."""
    first = table.iloc[0]
    least = table["p"].min() * len(table)
    verdict = "inside the 99 % band" if least > 0.01 else "OUTSIDE the 99 % band"
    heading = f"{first['engine']}: {first['design']}"
    lines = [
        f"\n## {heading}\n",
        f"{first['campaigns']} campaigns, {first['bad']} bad fits, {len(table)} quantities. "
        f"Smallest p times the number of quantities: {min(least, 1.0):.3f}, {verdict}.\n",
        *([NOTES[heading] + "\n"] if heading in NOTES else []),
        "| quantity | p | 90 % intervals hold |",
        "| --- | --- | --- |",
        *(f"| {row.quantity} | {row.p:.3f} | {row.held_90:.1%} |" for row in table.itertuples()),
    ]
    return "\n".join(lines) + "\n"


def page(folder: Path) -> str:
    """The whole page."""
    found = [pd.read_csv(path) for path in sorted(folder.glob("*.csv"))]
    # Other studies leave their tables beside: these rank quantities of an engine.
    tables = [table for table in found if "engine" in table]
    return HEAD + "".join(section(table) for table in tables)


if __name__ == "__main__":
    PAGE.write_text(page(Path(sys.argv[1])), encoding="utf-8")
