"""An answer's figure as a data URI of reproducible bytes."""

from __future__ import annotations

import base64
import io
import warnings
from typing import TYPE_CHECKING, Final

from thermcmp.questions.letters import set_letters
from thermcmp.questions.plot_style import natural_height

if TYPE_CHECKING:
    from thermcmp.questions.answer import Answer

#: Width of a figure [in].
_WIDTH: Final = 7.6
#: Fixed ids and outlined letters: the same bytes and the same look everywhere.
_STYLE: Final = {"svg.hashsalt": "thermcmp", "svg.fonttype": "path"}


def picture_uri(answer: Answer) -> str:
    """Draw the answer's figure and pack it into a data URI.

    Drawn under matplotlib's own defaults, whatever the caller's settings are; the
    caller's settings are the same afterwards.
    """
    import matplotlib.style
    from matplotlib.figure import Figure

    with matplotlib.style.context(["default", _STYLE]), warnings.catch_warnings():
        figure = Figure(figsize=(_WIDTH, 4.4), layout="constrained")
        ax = answer.plot(figure.subplots())
        figure.set_figheight(natural_height(ax))
        buffer = io.BytesIO()
        if set_letters(ax):
            # Letters that no font here has stay text: the reader's browser has fonts for them.
            matplotlib.rcParams["svg.fonttype"] = "none"
            warnings.filterwarnings("ignore", "Glyph .* missing", UserWarning)
        # Without a date and a program name the bytes depend on the answer alone.
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    packed = base64.b64encode(buffer.getvalue()).decode("ascii")
    return f"data:image/svg+xml;base64,{packed}"


def alternative_text(answer: Answer) -> str:
    """Describe the figure for readers who do not see it."""
    finding = f" {answer.sentences[0]}" if answer.sentences else ""
    return (
        f"Figure: {answer.title}, means and {answer.interval_words}.{finding} "
        "The table after the figure holds the same numbers."
    )
