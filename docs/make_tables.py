"""Write the page of the results table from the schema.

Run from anywhere: ``python docs/make_tables.py``. A test checks that the page is up to
date.
"""

from pathlib import Path

from thermcmp.results.headings import PER_SENSOR
from thermcmp.results.schema import COLUMNS, KEY, SCHEMA_VERSION
from thermcmp.tabular.column import Column, Kind

PAGE = Path(__file__).with_name("results-table.md")
STORED = {
    Kind.TEXT: "text",
    Kind.NUMBER: "number",
    Kind.COUNT: "whole number",
    Kind.FLAG: "yes or no",
    Kind.TIME: "time",
}

HEAD = f"""# The results table

A row is one sensor's steady temperature in one run. Schema version {SCHEMA_VERSION}. The columns {
    ", ".join(f"`{name}`" for name in KEY)
} together identify a row permanently; a correction supersedes the row under the same name.

This page is made by `docs/make_tables.py` from `thermcmp/results/schema.py`, which is also what \
the checks, the Parquet files and the table reader use.

| column | type | unit | required | allowed | meaning |
| --- | --- | --- | --- | --- | --- |
"""

FOOT = """
## Your own headings

`read_results(path, columns=…)` maps your headings to these columns, and so does `--columns FILE` \
on the command line with a JSON file: `{"Test no.": "run", "Fan (rpm)": "fan_rpm"}`. A column's \
own name needs no mapping, nor does one with its unit: `Power (W)`, `Fan, rpm`, `power_w [kW]`. \
Headings that no column has are kept as extra columns. A table may have a column per sensor, \
which becomes a row per run and sensor:

```json
{"VRAM °C": "temperature_c[memory]", "VRAM step": "resolution_k[memory]",
 "VRAM clamped": "at_limit[memory]", "Hot spot °C": "temperature_c[junction]"}
```

PER_SENSOR may name a sensor. A column mapped without one \
applies to all sensors of the run, so the step or the limit of one sensor needs its name.
"""


def allowed(column: Column) -> str:
    """Return the range or the choices of a column."""
    if column.choices:
        return ", ".join(column.choices)
    if column.low is not None and column.high is not None:
        return f"{column.low:g} to {column.high:g}"
    return "" if column.low is None else f"{column.low:g} or more"


def page() -> str:
    """Return the page."""
    rows = (
        f"| `{column.name}` | {STORED[column.kind]} | {column.unit} | "
        f"{'yes' if column.required else ''} | {allowed(column)} | {column.meaning} |\n"
        for column in COLUMNS
    )
    *first, last = (f"`{name}`" for name in PER_SENSOR)
    return HEAD + "".join(rows) + FOOT.replace("PER_SENSOR", f"{', '.join(first)} and {last}")


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
