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

`thermcmp columns runs.xlsx` writes a map of your headings to these columns, filled in as far as \
it can be guessed. Look through it, then `thermcmp import runs.xlsx --columns runs.toml --library \
bench`. In Python `read_results("runs.xlsx", "runs.toml")` reads the same, or \
`columns={"Test no.": "run", "Fan (rpm)": "fan_rpm"}` states it. A column's own name needs no \
mapping, nor does one with its unit: `Power (W)`, `Fan, rpm`, `power_w [kW]`. Headings that no \
column has are kept as extra columns. A table may have a column per sensor, which becomes a row \
per run and sensor:

```json
{"VRAM °C": "temperature_c[memory]", "VRAM step": "resolution_k[memory]",
 "VRAM clamped": "at_limit[memory]", "Hot spot °C": "temperature_c[junction]"}
```

PER_SENSOR may name a sensor. A column mapped without one \
applies to all sensors of the run, so the step or the limit of one sensor needs its name.

## Messy tables

| in the table | what happens | option of `read_results` (command line) |
| --- | --- | --- |
| a title above the headings | skipped, down to the first row with known headings or several \
cells | `header_row=4` (`--header-row`) |
| merged cells | refused until it is said what they mean | `fill_merged=True` or `False` \
(`--fill-merged`) |
| words of your own | refused with their number | `words={"assembly_kind": {"remounted": \
"bench"}}` \
(`--word "assembly_kind: remounted = bench"`) |
| dates such as 4.3.2031 | refused with the formats that fit | `dates="%d.%m.%Y"` (`--dates`) |
| decimal points and commas | each column by its own numbers; a stray one is named | \
`decimal={"Power [W]": ","}` (`--decimal "Power [W]=,"`) |
| a number that reads both ways, such as 1,500 | refused where nothing proves its mark | \
`decimal="."` |
| a test number twice | refused, with both rows; a row that is a copy counts as a bad row | |
| numbers of a unit that no heading states (a room at 72, 1.5 sone) | refused; so is \
"room F", which may be °F or a name | write the heading as `room [°F]` |
| two readings in each other's cells | refused beside rows that agree | state \
`power_error_w` or `fan_error_rpm` if they are right |
| "62±1", "~62" | refused: the ± has a column of its own, `standard_error_k` | |
| no test numbers | add a column of them: 1, 2, 3 … | |
| runs after a remount, but no names of assemblies | asked about where set points repeat | a \
column for `assembly`: "A1", "A2" … |
| a block for each card, beside or below each other | read where each has its own name above \
equal headings: the names become the column `block`, and equal test numbers, and assemblies of \
other coolers, begin with them; else refused | `columns={"block": "cooler_model"}` says what the \
names are (`columns` writes the line) |
| headings again on each page | skipped | |
| a column for each run | read where the headings stand below each other at the left; faults \
have the sheet's own cells | |
| a power or fan speed ten times, or a tenth of, the others of its cooler at a like temperature | \
refused: a decimal mark is missing or too many | state `power_error_w` or `fan_error_rpm` if it is \
right |
| `kestrel-2` beside `Kestrel 2` | asked about; not imported until answered | \
`words={"cooler_model": \
{"kestrel-2": "Kestrel 2"}}` if they are one, `{"kestrel-2": "kestrel-2"}` if they are two |
| no product names | products are "cooler on board" | |
| rows that cannot be used, totals | refused | `bad_rows="skip"` (`--bad-rows skip`) leaves them \
out \
and lists them |

Faults are grouped by kind, with counts and the cells of your own file; `--faults faults.csv` \
writes each of them. The options may stand in the file of `--columns` too.
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
A range of ambient, power or fan speed in a cell ("22–24 °C", "215 to 225 W") counts as its \
middle, with half of its width over √3 as the standard error (JCGM 100:2008, 4.3.7) in \
`ambient_error_k`, `power_error_w` or `fan_error_rpm`, unless one is stated there.

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
