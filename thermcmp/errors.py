"""The error tree of the library, and the record of a fault in the input.

Every error that the library raises on purpose derives from `ThermcmpError`, so one
``except`` clause catches them all. Errors about the caller's values are also
`ValueError`, so code that expects the standard class keeps working.
"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher, get_close_matches
from typing import Final

#: Names are near from this ratio of equal letters on, or where they begin alike or
#: share a word: "lower" is not near "power_w".
_NEAR: Final = 0.75
_WORD: Final = re.compile(r"[^\W_]{3,}")
#: What differs between messages of one kind: quoted values and numbers.
_VALUE: Final = re.compile(r"(?<!\w)'[^']*'(?!\w)|[-−]?\b\d[\d.,]*")
#: Categories of signs that change how a terminal shows others, or are not seen.
_UNSEEN: Final = frozenset({"Cc", "Cf", "Zl", "Zp"})
#: So many faults of a kind are listed one by one; of more, so many values and places are shown.
_FEW: Final = 3
_SHOWN: Final = 5
#: At most this many kinds are printed; all faults are kept in `InputError.faults`.
_MOST_KINDS: Final = 25


def shown_name(name: str) -> str:
    """Return a file's name as text that every table can hold: bytes that are not UTF-8 by number.

    Such a name, as of an old disk, reaches Python with a lone surrogate for each byte.
    """
    return name.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def visible(text: str, keep: str = "") -> str:
    """Return text that a terminal shows as it is: signs that move, hide or turn it by number.

    Such are control signs, marks of writing direction and of no width, and bytes of a file's name
    that are not UTF-8, for each of which Python has a lone surrogate.
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(
        sign.encode("unicode_escape").decode()
        if sign not in keep and unicodedata.category(sign) in _UNSEEN
        else sign
        for sign in shown_name(text)
    )


class ThermcmpError(Exception):
    """Base of every error that the library raises on purpose."""

    def __str__(self) -> str:
        return visible(super().__str__(), keep="\n")


class ThermcmpWarning(UserWarning):
    """Base of every warning: something the user can act on."""

    def __str__(self) -> str:
        return visible(super().__str__(), keep="\n")


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
    letter : str, optional
        Letter of the column in the user's own file, as a spreadsheet shows it.
    """

    message: str
    fix: str
    file: str | None = None
    row: int | None = None
    column: str | None = None
    value: str | None = None
    letter: str | None = None

    @property
    def kind(self) -> str:
        """The message without the values in it, which faults of one kind share."""
        return _VALUE.sub("…", self.message)

    @property
    def cell(self) -> str:
        """The cell as a spreadsheet names it, such as 'G7', or the row."""
        if self.row is None:
            return f"column {self.letter}"
        return f"{self.letter}{self.row}" if self.letter else f"row {self.row}"

    @property
    def _bare_column(self) -> str | None:
        """The column of a run, in a sheet with a column for each."""
        return f"column {self.letter}" if self.letter and self.row is None else None

    def __str__(self) -> str:
        letter = f" ({self.letter})" if self.letter else ""
        place = [
            part
            for part in (
                visible(self.file or ""),
                None if self.row is None else f"row {self.row}",
                f"column '{visible(self.column)}'{letter}" if self.column else self._bare_column,
                None if self.value is None else f"value '{visible(self.value)}'",
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

    def __init__(self, message: str, faults: Iterable[Fault] = ()) -> None:
        self.faults: tuple[Fault, ...] = tuple(faults)
        super().__init__("\n".join([message, *fault_lines(self.faults)]))


def fault_lines(faults: Sequence[Fault]) -> list[str]:
    """Return a line for each fault, and one for all of a kind where they are many."""
    groups: dict[tuple[str, str], list[Fault]] = {}
    for fault in faults:
        groups.setdefault((fault.kind, fault.fix), []).append(fault)
    shown = list(groups.values())[:_MOST_KINDS]
    lines = [f"  - {line}" for group in shown for line in _group_lines(group)]
    hidden = len(faults) - sum(map(len, shown))
    if hidden:
        lines.append(f"  … and {hidden} more (see the error's .faults)")
    if len(groups) < len(faults) and len(faults) > _FEW:
        lines.append(f"  {len(faults)} faults of {len(groups)} kind{'s' * (len(groups) > 1)}")
    return lines


def _group_lines(group: Sequence[Fault]) -> Iterable[str]:
    """Yield a line for each of a few faults of a kind, else one with counts and first places."""
    if len(group) <= _FEW:
        yield from map(str, group)
        return
    first = group[0]
    letters: dict[str, set[str]] = {}
    for fault in group:
        if fault.column is not None:
            letters.setdefault(f"'{visible(fault.column)}'", set()).add(fault.letter or "")
    # Blocks of columns, and a column for each run, have a heading more than once.
    heads = [
        f"{name} ({of.pop()})" if len(of) == 1 and all(of) else name for name, of in letters.items()
    ]
    values = Counter(f"'{visible(fault.value)}'" for fault in group if fault.value is not None)
    cells = [fault.cell for fault in group if fault.row is not None or fault.letter]
    parts = (
        visible(first.file or ""),
        f"column{'s' * (len(heads) > 1)} {_first_of(heads)}" if heads else "",
        f"value{'s' * (len(values) > 1)} "
        + _first_of([f"{value} ({count})" for value, count in values.most_common()])
        if values
        else "",
        f"first in {_first_of(cells)}" if cells else "",
    )
    like = "" if len({fault.message for fault in group}) == 1 else " such as this"
    yield (
        f"{len(group)} faults{like}: {first.message} "
        f"({', '.join(filter(None, parts))}). Fix: {first.fix}"
    )


def _first_of(words: Sequence[str]) -> str:
    more = f" and {len(words) - _SHOWN} more" if len(words) > _SHOWN else ""
    return ", ".join(words[:_SHOWN]) + more


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
    folded = {each.lower(): each for each in known}
    near = get_close_matches(wanted, folded, n=len(folded) or 1, cutoff=0.6)
    alike = (
        folded[n] for n in near
        if SequenceMatcher(None, n, wanted).ratio() >= _NEAR
        or n[:1] == wanted[:1]
        or set(_WORD.findall(n)) & set(_WORD.findall(wanted))
    )  # fmt: skip
    return next(alike, None)


def suggest(name: str, known: Sequence[str]) -> str:
    """Return the fix for an unknown name: the nearest known name, or all of them."""
    close = closest(name, known)
    return f"did you mean '{close}'?" if close else f"use one of {', '.join(known) or '(none)'}"
