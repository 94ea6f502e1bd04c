"""Notes and faults of one log, in plain words with line numbers."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from thermcmp.errors import Fault, InputError

#: Reading stops once a log has more faults than this.
MOST_FAULTS: Final = 200


@dataclass(slots=True)
class Notebook:
    """Collects notes and faults while a log is read."""

    file: str  #: file name to show
    faults: list[Fault] = field(default_factory=list)  #: what makes the log unusable
    _notes: dict[str, tuple[int | None, int]] = field(default_factory=dict)

    def note(self, text: str, line: int | None = None, count: int = 1) -> None:
        """Keep a note; a repeated text is counted."""
        first, known = self._notes.get(str(text), (line, 0))
        self._notes[str(text)] = (first, known + count)

    def take_notes(self, other: Notebook) -> None:
        """Add the notes of another book."""
        for text, (line, count) in other._notes.items():
            self.note(text, line, count)

    def fault(
        self,
        message: str,
        fix: str,
        line: int | None = None,
        column: str | None = None,
        value: str | None = None,
    ) -> None:
        """Keep a fault; too many of them stop the reading.

        Raises
        ------
        InputError
            If there are more than `MOST_FAULTS`.
        """
        shown = None if value is None else str(value)[:80]
        self.faults.append(Fault(str(message), str(fix), self.file, line, column, shown))
        if len(self.faults) > MOST_FAULTS:
            self.raise_faults()

    def raise_faults(self) -> None:
        """Raise an `InputError` that lists all faults, if there are any."""
        if self.faults:
            raise InputError("This log cannot be used:", self.faults)

    @property
    def notes(self) -> tuple[str, ...]:
        """The notes in order, with the first line and the count of each."""
        shown = []
        for text, (line, count) in self._notes.items():
            more = f" and {count - 1} more" if count > 1 else ""
            shown.append(text if line is None else f"{text} (line {line}{more})")
        return tuple(shown)


def unclear_times(
    message: str,
    fix: str,
    file: str | None = None,
    column: str | None = "time",
    value: str | None = None,
) -> InputError:
    """Return the error for a log whose times cannot be interpreted."""
    fault = Fault(message, fix, file, None, column, value)
    return InputError("The times of this log cannot be interpreted:", [fault])
