"""The check that every results frame passes before it is stored or fitted."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd

from thermcmp.errors import Fault, InputError, ThermcmpWarning, closest
from thermcmp.results.fault_places import Origin
from thermcmp.results.near_names import TYPED
from thermcmp.results.plausibility.doubts import find_doubts
from thermcmp.results.published import in_columns_of_results
from thermcmp.results.rules import find_rule_faults
from thermcmp.results.schema import BY_NAME, COLUMNS, NAMES, REQUIRED, UNLESS_PUBLISHED
from thermcmp.tabular.coercion import DTYPES, build, coerce
from thermcmp.tabular.column import Finding
from thermcmp.tabular.names import look_alike

#: Message of a required value that is not there.
MISSING_VALUE: Final = "the value is missing"


def check_results(
    frame: pd.DataFrame,
    *,
    file: str | None = None,
    rows: Sequence[int] | None = None,
    headings: Mapping[str, str] | None = None,
) -> pd.DataFrame:
    """Return a results frame in canonical form, or raise an error with every fault."""
    origin = Origin(file, rows, headings or {})
    checked, findings = examine(frame)
    if findings:
        raise InputError("These results cannot be used:", map(origin.fault, findings))
    for doubt in (*_names_alike(checked), *find_doubts(checked)):
        warnings.warn(doubt, ThermcmpWarning, stacklevel=2)
    return checked


def without_bad_rows(frame: pd.DataFrame) -> tuple[pd.DataFrame, tuple[Fault, ...]]:
    """Return a frame without the rows that are wrong by themselves, and what is wrong with them.

    Rows that contradict each other stay, and refuse the frame: which of them is wrong is not
    known.
    """
    plain = _with_plain_columns(frame)
    suspects = {f.position for f in examine(plain)[1] if f.position is not None}
    faults: list[Fault] = []
    bad = []
    for position in sorted(suspects):
        origin = Origin(rows=[position])
        alone = [f for f in examine(plain.iloc[[position]])[1] if f.position is not None]
        if alone:
            bad.append(position)
            faults += map(origin.fault, alone)
    return plain.drop(index=bad).reset_index(drop=True), tuple(faults)


def _names_alike(checked: pd.DataFrame) -> list[str]:
    """Return a doubt about names that may be one, as they look alike."""
    pairs = [
        # Signs that look like others are shown by number.
        f"{name}: "
        + " and ".join(map(ascii if len(set(map(str.casefold, group))) > 1 else repr, group))
        for name in TYPED
        for group in look_alike(checked[name].dropna().unique())
    ]
    if not pairs:
        return []
    return [
        f"Names that look alike count as different: {'; '.join(pairs)}. "
        "Fix: write them alike where they are one."
    ]


def examine(frame: pd.DataFrame) -> tuple[pd.DataFrame, list[Finding]]:
    """Return a results frame in canonical form, and every finding about it."""
    stated, findings = in_columns_of_results(_with_plain_columns(frame))
    columns: dict[Any, pd.Series] = {}
    # Columns that are blank share their memory where pandas lets them.
    lacking = {column.kind: column for column in COLUMNS if column.name not in stated}
    blank = {kind: build([None] * len(stated), column) for kind, column in lacking.items()}
    for column in COLUMNS:
        if column.name in stated:
            columns[column.name], unread = coerce(stated[column.name], column)
            findings += unread
        else:
            columns[column.name] = blank[column.kind]
    extras = [name for name in stated.columns if name not in BY_NAME]
    columns |= {name: stated[name] for name in extras}
    findings += [found for name in extras for found in _unlike_cells(stated[name])]
    checked = pd.DataFrame(columns)
    for name in REQUIRED:
        if name not in stated:
            close = closest(name, extras)
            fix = f"add it: {BY_NAME[name].meaning}{f'; is it {close!r}?' if close else ''}"
            findings.append(Finding("the column is missing", fix, name))
    findings += _missing_conditions(checked, stated, findings)
    # An optional column without values has nothing to check.
    filled = [n for n in NAMES if n in stated and (n in REQUIRED or checked[n].notna().any())]
    findings += _schema_findings(checked[filled], findings)
    findings += find_rule_faults(checked)
    return checked, findings


def _unlike_cells(column: pd.Series) -> Iterator[Finding]:
    """Find the cells of a column of the user's own that hold no single value."""
    if column.dtype.kind == "c":
        yield Finding("complex numbers", "write real numbers or text", str(column.name))
    elif column.dtype == object:
        for position in np.flatnonzero(~column.map(pd.api.types.is_scalar).to_numpy(bool)):
            words = "not a single value"
            yield Finding(words, "write one number or text a cell", str(column.name), int(position))


def _missing_conditions(
    checked: pd.DataFrame, stated: pd.DataFrame, known: list[Finding]
) -> Iterator[Finding]:
    """Find what only a published result may leave blank."""
    unread = {(finding.column, finding.position) for finding in known}
    for name in UNLESS_PUBLISHED:
        lacking = checked.index[checked[name].isna() & checked["n"].isna()]
        own = f"{BY_NAME[name].meaning} (blank only in a published result, which states n)"
        if name not in stated and len(lacking):
            yield Finding("the column is missing", f"add it: {own}", name)
            continue
        for position in lacking:
            if (name, position) not in unread:
                yield Finding("the value is missing", f"fill it in: {own}", name, int(position))


def _with_plain_columns(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the frame with text column names and a plain index."""
    if not isinstance(frame, pd.DataFrame):
        fix = "give a frame, as read_results makes it"
        fault = Fault("not a DataFrame", fix, value=type(frame).__name__)
        raise InputError("Results must be a pandas DataFrame:", [fault])
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


def _schema_findings(checked: pd.DataFrame, known: list[Finding]) -> list[Finding]:
    """Check types, required values, ranges and words of columns, beside known findings."""
    # Imported on use: pandera takes a good part of a second.
    import pandera.pandas as pa

    checks = {}
    for name in checked.columns:
        column = BY_NAME[name]
        rules = [pa.Check.isin(column.choices)] if column.choices else []
        rules += [pa.Check.ge(column.low)] if column.low is not None else []
        rules += [pa.Check.le(column.high)] if column.high is not None else []
        checks[name] = pa.Column(DTYPES[column.kind], rules, nullable=not column.required)
    schema = pa.DataFrameSchema(checks)
    try:
        schema.validate(checked, lazy=True)
    except pa.errors.SchemaErrors as error:
        cases = error.failure_cases
    else:
        return []
    unread = {(finding.column, finding.position) for finding in known}
    findings = []
    for name, check, value, index in zip(
        cases["column"], cases["check"], cases["failure_case"], cases["index"], strict=True
    ):
        column = BY_NAME[name]
        unit = f" {column.unit}" if column.unit else ""
        if check == "not_nullable":
            if (name, index) not in unread:
                fix = "fill it in, or take the row out"
                findings.append(Finding(MISSING_VALUE, fix, name, int(index)))
            continue
        if column.choices:
            message, fix = "not one of the allowed words", f"use one of {', '.join(column.choices)}"
        elif column.high is None:
            message, fix = "too small", f"give at least {column.low:g}{unit}"
        else:
            span = f"{column.low:g} to {column.high:g}{unit}"
            message, fix = "out of range", f"give a value from {span}; check the unit"
        findings.append(Finding(message, fix, name, int(index), value))
    return findings
