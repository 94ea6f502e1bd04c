"""Write the page of the calibration studies from their tables.

First the studies, each of which writes a table to the folder (see
`tests/studies/test_calibration_nuts.py`), then the page::

    THERMCMP_STUDY_SIZE=300 THERMCMP_STUDY_RESULTS=out python -m pytest -m study tests/studies
    python docs/make_calibration.py out

The table of a study that was stopped early has the campaigns done so far; their number
is stated.
"""

import sys
from pathlib import Path

import pandas as pd

PAGE = Path(__file__).with_name("calibration.md")
HEAD = """# Calibration of the engines

Are the uncertainty intervals right? Parameters are drawn from the priors, data from the model at \
those parameters, and the model is fitted to the data. Then the rank of each true value among its \
posterior draws is uniform, and a 90 % interval contains it in 90 % of campaigns (Talts, \
Betancourt, Simpson, Vehtari & Gelman, arXiv:1804.06788). A Kolmogorov-Smirnov test of all \
quantities of a design together has a 99 % band: the smallest p value times the number of \
quantities must exceed 0.01.

The studies are `tests/studies/test_calibration*.py`; this page is made from their tables by \
`docs/make_calibration.py`, whose docstring has the commands. A bad fit is one whose sampler's \
checks are bad; it is ranked with the others.
"""

#: Notes to a study, by the heading of its section.
NOTES = {
    "NUTS: the swap with 30 % of readings at the limit": (
        "These campaigns and their number were fixed in advance. The sampler's step acceptance "
        "of 0.98 was chosen on others: a run at 0.90 had 9 bad fits in 71 campaigns, and one at "
        "0.98 was stopped by hand after 176 campaigns (one bad fit, 0.587)."
    ),
}


def section(table: pd.DataFrame) -> str:
    """Return the section of one design: its verdict, and a row per quantity."""
    first = table.iloc[0]
    least = table["p"].min() * len(table)
    verdict = "inside the 99 % band" if least > 0.01 else "OUTSIDE the 99 % band"
    heading = f"{first['engine']}: {first['design']}"
    lines = [
        f"\n## {heading}\n",
        f"{first['campaigns']} campaigns, {first['bad']} bad, {len(table)} quantities. "
        f"Smallest p times the number of quantities: {min(least, 1.0):.3f}, {verdict}.\n",
        *([NOTES[heading] + "\n"] if heading in NOTES else []),
        "| quantity | p | truth in 90 % interval |",
        "| --- | --- | --- |",
        *(
            f"| {row.quantity.replace('_', ' ')} | {row.p:.3f} | {row.held_90:.1%} |"
            for row in table.itertuples()
        ),
    ]
    return "\n".join(lines) + "\n"


def page(folder: Path) -> str:
    """Return the page."""
    studies = [pd.read_csv(path) for path in sorted(folder.glob("*.csv"))]
    # The folder may have tables of other studies: those of calibration name an engine.
    tables = [table for table in studies if "engine" in table]
    return HEAD + "".join(section(table) for table in tables)


if __name__ == "__main__":
    PAGE.write_text(page(Path(sys.argv[1])), encoding="utf-8")
