"""Where a frame's rows came from, so that a fault can be told in the user's own terms."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from thermcmp.errors import Fault
from thermcmp.tabular.column import Finding


@dataclass(frozen=True, slots=True)
class Origin:
    """The user's own names for what a frame holds.

    Attributes
    ----------
    file : str, optional
        Name of the file the frame was read from.
    rows : sequence of int, optional
        Row number as the user sees it, for each position of the frame.
    headings : mapping of str to str
        The user's heading for a schema name. The key ``temperature_c[memory]``
        holds for the rows of that sensor only.
    sensors : sequence of str, optional
        Sensor of each position, needed for headings that name a sensor.
    """

    file: str | None = None
    rows: Sequence[int] | None = None
    headings: Mapping[str, str] = field(default_factory=dict)
    sensors: Sequence[str] | None = None

    def fault(self, finding: Finding) -> Fault:
        """Turn a finding into a fault with the user's row number and heading."""
        position = finding.position
        row = position if position is None or self.rows is None else self.rows[position]
        value = None if finding.value is None else str(finding.value)
        return Fault(finding.message, finding.fix, self.file, row, self._heading(finding), value)

    def _heading(self, finding: Finding) -> str | None:
        """Return the user's heading of the finding's column."""
        column, position = finding.column, finding.position
        if column is None:
            return None
        if self.sensors is not None and position is not None:
            own = self.headings.get(f"{column}[{self.sensors[position]}]")
            if own is not None:
                return own
        return self.headings.get(column, column)
