"""An answer's means and intervals as an HTML figure whose values show under the pointer."""

from __future__ import annotations

from html import escape
from typing import Any, Protocol

import pandas as pd

from thermcmp.errors import Fault, InputError
from thermcmp.questions.plot_style import INK, MAIN, QUIET
from thermcmp.questions.table_words import interval_columns, reader_heading, worded_table

#: Height of a row, and of title and axis [pixels].
_ROW: int = 30
_REST: int = 150


class Tabled(Protocol):
    """What is needed of an answer."""

    @property
    def title(self) -> str:
        """Its heading."""

    @property
    def interval_words(self) -> str:
        """Kind of its intervals."""

    @property
    def shown_table(self) -> pd.DataFrame:
        """Its rows."""


def interactive_figure(answer: Tabled) -> bytes:
    """Return one HTML file that needs no network; refuse a table without intervals."""
    try:
        import plotly.graph_objects as go
    except ImportError as error:
        fix = "install it with pip install 'thermcmp[interactive]', or end the path in .svg or .png"
        fault = Fault("an HTML figure needs plotly, which is not installed", fix)
        raise InputError("The figure cannot be written:", [fault]) from error
    table = answer.shown_table.reset_index(drop=True)
    mean = next((name for name in interval_columns(table) if name.startswith("mean")), None)
    if mean is None:
        fault = Fault("the answer has no means with intervals", "end the path in .svg or .png")
        raise InputError("The figure cannot be written:", [fault])
    low, high = interval_columns(table)[mean]
    figure = go.Figure()
    # A withheld row has a range and no mean.
    known = table[mean].notna()
    middle = table[mean].where(known, (table[low] + table[high]) / 2.0)
    hover = _hover(table)
    for rows, name, color, symbol in ((known, "mean and range", MAIN, "circle"),
                                      (~known, "range only", QUIET, "line-ns")):  # fmt: skip
        if rows.any():
            figure.add_scatter(
                x=middle[rows], y=table.index[rows], name=name, mode="markers",
                marker={"color": color, "size": 9, "symbol": symbol},
                error_x={"type": "data", "symmetric": False, "color": color,
                         "array": (table[high] - middle)[rows],
                         "arrayminus": (middle - table[low])[rows]},
                text=[hover[place] for place in table.index[rows]],
                hovertemplate="%{text}<extra></extra>",
            )  # fmt: skip
    heading, names = _names(table, mean)
    figure.update_layout(
        title={"text": f"{escape(answer.title)}<br><sub>{escape(answer.interval_words)}</sub>"},
        template="simple_white", showlegend=bool((~known).any()), font={"color": INK, "size": 13},
        height=_REST + _ROW * len(table), hoverlabel={"align": "left"},
        xaxis={"title": {"text": reader_heading(mean)}, "zeroline": mean.endswith("_k")},
        yaxis={"title": {"text": heading}, "tickvals": list(table.index), "ticktext": names,
               "autorange": "reversed", "automargin": True},
    )  # fmt: skip
    page: Any = figure.to_html(
        include_plotlyjs=True, full_html=True, div_id="figure", config={"displaylogo": False}
    )
    return str(page).encode("utf-8")


def _names(table: pd.DataFrame, mean: str) -> tuple[str, list[str]]:
    """Return what names the rows: the texts before the mean, else a number with its heading."""
    before = table.iloc[:, : list(table.columns).index(mean)]
    texts = before.select_dtypes(exclude="number")
    heading = "" if texts.shape[1] else reader_heading(str(before.columns[0]))
    cells = worded_table(texts if texts.shape[1] else before.iloc[:, :1])
    words = ([cell.text for cell in row if cell.text not in ("", "–")] for row in cells.rows)
    return heading, [escape(" · ".join(row)) for row in words]


def _hover(table: pd.DataFrame) -> list[str]:
    """Return every cell of a row with its heading."""
    worded = worded_table(table, folded=True)
    return [
        "<br>".join(
            f"{escape(heading)}: <b>{escape(cell.text)}</b>"
            for heading, cell in zip(worded.headings, row, strict=True)
            if cell.text not in ("", "–")
        )
        for row in worded.rows
    ]
