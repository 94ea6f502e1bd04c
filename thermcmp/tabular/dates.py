"""Dates as people write them, by the formats of `datetime.strptime`."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from itertools import product
from typing import Final

_DAYS: Final = (
    "%d.%m.%Y", "%d.%m.%y", "%d/%m/%Y", "%m/%d/%Y", "%d/%m/%y", "%m/%d/%y", "%d-%m-%Y",
    "%m-%d-%Y", "%Y/%m/%d", "%Y.%m.%d", "%d %b %Y", "%d %B %Y", "%b %d, %Y", "%B %d, %Y",
)  # fmt: skip
_TIMES: Final = ("", " %H:%M", " %H:%M:%S", ", %H:%M", " %I:%M %p")
_EXAMPLE: Final = datetime(2031, 12, 31, 23, 59, 58)


def is_format(form: str) -> bool:
    """Return whether a format writes a date that it can read again."""
    return "%" in form and parse_date(_EXAMPLE.strftime(form), [form]) is not None


def parse_date(text: str, forms: Sequence[str]) -> datetime | None:
    """Return a text read under the first format that fits, or None."""
    for form in forms:
        try:
            return datetime.strptime(text.strip(), form)
        except ValueError:
            continue
    return None


def fitting_formats(texts: Iterable[str]) -> list[str]:
    """Return the common formats under which most of the texts are dates."""
    stated = list(texts)
    counts = {
        form: sum(parse_date(text, [form]) is not None for text in stated)
        for form in map("".join, product(_DAYS, _TIMES))
    }
    most = max(counts.values())
    return [form for form, count in counts.items() if count == most] if most else []
