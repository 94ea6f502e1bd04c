"""An answer's figure as reproducible bytes: for a page, a file or a notebook."""

from __future__ import annotations

import base64
import io
import warnings
from typing import TYPE_CHECKING, Any, Final, Protocol

from thermcmp.errors import ThermcmpWarning
from thermcmp.questions.letters import set_letters
from thermcmp.questions.plot_style import SIZES, WIDTH, FigureSize, natural_height
from thermcmp.questions.themes import set_theme

if TYPE_CHECKING:
    from collections.abc import Callable

    from matplotlib.axes import Axes

#: A figure of a page.
_PAGE: Final = FigureSize(WIDTH, 0.0, 100.0, 10.0)
#: Fixed ids and outlined letters: the same bytes and the same look everywhere.
_STYLE: Final = {"svg.hashsalt": "thermcmp", "svg.fonttype": "path"}


class Drawable(Protocol):
    """What is needed of an answer to draw it."""

    @property
    def title(self) -> str:
        """Its heading."""

    @property
    def alt_text(self) -> str:
        """What it shows, in words."""

    @property
    def draw_figure(self) -> Callable[[Any, Axes], None]:
        """Draws it on axes."""


def drawn(answer: Drawable, size: FigureSize, theme: str = "light") -> Axes:
    """Draw an answer on a figure of a size; it grows in height where the names need it."""
    from matplotlib.figure import Figure

    height = size.height or 4.4
    figure = Figure(figsize=(size.width, height), dpi=size.dpi, layout="constrained")
    ax = figure.subplots()
    answer.draw_figure(answer, ax)
    set_letters(ax)
    figure.set_figheight(max(size.height, natural_height(ax)))
    set_theme(figure, theme)
    return ax


def picture(answer: Drawable, size: FigureSize, form: str, theme: str = "light") -> bytes:
    """Return the figure as "svg" or "png", with its heading and description inside.

    Drawn under matplotlib's own defaults, whatever the caller's settings are; the
    caller's settings are the same afterwards.
    """
    import matplotlib.style

    style = {**_STYLE, "font.size": size.font}
    with matplotlib.style.context(["default", style]), warnings.catch_warnings():
        ax = drawn(answer, size, theme)
        if missing := set_letters(ax):
            # Letters that no font here has stay text: the reader's browser has fonts for them.
            matplotlib.rcParams["svg.fonttype"] = "none"
            warnings.filterwarnings("ignore", "Glyph .* missing", UserWarning)
        words = {"Title": answer.title, "Description": answer.alt_text}
        # Without a date and a program name the bytes depend on the answer alone.
        nothing = {"Date": None, "Creator": None} if form == "svg" else {"Software": None}
        buffer = io.BytesIO()
        figure: Any = ax.get_figure(root=True)
        figure.savefig(buffer, format=form, metadata={**nothing, **words})
    if missing and form == "png":
        warnings.warn(
            f"The figure has boxes for '{missing}': matplotlib lists no font with these letters. "
            "Fix: install one and delete the list in matplotlib.get_cachedir(), or save an SVG, "
            "for which the reader's browser finds a font.",
            ThermcmpWarning,
            stacklevel=4,
        )
    return buffer.getvalue()


def picture_uri(answer: Drawable, size: str | None = None) -> str:
    """Return the figure as an SVG data URI: of a page's width, or of a named size."""
    content = picture(answer, SIZES[size] if size else _PAGE, "svg")
    return f"data:image/svg+xml;base64,{base64.b64encode(content).decode('ascii')}"
