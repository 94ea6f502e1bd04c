"""Where a frame's rows came from, so that faults are reported in the user's terms."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from thermcmp.errors import Fault
from thermcmp.tabular.column import Finding
from thermcmp.tabular.grid import shown_row


@dataclass(frozen=True, slots=True)
class Origin:
    """The user's names for what a frame holds, with row number and sensor of each position.

    A heading under ``temperature_c[memory]`` holds for the rows of that sensor only.
    """

    file: str | None = None
    rows: Sequence[int] | None = None
    headings: Mapping[str, str] = field(default_factory=dict)
    sensors: Sequence[str] | None = None

    def fault(self, finding: Finding) -> Fault:
        """Return a finding with the user's row number and heading."""
        column, position = finding.column, finding.position
        row = position if position is None or self.rows is None else self.rows[position]
        heading = None if column is None else self.headings.get(column, column)
        if self.sensors is not None and position is not None:
            heading = self.headings.get(f"{column}[{self.sensors[position]}]", heading)
        value = None if finding.value is None else str(finding.value)
        message = finding.message
        if finding.earlier is not None and self.rows is not None:
            message += f" (row {shown_row(self.rows[finding.earlier])})"
        return Fault(message, finding.fix, self.file, row, heading, value)
