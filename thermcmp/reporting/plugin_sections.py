"""Report sections that plug-ins add."""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass, replace
from html.parser import HTMLParser
from typing import TYPE_CHECKING, Any, Final

from thermcmp.errors import PluginError
from thermcmp.hooks import PluginItem, guarded, provided
from thermcmp.inference.posterior import unchanged

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit
    from thermcmp.questions.answer import Answer

#: Tags that need no end.
_ENDLESS: Final = frozenset((
    "br", "col", "hr", "img", "input", "link", "meta", "source", "wbr",
    "p", "li", "dt", "dd", "tr", "td", "th", "thead", "tbody", "tfoot",
))  # fmt: skip


@dataclass(frozen=True, slots=True)
class AddedPart:
    """A plug-in's section: its HTML, or why it is missing."""

    title: str
    source: str
    html: str = ""
    failure: str = ""


def added_parts(fit: Fit | None, answers: Sequence[Answer]) -> tuple[AddedPart, ...]:
    """Render the sections of all plug-ins; one that fails is named and takes nothing else down."""
    return tuple(_added_part(entry, fit, answers) for entry in provided("thermcmp_report_sections"))


def _added_part(entry: PluginItem, fit: Fit | None, answers: Sequence[Answer]) -> AddedPart:
    def rendered() -> Any:
        # Copies: what a section does to a table must not reach the page's own words.
        shown = tuple(replace(a, table=copy(a.table), draws=copy(a.draws)) for a in answers)
        with unchanged(fit):
            html = entry.item.render(fit, shown)
        if isinstance(html, str):
            _Tags().check(html)
        return html

    try:
        html = guarded(entry, rendered, str)()
    except PluginError as error:
        return AddedPart(entry.key, entry.source, failure=str(error))
    return AddedPart(entry.key, entry.source, html)


class _Tags(HTMLParser):
    """A parser that refuses what would change the page around a section, or need a network."""

    def check(self, html: str) -> None:
        """Raise where tags or comments are not closed, or others than its own are."""
        self._open: list[str] = []
        self.feed(html)
        # What was read as the beginning of a comment or a tag stays unread.
        if self._open or self.rawdata or html.count("<!--") != html.count("-->"):
            raise ValueError(f"HTML that is not closed: {', '.join(self._open) or self.rawdata}")

    def handle_starttag(self, tag: str, attrs: Sequence[tuple[str, str | None]]) -> None:
        """Keep an open tag."""
        loaded = [value for name, value in attrs if name in ("src", "srcset") and value]
        loaded += [value for name, value in attrs if (tag, name) == ("link", "href") and value]
        if any(not value.startswith("data:") for value in loaded):
            raise ValueError(f"HTML that loads {loaded[0]}. Fix: put it in the page as data:")
        if tag not in _ENDLESS:
            self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        """Drop an open tag at its end."""
        if tag not in _ENDLESS and (not self._open or self._open.pop() != tag):
            raise ValueError(f"HTML with the end of a tag that is not open: {tag}")
