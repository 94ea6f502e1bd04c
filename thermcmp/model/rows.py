"""Which result rows a fit uses, and why the others are left out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array, BoolArray
from thermcmp.errors import Fault, InputError, ModelError
from thermcmp.model.regulated import Regulated, uninformative
from thermcmp.model.terms import HOURS, RUNS, SPAN, TENS_OF_KELVINS, Term
from thermcmp.results.schema import in_force
from thermcmp.tabular.names import counted

if TYPE_CHECKING:
    import pandas as pd

    from thermcmp.physics.airflow import AirflowLaw

#: Longest gap between the runs of one session [h]: a night is longer.
LONGEST_GAP_H: Final = 10.0
#: Ambient temperatures that differ by less need no slope [K].
SAME_ROOM_K: Final = 3.0
#: Share of a condition's sum of squares between the levels of a part from which it goes with it.
GOES_WITH: Final = 0.2
#: What distinguishes the assemblies and sessions that have no name beside the cooler model, with
#: the words before it. A cooler may have had a day of its own, whichever boards it was on.
_UNNAMED: Final = {
    "session": {"cooler_id": " "},
    "assembly": {
        "cooler_id": " ", "board_model": " on ", "board_id": " ", "memory_vendor": ", ",
        "session": ", ", "assembly_kind": ", ",
    },
}  # fmt: skip
#: Columns of parts and of what sets them.
_PARTS: Final = ("cooler_model", "board_model", "memory_vendor", "assembly_kind", "firmware")


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Runs that a fit does not use, and the reason in plain words."""

    reason: str
    runs: tuple[str, ...]

    def __str__(self) -> str:
        shown = ", ".join(self.runs[:6]) + (" …" if len(self.runs) > 6 else "")
        return f"{counted(len(self.runs), 'run')} left out: {self.reason} ({shown})"


def one_sensor(results: pd.DataFrame, sensor: str | None) -> tuple[pd.DataFrame, str]:
    """Return the rows of one sensor and its name."""
    if "sensor" not in results:
        raise InputError(
            "These are not results rows:",
            [Fault("no column 'sensor'", "use read_results or Library.results", column="sensor")],
        )
    known = sorted(results["sensor"].dropna().unique())
    if sensor is None and len(known) == 1:
        sensor = str(known[0])
    if sensor is None or sensor not in known:
        raise InputError(
            "Which sensor?",
            [
                Fault(
                    "the rows hold " + (", ".join(known) or "no sensor"),
                    "give sensor= one of these",
                    column="sensor",
                    value=None if sensor is None else sensor,
                )
            ],
        )
    return results.loc[results["sensor"] == sensor].reset_index(drop=True), sensor


def usable_rows(
    rows: pd.DataFrame, law: AirflowLaw, regulated: Regulated = Regulated.LEAVE_OUT
) -> tuple[pd.DataFrame, tuple[LeftOut, ...]]:
    """Return the rows that a fit may use, and those left out by reason."""
    import pandas as pd

    if law.column not in rows:
        raise ModelError(
            f"The airflow law '{law.name}' reads the column '{law.column}', which the rows do not "
            f"have. Fix: add it [{law.unit}], or choose another law with airflow=."
        )
    flow_speed = pd.to_numeric(rows[law.column], errors="coerce")
    words = rows.loc[rows[law.column].notna() & flow_speed.isna(), law.column]
    if len(words):
        raise ModelError(
            f"The airflow law '{law.name}' reads the column '{law.column}', where {len(words)} of "
            f"{len(rows)} rows hold no number, such as '{words.iloc[0]}'. Fix: give numbers "
            f"[{law.unit}], or choose another law with airflow=."
        )
    checks = {
        "refused by the protocol check": ~in_force(rows),
        **uninformative(rows, law, regulated),
        f"no {law.column} (duty in % is not fan speed)": flow_speed.isna() | (flow_speed <= 0),
    }
    left_out, keep = [], pd.Series(True, index=rows.index)
    for reason, hit in checks.items():
        mask = keep & hit.astype(bool)
        if mask.any():
            left_out.append(LeftOut(reason, tuple(rows.loc[mask, "run"].astype(str))))
        keep &= ~mask
    if not keep.any():
        why = "; ".join(str(item) for item in left_out) or "the frame is empty"
        raise ModelError(f"No usable rows: {why}. Fix: add runs that a comparison may use.")
    return rows.loc[keep].reset_index(drop=True), tuple(left_out)


