"""Write the page of the parts' coverage from the tables of its study.

First the study, which writes a table per design to the folder, then the page::

    THERMCMP_STUDY_RESULTS=out python -m pytest -m study tests/studies/test_part_coverage.py
    python docs/make_coverage.py out
"""

import sys
from pathlib import Path

import pandas as pd

PAGE = Path(__file__).with_name("coverage.md")
HEAD = """# Coverage of the parts of a fix

Does a 90 % interval contain the true part in about 90 % of studies, and how much wider does it \
become with fewer runs? Each study is simulated: two cards as shipped with one factory and three \
bench assemblies each, their effects, exponent and spreads drawn by the simulator, whose formulas \
are independent of the model's. Then rows are left out, the rest is fitted and the fix attributed.

The priors are wider than what is drawn, so an interval that rests on them contains the truth \
more often than stated. The designs are in `tests/studies/fix_designs.py`, the study is \
`tests/studies/test_part_coverage.py`; this page is made from its tables by \
`docs/make_coverage.py`.
"""
COLUMNS = (
    "| part | truth in 90 % interval | median width [K] | mean error [K] | rms error [K] "
    "| data share |"
)


def section(table: pd.DataFrame) -> str:
    """Return the section of one design: a row per part."""
    first = table.iloc[0]
    lines = [
        f"\n## {str(first['design']).capitalize()}\n",
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


def page(folder: Path) -> str:
    """Return the page."""
    tables = [pd.read_csv(path) for path in sorted(folder.glob("part-coverage-*.csv"))]
    return HEAD + "".join(section(table) for table in tables)


if __name__ == "__main__":
    PAGE.write_text(page(Path(sys.argv[1])), encoding="utf-8")
