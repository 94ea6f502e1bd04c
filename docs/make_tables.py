"""Write the page of the results table from the schema.

Run from anywhere: ``python docs/make_tables.py``. A test checks that the page is up to
date.
"""

from pathlib import Path

from thermcmp.results.headings import PER_SENSOR
from thermcmp.results.schema import COLUMNS, KEY, PUBLISHED_FORMS, SCHEMA_VERSION, UNLESS_PUBLISHED
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


PUBLISHED = """
## Another laboratory's published numbers

A published result is a row that states `n`, the runs behind it (1 for a single run), and where n \
is above 1 its standard error. What it does not state of ambient, power and fan speed stays blank: \
`fit` takes it as an unknown with a prior, which `unstated=` sets and `Fit.design.notes` prints, \
shared by the rows of its source. A table may also have these columns, which are put into those \
above when it is read; a value that is stated there goes before:

| column | unit | allowed | meaning |
| --- | --- | --- | --- |
FORMS
The temperature of a published rise whose ambient is blank is set down in air of 25 °C; only the \
rise enters a fit. Give each laboratory its name in `lab`: its own offset is then part of the model.
"""


def allowed(column: Column) -> str:
    """Return the range or the choices of a column."""
    if column.choices:
        return ", ".join(column.choices)
    if column.low is not None and column.high is not None:
        return f"{column.low:g} to {column.high:g}"
    return "" if column.low is None else f"{column.low:g} or more"


def needed(column: Column) -> str:
    """Return whether a row needs the column."""
    if column.name in UNLESS_PUBLISHED:
        return "unless `n` is stated"
    return "yes" if column.required else ""


def page() -> str:
    """Return the page."""
    rows = (
        f"| `{column.name}` | {STORED[column.kind]} | {column.unit} | "
        f"{needed(column)} | {allowed(column)} | {column.meaning} |\n"
        for column in COLUMNS
    )
    *first, last = (f"`{name}`" for name in PER_SENSOR)
    forms = "".join(
        f"| `{form.name}` | {form.unit} | {allowed(form)} | {form.meaning} |\n"
        for form in PUBLISHED_FORMS
    )
    named = FOOT.replace("PER_SENSOR", f"{', '.join(first)} and {last}")
    return HEAD + "".join(rows) + named + PUBLISHED.replace("FORMS", forms)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