def level_keys(rows: pd.DataFrame, columns: tuple[str, ...]) -> pd.Series:
    """Return the level name of each row.

    Missing ids are not dropped, and what was not stated is not taken for one and the same:
    rows without a specimen id count as one unnamed specimen per model, vendor and lab,
    rows without a session as one session per cooler, rows without an assembly as one
    assembly per pair of parts, session and kind of assembly. An unstated vendor is a level of
    its own.
    """
    keys, *others = (_filled(rows, column) for column in columns)
    for values in others:
        keys = keys + " · " + values
    return keys


def with_derived(
    rows: pd.DataFrame, of_no_room: BoolArray | None = None
) -> tuple[pd.DataFrame, list[str]]:
    """Add what a fit works out of start times and ambient temperatures; return notes on it.

    Rows `of_no_room`, (n,) flags, whose ambient nobody read, count at the mean of the others.
    """
    import pandas as pd

    notes, derived = list[str](), dict[str, pd.Series]()
    if "started_at" in rows and rows["started_at"].notna().all():
        started = pd.to_datetime(rows["started_at"], utc=True)
        hours = (started - started.min()).dt.total_seconds() / 3600.0
        rows, notes = _with_split_sessions(rows, hours)
        session = level_keys(rows, ("lab", "session"))
        by_session = hours.groupby(session)
        when = by_session.transform("mean")
        # A bench does not warm for longer than a day.
        length = by_session.transform("max") - by_session.transform("min")
        since = (hours - when) * (24.0 / length.clip(lower=24.0))
        # Runs that name no session may be of several.
        derived[HOURS] = _where_named(since, rows, "session").fillna(0.0)
        bench = level_keys(rows, ("lab", "bench"))
        by_bench = when.groupby(bench)
        first, last = by_bench.transform("min"), by_bench.transform("max")
        share = (when - (first + last) / 2.0) / (last - first).clip(lower=1.0)
        # Two sessions of a bench have no trend beside what each of them adds.
        share = share.where(session.groupby(bench).transform("nunique") > 2, 0.0)
        if _goes_with_parts(rows, share):
            derived[SPAN] = share
    ambient_c = rows["ambient_c"].astype(float)
    if of_no_room is not None:
        ambient_c = ambient_c.mask(of_no_room, ambient_c[~of_no_room].mean()).fillna(0.0)
    if np.ptp(ambient_c) >= SAME_ROOM_K and _goes_with_parts(rows, ambient_c):
        derived[TENS_OF_KELVINS] = (ambient_c - ambient_c.mean()) / 10.0
    before = _runs_before(rows)
    if _goes_with_parts(rows, before):
        derived[RUNS] = before - before.mean()
    return rows.assign(**derived), notes


def _runs_before(rows: pd.DataFrame) -> pd.Series:
    """Count the runs of its assembly before each run; without start times, in the rows' order.

    Runs that name no assembly may be of several, so that all of them are at the mean.
    """
    import pandas as pd

    order = pd.Series(np.arange(len(rows)), index=rows.index)
    if "started_at" in rows and rows["started_at"].notna().all():
        order = pd.to_datetime(rows["started_at"], utc=True)
    assembly = level_keys(rows, ("lab", "assembly"))
    before = order.groupby(assembly).rank(method="first").astype(float) - 1.0
    named = _where_named(before, rows, "assembly")
    return named.fillna(named.mean()).fillna(0.0)


