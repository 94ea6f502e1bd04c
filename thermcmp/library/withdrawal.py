"""Taking a run out of every comparison, with the reason on record."""

from __future__ import annotations

from collections.abc import Iterable

from thermcmp.errors import Fault, InputError, closest
from thermcmp.library.store import Library, Receipt


def withdraw(
    library: Library, runs: str | Iterable[str], reason: str, *, lab: str | None = None
) -> Receipt:
    """Withdraw runs: their rows stay on record, and no fit takes them.

    Each row is superseded by itself with the verdict "refused" and the reason, as for a
    run that failed the test protocol. A correction of the row takes it back.

    Parameters
    ----------
    library : Library
        The library that holds the runs.
    runs : str or iterable of str
        The runs, all sensors of each.
    reason : str
        Why; kept in the history and in the rows.
    lab : str, optional
        The laboratory, where several have runs of this name.

    Returns
    -------
    Receipt
        Rows withdrawn, and rows that had been withdrawn for this reason already.

    Raises
    ------
    InputError
        If a run is not in the library, if several labs have it, or if the reason is blank.
    LibraryError
        If files of the library are damaged.
    """
    wanted = list(dict.fromkeys([runs] if isinstance(runs, str) else map(str, runs)))
    rows = library.results()
    held = rows if lab is None else rows[rows["lab"].eq(lab).fillna(False)]
    labs = held.fillna({"lab": ""}).groupby("run", observed=True)["lab"].unique()
    faults = [
        Fault("no such run in the library", _nearest(run, list(labs.index)), None, None, "run", run)
        for run in wanted
        if run not in labs
    ]
    faults += [
        Fault("several labs have this run", f"give lab= as one of {', '.join(labs[run])}",
              column="run", value=run)
        for run in wanted
        if run in labs and len(labs[run]) > 1
    ]  # fmt: skip
    if faults:
        raise InputError("The runs cannot be withdrawn:", faults)
    taken = held[held["run"].isin(wanted)]
    return library.supersede(
        taken.assign(protocol_verdict="refused", protocol_reason=f"withdrawn: {reason}"), reason
    )


def _nearest(run: str, held: list[str]) -> str:
    """Return the fix for an unknown run, of which a library holds too many to list them."""
    close = closest(run, held)
    return f"did you mean '{close}'?" if close else "name a run as the history of the library does"
