"""Letters of a figure: names as they are written, in a font that has them."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Fonts with Chinese, Japanese and Korean letters and with signs, as systems bring them.
_WIDER: Final = (
    "Noto Sans CJK SC", "Noto Sans CJK JP", "Noto Sans CJK KR", "Noto Sans SC",
    "Source Han Sans SC",
    "WenQuanYi Zen Hei", "WenQuanYi Micro Hei", "Microsoft YaHei", "Yu Gothic", "MS Gothic",
    "Malgun Gothic", "PingFang SC", "Hiragino Sans", "Apple SD Gothic Neo", "Arial Unicode MS",
    "Noto Emoji", "Segoe UI Symbol", "Symbola", "Noto Sans Symbols2",
)  # fmt: skip


def set_letters(ax: Axes) -> str:
    """Take every text on the axes' figure literally, in fonts that have its letters.

    Returns the letters that no installed font has.
    """
    from matplotlib import rcParams
    from matplotlib.text import Text

    texts = [text for text in ax.figure.findobj(Text) if text.get_text()]
    for text in texts:
        # A name such as "$20 + $30" is no formula.
        text.set_parse_math(False)
    letters = {letter for text in texts for letter in text.get_text() if not letter.isspace()}
    usual = [str(name) for name in rcParams["font.sans-serif"]]
    missing = letters - _letters_of("DejaVu Sans")
    if not missing or "sans-serif" not in rcParams["font.family"]:
        return ""
    chosen = []
    for name in (*_WIDER, *_installed()):
        if not missing:
            break
        found = missing & _letters_of(name)
        if found:
            chosen.append(name)
            missing -= found
    if chosen:
        # The first font is that of the other figures; the rest fill in letter by letter.
        for text in texts:
            text.set_fontfamily(["DejaVu Sans", *chosen, *usual[:1]])
    return "".join(sorted(missing))


@cache
def _installed() -> tuple[str, ...]:
    """Return the names of all installed fonts but those that have a box for every letter."""
    from matplotlib.font_manager import fontManager

    names = sorted({font.name for font in fontManager.ttflist})
    return tuple(name for name in names if not name.startswith(("Last Resort", "LastResort")))


@cache
def _letters_of(family: str) -> frozenset[str]:
    """Return the letters that an installed font has, bold too; none where it is not installed."""
    from matplotlib.font_manager import FontProperties, findfont, get_font

    held: list[set[int]] = []
    for weight in ("normal", "bold"):
        wanted = FontProperties(family=family, weight=weight)
        try:
            path = findfont(wanted, fallback_to_default=False)
            held.append(set(get_font(path).get_charmap()))
        except (ValueError, OSError, RuntimeError):
            # Not installed, or no font that can be drawn.
            return frozenset()
    return frozenset(chr(code) for code in held[0] & held[1])