def _where_named(values: pd.Series, rows: pd.DataFrame, column: str) -> pd.Series:
    """Return the values of the rows that name their assembly or session, NaN elsewhere."""
    return values.where(rows[column].notna()) if column in rows else values * np.nan


def _with_split_sessions(rows: pd.DataFrame, hours: pd.Series) -> tuple[pd.DataFrame, list[str]]:
    """Count days of one session on which parts had a day of their own as sessions.

    Where parts share the days, a stay of several days at a bench stays one session.
    """
    stated = rows["session"].notna().to_numpy()
    keys = level_keys(rows, ("lab", "session"))
    gap = hours.sort_values(kind="stable").groupby(keys).diff() > LONGEST_GAP_H
    stay = gap.groupby(keys).cumsum().reindex(rows.index).astype(int) + 1
    split = stated & (stay.groupby(keys).transform("max") > 1).to_numpy()
    if not split.any() or not _goes_with_parts(rows[split], stay[split].astype(float), 0.5):
        return rows, []
    names = rows.loc[split, "session"].astype(str)
    notes = [
        f"session: {', '.join(sorted(names.unique())[:5])}: runs over {LONGEST_GAP_H:g} h apart "
        "count as sessions of their own."
    ]
    session = rows["session"].astype("string")
    session[split] = names + ", day " + stay[split].astype(str)
    return rows.assign(session=session), notes


def _goes_with_parts(rows: pd.DataFrame, values: pd.Series, share: float = GOES_WITH) -> bool:
    """Whether levels of a part or a firmware had values of their own, by the share between them."""
    return any(between > share for _, between in shares_between(rows, values.to_frame()))


def shares_between(rows: pd.DataFrame, values: pd.DataFrame) -> Iterator[tuple[str, float]]:
    """Yield each part with the share of the values' sum of squares that lies between its levels."""
    apart = values - values.mean()
    square = float((apart**2).to_numpy().sum())
    if square < 1e-9:
        return
    for part in _PARTS:
        between = apart.groupby(level_keys(rows, (part,))).transform("mean")
        yield part, float((between**2).to_numpy().sum()) / square


def covariate_values(rows: pd.DataFrame, term: Term) -> tuple[Array, float]:
    """Return a covariate's values less their centre, shape (n,), and the centre."""
    import pandas as pd

    column = str(term.values)
    if column not in rows:
        fix = "add it, or leave the term out"
        fault = Fault("the rows have no such column", fix, column=column)
        raise InputError(f"The covariate '{term.name}' cannot be used:", [fault])
    numbers = pd.to_numeric(rows[column], errors="coerce").astype(float)
    missing = rows.loc[~np.isfinite(numbers.to_numpy()), ["run", column]]
    if len(missing):
        faults = [
            Fault(f"not a number (run {run})", "state it", column=column, value=str(value))
            for run, value in missing.itertuples(index=False)
        ]
        raise InputError(f"The covariate '{term.name}' needs a number in every run:", faults)
    values = np.asarray(numbers, dtype=np.float64)
    centre = float(values.mean()) if term.is_centred else 0.0
    return values - centre, centre


def _filled(rows: pd.DataFrame, column: str) -> pd.Series:
    """Return a column as text, its blanks filled with a placeholder."""
    import pandas as pd

    if column not in rows:
        return pd.Series("unstated", index=rows.index)
    values = rows[column].astype("string")
    if not values.isna().any():
        return values.astype(str)
    if column in ("cooler_id", "board_id"):
        placeholder = "unnamed at " + _filled(rows, "lab")
        if column == "board_id":
            # Memory of another vendor is on another board.
            placeholder = placeholder + " " + _filled(rows, "memory_vendor")
    elif column in _UNNAMED:
        placeholder = "unnamed: " + _filled(rows, "cooler_model")
        for name, joint in _UNNAMED[column].items():
            if name in rows:
                placeholder = placeholder + (joint + rows[name].astype("string")).fillna("")
    else:
        placeholder = pd.Series("unstated", index=rows.index)
    return values.fillna(placeholder.astype("string")).astype(str)
