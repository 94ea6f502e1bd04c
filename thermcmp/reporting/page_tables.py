"""The tables of answers as a page prints them; every row and column is in the file beside them."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

import pandas as pd

from thermcmp.questions.attribution.answer import Attribution
from thermcmp.questions.attribution.parts import ON_HARDWARE
from thermcmp.questions.phrases import WITHHELD
from thermcmp.questions.ranking.question import Ranking
from thermcmp.questions.separation.contrasts import AVERAGE
from thermcmp.questions.separation.question import Separation
from thermcmp.questions.several_sensors.question import SensorAttribution
from thermcmp.questions.several_sensors.rows import ASSEMBLY
from thermcmp.questions.table_words import Cell, WordedTable, worded_table

if TYPE_CHECKING:
    from thermcmp.questions.answer import Answer

#: Parts that are differences between the four corners, which have a table of their own.
_BETWEEN_CORNERS: Final = (
    "hardware, fan and power as before", "hardware, fan and power as after",
    "hardware, under the old firmware", "hardware, under the new firmware",
    *ON_HARDWARE, "interaction",
)  # fmt: skip
#: Sentences that a table on the page says cell by cell, or that only the full answer has.
IN_TABLES: Final = re.compile(
    r"^Corners measured|^The change of fan speed was worth|more stand out: see the table"
    r"|^Correlation of an assembly's effects|probability that it is below .* K\."
    r"|cannot be separated from .* The effect is somewhere"
)
#: Remarks of a row that its other cells say too, or that have shorter words.
_SHORT: Final = {
    rf"^{WITHHELD}.*": "withheld: the runs do not show it",
    "boundary: the data allow zero": "may be zero",
}
#: Sentences that say what the numbers of a table are due to.
BESIDE_TABLES: Final = re.compile(r"^Reassembly penalty|not part of the fix")


def page_tables(answer: Answer) -> dict[str, WordedTable]:
    """Return the tables that a page prints, by caption; the first has the kind of intervals."""
    shown, further = answer.shown_table, dict(answer.further_tables)
    if isinstance(answer, SensorAttribution):
        stands_out = shown["kind"].eq(ASSEMBLY)
        if stands_out.any():
            further["Assemblies that stand out from others of the same parts"] = shown[stands_out]
        tables = {answer.interval_words: shown[~stands_out], **further}
        return {caption: _by_sensor(table) for caption, table in tables.items()}
    if isinstance(answer, Attribution):
        shown = shown[~shown["part"].isin(_BETWEEN_CORNERS)]
        # What changed stands in the table of corners.
        further = {c: table for c, table in further.items() if table is not answer.changes}
    if isinstance(answer, Separation) and "partner" in shown:
        shown = shown[~_on_one_partner(shown)]
    if isinstance(answer, Ranking):
        alone = ["network"] if len(set(shown.get("network", ()))) < 2 else []
        # The chance to beat a rival is another form of the mean rank.
        others = [*alone, "p_beats", "fan_rpm_low", "fan_rpm_high"]
        shown = shown.drop(columns=others, errors="ignore")
    return {c: _plain(table) for c, table in {answer.interval_words: shown, **further}.items()}


def _on_one_partner(table: pd.DataFrame) -> pd.Series:
    """Return which rows state on one partner what another row states on average."""
    averaged = table.loc[table["partner"].eq(AVERAGE), "contrast"]
    return table["contrast"].isin(averaged) & ~table["partner"].isin(["", AVERAGE])


def _plain(table: pd.DataFrame) -> WordedTable:
    """Return a table without health that is ok; what assumptions move is said in words."""
    table = table.drop(columns="prior_influence", errors="ignore")
    if "health" in table:
        table = table.assign(health=table["health"].replace(_SHORT, regex=True))
    if "health" in table and (table["health"] == "ok").all():
        table = table.drop(columns="health")
    return worded_table(table, folded=True).without_same()


def _by_sensor(table: pd.DataFrame) -> WordedTable:
    """Return a row per part with a column per sensor."""
    sensors, parts = table["sensor"].unique(), table["part"].unique()
    numbers = table[["part", "mean_k", "low_k", "high_k"]]
    cells = [row[1] for row in worded_table(numbers, folded=True).rows]
    at = dict(zip(zip(table["part"], table["sensor"], strict=True), cells, strict=True))
    rows = [
        [Cell(part), *(at.get((part, sensor), Cell("–")) for sensor in sensors)] for part in parts
    ]
    headings = ["Part", *(f"{sensor.capitalize()} (range) [K]" for sensor in sensors)]
    if not table["health"].eq("ok").all():
        headings.append("Health")
        by_part = table.groupby("part", sort=False)
        rows = [[*row, Cell(_healths(by_part.get_group(row[0].text)))] for row in rows]
    return WordedTable(tuple(headings), tuple(map(tuple, rows)))


def _healths(rows: pd.DataFrame) -> str:
    """Return the health of a part, by sensor where it differs."""
    if len(set(rows["health"])) == 1:
        return str(rows["health"].iloc[0])
    return "; ".join(f"{s}: {h}" for s, h in zip(rows["sensor"], rows["health"], strict=True))
