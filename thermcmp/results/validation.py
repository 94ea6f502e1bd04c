"""The check that every results frame passes before it is stored or fitted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import Any

import pandas as pd

from thermcmp.errors import Fault, InputError
from thermcmp.results.fault_places import Origin
from thermcmp.results.rules import find_rule_faults
from thermcmp.results.schema import BY_NAME, COLUMNS, NAMES, REQUIRED
from thermcmp.tabular.coercion import DTYPES, build, coerce
from thermcmp.tabular.column import Column, Finding


def check_results(
    frame: pd.DataFrame,
    *,
    file: str | None = None,
    rows: Sequence[int] | None = None,
    headings: Mapping[str, str] | None = None,
) -> pd.DataFrame:
    """Check a results frame and bring it to its canonical form.

    Shapes: frame (n, columns). Returns (n, schema columns + extra columns).
    """
    origin = Origin(file, rows, headings or {})
    checked, findings = examine(frame)
    if findings:
        raise InputError("These results cannot be used:", map(origin.fault, findings))
    return checked


def examine(frame: pd.DataFrame) -> tuple[pd.DataFrame, list[Finding]]:
    """Convert a results frame to canonical form and collect all that is wrong with it.

    Shapes: frame (n, columns). Returns checked, findings.
    """
    given = _with_plain_columns(frame)
    findings: list[Finding] = []
    columns: dict[Any, pd.Series] = {}
    for column in COLUMNS:
        if column.name in given:
            series, bad = coerce(given[column.name], column)
            findings += bad
        else:
            series = build([None] * len(given), column)
        columns[column.name] = series
    extras = [name for name in given.columns if name not in BY_NAME]
    columns |= {name: given[name] for name in extras}
    checked = pd.DataFrame(columns)
    findings += _absent(given, extras)
    # An optional column without values has nothing to check.
    stated = [n for n in NAMES if n in given and (n in REQUIRED or checked[n].notna().any())]
    findings += _schema_findings(checked[stated], findings)
    findings += find_rule_faults(checked)
    return checked, findings


def _with_plain_columns(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the frame with text column names and a plain index."""
    if not isinstance(frame, pd.DataFrame):
        raise InputError(
            "Results must be a pandas DataFrame:",
            [
                Fault(
                    "not a DataFrame",
                    "give a frame, as read_results makes it",
                    value=type(frame).__name__,
                )
            ],
        )
    named = [name for name in frame.index.names if name is not None]
    plain = frame.reset_index(named).reset_index(drop=True) if named else frame
    faults = [
        Fault("two columns have this name", "rename or drop one", column=str(name))
        for name in plain.columns[plain.columns.duplicated()].unique()
    ]
    faults += [
        Fault("a column name that is not text", "rename it", column=str(name))
        for name in plain.columns
        if not isinstance(name, str)
    ]
    if faults:
        raise InputError("The columns of these results are unclear:", faults)
    return plain.reset_index(drop=True)


def _absent(given: pd.DataFrame, extras: list[str]) -> list[Finding]:
    """Name the required columns that are absent, with the extra column that may be meant."""
    findings = []
    for name in REQUIRED:
        if name not in given:
            close = get_close_matches(name, extras, n=1, cutoff=0.6)
            hint = f"; is it '{close[0]}'?" if close else ""
            findings.append(
                Finding("the column is missing", f"add it: {BY_NAME[name].meaning}{hint}", name)
            )
    return findings


def _words_for(column: Column) -> tuple[str, str]:
    """Return message and fix for a value outside a column's range or choices."""
    if column.choices:
        return "not one of the allowed words", f"use one of {', '.join(column.choices)}"
    unit = f" {column.unit}" if column.unit else ""
    if column.high is None:
        return "too small", f"give at least {column.low:g}{unit}"
    span = f"{column.low:g} to {column.high:g}{unit}"
    return "out of range", f"give a value from {span}; check the unit"


def _schema_findings(checked: pd.DataFrame, known: list[Finding]) -> list[Finding]:
    """Check types, required values, ranges and words of the columns that were given."""
    # Imported on use: pandera takes a good part of a second.
    import pandera.pandas as pa

    def rules(column: Column) -> list[pa.Check]:
        found = []
        if column.choices:
            found.append(pa.Check.isin(column.choices))
        if column.low is not None:
            found.append(pa.Check.ge(column.low))
        if column.high is not None:
            found.append(pa.Check.le(column.high))
        return found

    schema = pa.DataFrameSchema(
        {
            name: pa.Column(
                DTYPES[BY_NAME[name].kind],
                rules(BY_NAME[name]),
                nullable=not BY_NAME[name].required,
            )
            for name in checked.columns
        }
    )
    try:
        schema.validate(checked, lazy=True)
    except pa.errors.SchemaErrors as error:
        cases = error.failure_cases
    else:
        return []
    told = {(finding.column, finding.position) for finding in known}
    findings = []
    for name, check, value, index in zip(
        cases["column"], cases["check"], cases["failure_case"], cases["index"], strict=True
    ):
        if check == "not_nullable" and (name, index) not in told:
            message, fix = "the value is missing", f"fill it in: {BY_NAME[name].meaning}"
            findings.append(Finding(message, fix, name, int(index)))
        elif check != "not_nullable":
            message, fix = _words_for(BY_NAME[name])
            findings.append(Finding(message, fix, name, int(index), value))
    return findings
