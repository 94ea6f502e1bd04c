"""Colours of a finished figure for dark pages and for grey print."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

from thermcmp.questions.plot_style import (
    BAND,
    INK,
    MAIN,
    PALE,
    PALE_WARM,
    QUIET,
    RULE,
    WARM,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_DRAWN: Final = ("#ffffff", "#000000", INK, QUIET, RULE, MAIN, PALE, PALE_WARM, WARM, BAND)
#: What stands in place of each colour of the plot style; text keeps a contrast of 4.5 : 1
#: (Web Content Accessibility Guidelines 2.2, 1.4.3).
THEMES: Final[dict[str, Mapping[str, str]]] = {
    "light": {},
    "dark": dict(zip(_DRAWN, (
        "#14191d", "#e6ebee", "#e6ebee", "#a7b2ba", "#333c43", "#6db3dc", "#2f5a74", "#6b4a22",
        "#f0a15a", "#24404f",
    ), strict=True)),
    "print": dict(zip(_DRAWN, (
        "#ffffff", "#000000", "#000000", "#404040", "#dddddd", "#303030", "#b5b5b5", "#dedede",
        "#606060", "#d5d5d5",
    ), strict=True)),
}  # fmt: skip
_PROPERTIES: Final = ("color", "facecolor", "edgecolor", "markerfacecolor", "markeredgecolor")


def set_theme(figure: Figure, theme: str) -> None:
    """Put the colours of a theme in place of those that a figure was drawn in."""
    colours = THEMES[theme]
    if not colours:
        return
    for ax in figure.axes:
        # Ticks that are made when the figure is drawn.
        ax.tick_params(color=colours[QUIET], labelcolor=colours[INK], grid_color=colours[RULE])
    for artist in figure.findobj():
        _recolour(artist, colours)
        box = getattr(artist, "get_bbox_patch", lambda: None)()
        if box is not None:
            _recolour(box, colours)


def _recolour(artist: Any, colours: Mapping[str, str]) -> None:
    """Change each colour of an artist that is one of the plot style's."""
    for name in _PROPERTIES:
        get, put = (getattr(artist, f"{verb}_{name}", None) for verb in ("get", "set"))
        if get is None or put is None:
            continue
        shown = get()
        if isinstance(shown, str | tuple):
            put(_themed(shown, colours))
        elif shown is not None and len(shown):
            put([_themed(each, colours) for each in shown])


def _themed(colour: Any, colours: Mapping[str, str]) -> Any:
    """Return the colour of the theme, as opaque as the one that it stands for."""
    from matplotlib.colors import is_color_like, to_hex, to_rgba

    if not is_color_like(colour):
        return colour
    shown = colours.get(to_hex(colour))
    return colour if shown is None else to_rgba(shown, to_rgba(colour)[3])
