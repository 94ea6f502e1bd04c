"""The error tree of the library, and the record of a fault in the input.

Every error that the library raises on purpose derives from `ThermcmpError`, so one
``except`` clause catches them all. Errors about the caller's values are also
`ValueError`, so code that expects the standard class keeps working.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher, get_close_matches
from typing import Final

#: Names are near from this ratio of equal letters on, or where they begin alike or
#: share a word: "lower" is not near "power_w".
_NEAR: Final = 0.75
_WORD: Final = re.compile(r"[^\W_]{3,}")


class ThermcmpError(Exception):
    """Base of every error that the library raises on purpose."""


class ThermcmpWarning(UserWarning):
    """Base of every warning: something the user can act on."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with the input, and how to fix it.

    Attributes
    ----------
    message : str
        What is wrong, in plain words.
    fix : str
        Change after which the input is accepted.
    file : str, optional
        Name of the file, or None for a frame made in memory.
    row : int, optional
        Row number as displayed to the user: the line of a text file or the row of a
        spreadsheet (headings are row 1), else the position in the frame.
    column : str, optional
        The user's heading where there is one, else the name of the column.
    value : str, optional
        The value as it was written.
    """

    message: str
    fix: str
    file: str | None = None
    row: int | None = None
    column: str | None = None
    value: str | None = None

    def __str__(self) -> str:
        place = [
            part
            for part in (
                self.file,
                None if self.row is None else f"row {self.row}",
                None if self.column is None else f"column '{self.column}'",
                None if self.value is None else f"value '{self.value}'",
            )
            if part
        ]
        where = ", ".join(place)
        return f"{where + ': ' if where else ''}{self.message}. Fix: {self.fix}"


class InputError(ThermcmpError, ValueError):
    """Input that is not valid, or an argument out of range.

    Parameters
    ----------
    message : str
        One sentence that states what is not possible.
    faults : iterable of Fault, optional
        Every fault, not only the first.
    """

    #: At most this many faults are printed; all are kept in `faults`.
    SHOWN = 25

    def __init__(self, message: str, faults: Iterable[Fault] = ()) -> None:
        self.faults: tuple[Fault, ...] = tuple(faults)
        lines = [message, *(f"  - {fault}" for fault in self.faults[: self.SHOWN])]
        hidden = len(self.faults) - self.SHOWN
        if hidden > 0:
            lines.append(f"  … and {hidden} more (see the error's .faults)")
        super().__init__("\n".join(lines))


class LibraryError(ThermcmpError):
    """A results library that cannot be read or written."""


class ModelError(ThermcmpError, ValueError):
    """A model that the rows cannot support."""


class EngineError(ThermcmpError):
    """An inference engine that failed or whose result fails its health check."""


class NotEstimableError(ThermcmpError, ValueError):
    """A question that the data cannot answer, with the missing run named."""


class PluginError(ThermcmpError):
    """A plug-in that failed to load, is not valid or raised; it is named."""


def closest(name: str, known: Sequence[str]) -> str | None:
    """Return the known name that may be meant, if one is near."""
    wanted = name.lower()
    near = get_close_matches(wanted, known, n=len(known) or 1, cutoff=0.6)
    alike = (
        n for n in near
        if SequenceMatcher(None, n.lower(), wanted).ratio() >= _NEAR
        or n[:1].lower() == wanted[:1]
        or set(_WORD.findall(n.lower())) & set(_WORD.findall(wanted))
    )  # fmt: skip
    return next(alike, None)


def suggest(name: str, known: Sequence[str]) -> str:
    """Return the fix for an unknown name: the nearest known name, or all of them."""
    close = closest(name, known)
    return f"did you mean '{close}'?" if close else f"use one of {', '.join(known) or '(none)'}"
