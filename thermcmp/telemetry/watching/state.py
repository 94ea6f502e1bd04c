"""What a look at a growing log shows."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from html import escape
from math import ceil

import pandas as pd

from thermcmp.telemetry.steady_state.reduction import Reduction

#: Columns of the table of a state.
STEADY_COLUMNS = ("sensor", "steady_c", "standard_error_k", "minutes_left", "good_enough")


@dataclass(frozen=True, slots=True, eq=False)
class WatchState:
    """What a log shows at one moment.

    Attributes
    ----------
    at_s : float
        Time of the last reading [s since the log's first reading]; NaN before the first.
    load_s : float
        Time at load since the soak began [s].
    power_w : float
        Mean power of the last half minute [W]; NaN where not logged.
    wanted_k : float
        Wanted standard error of each sensor [K].
    steady_c : pandas.DataFrame
        A row per sensor: steady temperature to be expected [°C] at the present ambient, its
        standard error [K], minutes at load still needed [min] and whether it is good enough.
        NaN is not yet known, or not to be had by waiting.
    minutes_left : float
        Minutes until the slowest sensor is good enough, NaN where no end is in sight.
    good_enough : bool
        Whether all wanted sensors are, and have been for some looks.
    refusals : tuple of str
        What would refuse the run, and waiting alone does not mend.
    ended : str
        Why this is the last state; empty while the log is followed.
    notes : tuple of str
        What else is to be known of the log.
    reduction : Reduction or None
        The reduction of the log up to now, as of `reduce_telemetry`; None before the load.
    """

    at_s: float
    load_s: float
    power_w: float
    wanted_k: float
    steady_c: pd.DataFrame
    minutes_left: float
    good_enough: bool
    refusals: tuple[str, ...]
    ended: str = ""
    notes: tuple[str, ...] = ()
    reduction: Reduction | None = field(default=None, repr=False)

    @classmethod
    def empty(
        cls, wanted_k: float, refusals: tuple[str, ...], at_s: float = float("nan")
    ) -> WatchState:
        """Return the state of a log that shows no load.

        Parameters
        ----------
        wanted_k : float
            Wanted standard error [K].
        refusals : tuple of str
            What is missing.
        at_s : float
            Time of the last reading [s].

        Returns
        -------
        WatchState
            Without a sensor.
        """
        nan = float("nan")
        table = pd.DataFrame(columns=list(STEADY_COLUMNS))
        return cls(at_s, 0.0, nan, wanted_k, table, nan, False, refusals)

    def ending(self, why: str, *notes: str) -> WatchState:
        """Return the same state as the last one.

        Parameters
        ----------
        why : str
            Why the watch ends.
        *notes : str
            Further notes.

        Returns
        -------
        WatchState
            With `ended` and the notes.
        """
        return replace(self, ended=why, notes=(*self.notes, *notes))

    @property
    def sentence(self) -> str:
        """The state in one sentence, for a line on the screen."""
        at = "no reading yet" if pd.isna(self.at_s) else f"second {self.at_s:.0f}"
        if self.load_s > 0.0:
            power = "" if pd.isna(self.power_w) else f" ({self.power_w:.0f} W)"
            at += f", {self.load_s / 60.0:.1f} min at load{power}"
        parts = [
            f"{row['sensor']} {row['steady_c']:.1f} ± {row['standard_error_k']:.2f} °C"
            for row in self.steady_c.to_dict("records")
            if not pd.isna(row["steady_c"])
        ]
        parts += [f"would be refused: {words}" for words in self.refusals]
        if self.good_enough:
            parts.append(f"good enough: the load may end (± {self.wanted_k:g} K wanted)")
        elif not pd.isna(self.minutes_left):
            parts.append(
                f"about {max(ceil(self.minutes_left), 1)} min more for ± {self.wanted_k:g} K"
            )
        elif self.load_s > 0.0 and not self.refusals:
            parts.append("no end in sight")
        parts += [f"ended: {self.ended}"] if self.ended and not self.good_enough else []
        return f"{at}: {'; '.join(parts)}"

    def __str__(self) -> str:
        return "\n".join([self.sentence, *(f"Note: {note}" for note in self.notes)])

    def _repr_html_(self) -> str:
        notes = "".join(f"<li>{escape(note)}</li>" for note in self.notes)
        table = self.steady_c.to_html(index=False, na_rep="–")
        return f"<p>{escape(self.sentence)}</p><ul>{notes}</ul>{table}"
