"""Forms in which other laboratories publish: a rise, a standard deviation, a stated ±."""

from __future__ import annotations

from typing import Final

import pandas as pd

from thermcmp.results.schema import BY_NAME, PUBLISHED_FORMS
from thermcmp.tabular.coercion import coerce
from thermcmp.tabular.column import Finding

#: Air temperature at which a published rise is set down [°C]; only the rise enters a fit.
AIR_OF_A_RISE_C: Final = 25.0
#: Coverage factor of a stated expanded uncertainty (JCGM 100:2008, 6.2.1: 2 to 3).
COVERAGE_FACTOR: Final = 2.0


def in_columns_of_results(frame: pd.DataFrame) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the frame with published forms put into the results' own columns, and findings.

    A temperature or standard error that is stated beside them goes before.
    """
    present = [column for column in PUBLISHED_FORMS if column.name in frame]
    if not present:
        return frame, []
    findings: list[Finding] = []
    read: dict[str, pd.Series] = {}
    own = [BY_NAME[name] for name in ("temperature_c", "ambient_c", "standard_error_k", "n")]
    blank = pd.Series([None] * len(frame), index=frame.index, dtype=object)
    for column in (*present, *own):
        read[column.name], unread = coerce(frame.get(column.name, blank), column)
        # Those of the results' own columns are found where all of these are read.
        findings += unread if column in present else []
    rise, sd, expanded = (read.get(column.name) for column in PUBLISHED_FORMS)
    filled: dict[str, pd.Series] = {}
    if rise is not None:
        used = rise.notna() & read["temperature_c"].isna()
        air = read["ambient_c"].where(~(used & read["ambient_c"].isna()), AIR_OF_A_RISE_C)
        filled["ambient_c"] = air
        filled["temperature_c"] = read["temperature_c"].where(~used, air + rise)
    error = read["standard_error_k"]
    if sd is not None:
        count = read["n"].astype("Float64")
        for position in frame.index[sd.notna() & error.isna() & count.isna()]:
            fix = "state n, the number of runs behind it"
            findings.append(
                Finding("a standard deviation without its number of runs", fix,
                        "standard_deviation_k", int(position), sd[position])
            )  # fmt: skip
        error = error.where(error.notna(), (sd / count**0.5).astype(error.dtype))
    if expanded is not None:
        error = error.where(error.notna(), expanded / COVERAGE_FACTOR)
    if sd is not None or expanded is not None:
        filled["standard_error_k"] = error
    # A cell that could not be read stays, so that it is found.
    kept = {
        name: values.astype(object).where(values.notna(), frame.get(name, blank))
        for name, values in filled.items()
    }
    return frame.drop(columns=[column.name for column in present]).assign(**kept), findings
