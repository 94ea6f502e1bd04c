"""The answer of a question: one frozen object with table, draws, sentences and caveats."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING, Any, Final

from thermcmp.questions.table_words import printed_table

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr
    from matplotlib.axes import Axes

    from thermcmp.inference.posterior import Fit

#: The health of several fits is that of the worst.
_WORST_FIRST: Final = ("bad", "caution", "ok")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Answer:
    """A question's answer: numbers, draws, sentences, caveats and a figure.

    Each question returns a class derived from this one, with its further values as fields.

    Attributes
    ----------
    kind : str
        The question's name: separation, attribution, ranking, margin …
    title : str
        Heading for tables and pages.
    table : pandas.DataFrame
        Tidy table, a row per estimate; units are in the column names. Rows that
        cannot be estimated hold NaN and say why in their `health` column.
    draws : xarray.Dataset
        Posterior draws behind the table, with dimension ``draw``.
    sentences : tuple of str
        The findings in plain words.
    caveats : tuple of str
        What limits the answer; shown wherever the answer is shown.
    prob : float
        Probability that the table's intervals hold.
    interval_kind : str
        Kind of the intervals: "equal-tailed".
    further_tables : mapping of str to pandas.DataFrame
        Tables shown below the first one, by caption.
    shown_rows : tuple of int, optional
        Places of the table's rows that are printed, drawn and set on a page; all by default.
    fits : tuple of Fit
        The fits that it rests on; a report states how far each can be trusted.
    """

    kind: str
    title: str
    table: pd.DataFrame
    draws: xr.Dataset
    sentences: tuple[str, ...]
    caveats: tuple[str, ...]
    prob: float
    draw_figure: Callable[[Any, Axes], None] = field(repr=False)
    interval_kind: str = "equal-tailed"
    further_tables: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    shown_rows: tuple[int, ...] | None = None
    fits: tuple[Fit, ...] = field(default=(), repr=False)

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the answer's figure.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw; a new figure (without pyplot) by default.

        Returns
        -------
        matplotlib.axes.Axes
            The axes drawn on; its ``.figure`` can be saved.
        """
        from thermcmp.questions.letters import set_letters

        if ax is not None:
            self.draw_figure(self, ax)
            set_letters(ax)
            return ax
        from matplotlib.figure import Figure

        from thermcmp.questions.plot_style import natural_height

        height = max(2.6, 0.38 * len(self.shown_table) + 1.4)
        figure = Figure(figsize=(7.6, height), layout="constrained")
        ax = figure.subplots()
        self.draw_figure(self, ax)
        set_letters(ax)
        if len(figure.axes) > 1:
            figure.set_figheight(natural_height(ax))
        return ax

    @property
    def health(self) -> str:
        """Worst health of the fits behind the answer; "" without a fit."""
        known = {str(fit.health) for fit in self.fits}
        return next((word for word in _WORST_FIRST if word in known), "")

    @property
    def interval_words(self) -> str:
        """Kind and probability of the intervals, in words."""
        return f"{self.prob:.0%} {self.interval_kind} intervals"

    @property
    def shown_table(self) -> pd.DataFrame:
        """The rows of the table that are printed, drawn and set on a page."""
        return self.table if self.shown_rows is None else self.table.iloc[list(self.shown_rows)]

    @property
    def more_rows(self) -> str:
        """How many rows the table has beyond those shown, in words; "" for none."""
        count = len(self.table) - len(self.shown_table)
        return f"{count} more row{'s' if count > 1 else ''} in the answer's table." if count else ""

    @property
    def tables_text(self) -> str:
        """Title and tables as plain text, without the sentences."""
        parts = [f"{self.title} ({self.interval_words})", _text(self.shown_table)]
        parts += [self.more_rows] if self.more_rows else []
        for caption, table in self.further_tables.items():
            parts += [f"{caption}:", _text(table)]
        return "\n".join(parts)

    @property
    def tables_html(self) -> str:
        """Title and tables as HTML, without the sentences."""
        tables = _html(self.shown_table)
        tables += f"<p>{escape(self.more_rows)}</p>" if self.more_rows else ""
        for caption, table in self.further_tables.items():
            tables += f"<p>{escape(caption)}</p>{_html(table)}"
        return f"<h4>{escape(self.title)}</h4><p>{escape(self.interval_words)}</p>{tables}"

    def __str__(self) -> str:
        caveats = (f"Caveat: {caveat}" for caveat in self.caveats)
        return "\n".join([self.tables_text, *self.sentences, *caveats])

    def _repr_html_(self) -> str:
        words = "".join(f"<p>{escape(s)}</p>" for s in self.sentences)
        limits = "".join(f"<li>{escape(c)}</li>" for c in self.caveats)
        return self.tables_html + words + (f"<ul>{limits}</ul>" if limits else "")


def _text(table: pd.DataFrame) -> str:
    return printed_table(table).to_string(index=False)


def _html(table: pd.DataFrame) -> str:
    return str(printed_table(table).to_html(index=False))
