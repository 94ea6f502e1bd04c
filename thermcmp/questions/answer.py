"""The answer of a question: one frozen object with table, draws, sentences and caveats."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

from thermcmp._files import write_whole
from thermcmp.errors import Fault, InputError
from thermcmp.questions.table_words import (
    printed_table,
    reader_frame,
    table_html,
    table_latex,
    table_markdown,
)

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr
    from matplotlib.axes import Axes

    from thermcmp.inference.posterior import Fit
    from thermcmp.questions.plot_style import FigureSize

#: The health of several fits is that of the worst.
_WORST_FIRST: Final = ("bad", "caution", "ok")
#: End of a sentence that says no more than its row of the table.
ROW_IN_WORDS: Final = "of it comes from the data."


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
        cannot be estimated hold NaN and say why in their `health` column, which is
        never better than the health of the fits.
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
    source : str
        Plug-in and version that answered, or that has the fan control of a firmware; empty
        where neither is a plug-in's.
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
    source: str = ""

    def __init_subclass__(cls) -> None:
        # Else each answer's dataclass would print its whole table and draws.
        cls.__repr__ = Answer.__repr__  # type: ignore[method-assign]

    def __post_init__(self) -> None:
        # No row is better than the fit behind it.
        if self.health not in ("", "ok") and "health" in self.table:
            words = self.table["health"].str.replace(r"^ok\b", self.health, regex=True)
            object.__setattr__(self, "table", self.table.assign(health=words))

    def __repr__(self) -> str:
        health = f", health {self.health}" if self.health else ""
        return f"{type(self).__name__}({self.title!r}, {len(self.table)} rows{health})"

    def plot(
        self,
        ax: Axes | None = None,
        *,
        size: Literal["article", "slide", "phone"] | None = None,
        theme: Literal["light", "dark", "print"] = "light",
    ) -> Axes:
        """Draw the answer's figure; its text follows matplotlib's `font.size`.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw; a new figure (without pyplot) by default.
        size : {"article", "slide", "phone"}, optional
            Size of the new figure: 1200 x 675 pixels, 1920 x 1080, or 360 wide. A figure
            with many rows is higher, so that no name is cut.
        theme : {"light", "dark", "print"}
            Colours of the new figure: for a white page, a dark one, or grey print.

        Returns
        -------
        matplotlib.axes.Axes
            The axes drawn on; its ``.figure`` can be saved.

        Raises
        ------
        InputError
            If the size or the theme is not known, or a theme is asked of axes that exist.
        """
        from thermcmp.questions.letters import set_letters
        from thermcmp.questions.pictures import drawn
        from thermcmp.questions.plot_style import WIDTH, FigureSize

        _theme(theme)
        if ax is not None:
            if theme != "light":
                fix = "leave ax= or theme= out"
                fault = Fault("axes that exist keep their colours", fix, column="theme")
                raise InputError("The figure cannot be drawn:", [fault])
            self.draw_figure(self, ax)
            set_letters(ax)
            return ax
        if size is None:
            return drawn(self, FigureSize(WIDTH, 0.0, 100.0, 10.0), theme)
        from matplotlib import rc_context, rcParams

        chosen = _figure_size(size)
        # A caller who enlarges text enlarges it here too.
        with rc_context({"font.size": chosen.font * float(rcParams["font.size"]) / 10.0}):
            return drawn(self, chosen, theme)

    def save_plot(
        self,
        path: str | os.PathLike[str],
        size: Literal["article", "slide", "phone"] = "article",
        theme: Literal["light", "dark", "print"] = "light",
    ) -> Path:
        """Write the figure to a file, with its heading and description inside.

        The look is the same whatever matplotlib's settings are.

        Parameters
        ----------
        path : path-like
            File ending in .svg or .png; or in .html for a figure whose values show under the
            pointer, one file without network, of any size and in light colours. That needs
            ``pip install 'thermcmp[interactive]'``.
        size : {"article", "slide", "phone"}
            As in `plot`.
        theme : {"light", "dark", "print"}
            As in `plot`.

        Returns
        -------
        pathlib.Path
            The file written; `alt_text` has the words for a page that shows it.

        Raises
        ------
        InputError
            If the ending, the size or the theme is not known, or an HTML figure cannot be made.
        """
        from thermcmp.questions.interactive import interactive_figure
        from thermcmp.questions.pictures import picture

        target = Path(path)
        form = target.suffix.lower().removeprefix(".")
        if form not in ("svg", "png", "html"):
            fix = "end it in .svg, .png or .html"
            fault = Fault("no such kind of picture", fix, file=str(target))
            raise InputError("The figure cannot be written:", [fault])
        chosen, colours = _figure_size(size), _theme(theme)
        if form == "html":
            content = interactive_figure(self)
        else:
            content = picture(self, chosen, form, colours)
        target.parent.mkdir(parents=True, exist_ok=True)
        write_whole(target, content)
        return target

    @property
    def alt_text(self) -> str:
        """Description of the figure for readers who do not see it."""
        finding = f" {self.sentences[0]}" if self.sentences else ""
        return f"Figure: {self.title}, means and {self.interval_words}.{finding}"

    def to_frame(self) -> pd.DataFrame:
        """Return the table with a reader's headings and digits; numbers stay numbers.

        Returns
        -------
        pandas.DataFrame
            All rows. Shares and chances are in per cent.
        """
        return reader_frame(self.table)

    def to_csv(self, path: str | os.PathLike[str] | None = None) -> str:
        """Return `to_frame` as CSV, and write it where a path is given.

        Parameters
        ----------
        path : path-like, optional
            File to write, in UTF-8.

        Returns
        -------
        str
            The same text.
        """
        text = self.to_frame().to_csv(index=False, lineterminator="\n")
        return _written(text, path)

    def to_markdown(self, path: str | os.PathLike[str] | None = None) -> str:
        """Return the rows shown as a Markdown table, each mean with its interval.

        Parameters
        ----------
        path : path-like, optional
            File to write.

        Returns
        -------
        str
            Title and table.
        """
        table = table_markdown(self.shown_table)
        return _written(f"**{self.title}** ({self.interval_words})\n\n{table}\n", path)

    def to_latex(self, path: str | os.PathLike[str] | None = None) -> str:
        """Return the rows shown as a LaTeX table (booktabs), each mean with its interval.

        Parameters
        ----------
        path : path-like, optional
            File to write.

        Returns
        -------
        str
            The table, with title and kind of intervals as its caption.
        """
        caption = f"{self.title} ({self.interval_words})"
        return _written(table_latex(self.shown_table, caption), path)

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
    def beyond_table(self) -> tuple[str, ...]:
        """Sentences that do more than put a row of the table into words."""
        return tuple(s for s in self.sentences if not s.endswith(ROW_IN_WORDS))

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
        """Title and tables as HTML with a reader's headings, without the sentences."""
        tables = table_html(self.shown_table)
        tables += f"<p>{escape(self.more_rows)}</p>" if self.more_rows else ""
        for caption, table in self.further_tables.items():
            tables += f"<p>{escape(caption)}</p>{table_html(table)}"
        return f"<h4>{escape(self.title)}</h4><p>{escape(self.interval_words)}</p>{tables}"

    def __str__(self) -> str:
        caveats = (f"Caveat: {caveat}" for caveat in self.caveats)
        return "\n".join([self.tables_text, *self.sentences, *caveats])

    def _repr_html_(self) -> str:
        from thermcmp.questions.pictures import picture_uri

        words = "".join(f"<p>{escape(s)}</p>" for s in self.sentences)
        limits = "".join(f"<li>{escape(c)}</li>" for c in self.caveats)
        figure = f'<img src="{picture_uri(self)}" alt="{escape(self.alt_text)}" width="730">'
        return words + figure + self.tables_html + (f"<ul>{limits}</ul>" if limits else "")


def _figure_size(name: str) -> FigureSize:
    """Return the size of that name."""
    from thermcmp.questions.plot_style import SIZES

    if name not in SIZES:
        fix = f"use one of: {', '.join(SIZES)}"
        fault = Fault("no such size", fix, column="size", value=str(name))
        raise InputError("The figure cannot be drawn:", [fault])
    return SIZES[name]


def _theme(name: str) -> str:
    """Return the name of a theme that is known."""
    from thermcmp.questions.themes import THEMES

    if name not in THEMES:
        fault = Fault(
            "no such theme", f"use one of: {', '.join(THEMES)}", column="theme", value=name
        )
        raise InputError("The figure cannot be drawn:", [fault])
    return name


def _written(text: str, path: str | os.PathLike[str] | None) -> str:
    """Return the text, written to a file first where one is named."""
    if path is not None:
        Path(path).parent.mkdir(parents=True, exist_ok=True)
        write_whole(Path(path), text.encode("utf-8"))
    return text


def _text(table: pd.DataFrame) -> str:
    return printed_table(table).to_string(index=False)
