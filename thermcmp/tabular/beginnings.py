"""Which files a plug-in's reader takes: by the endings of their names and their first bytes."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from thermcmp.errors import Fault


def first_bytes(reader: Any) -> tuple[bytes, ...]:
    """Return how the files of a reader begin; empty where the ending decides alone."""
    return tuple(getattr(reader, "first_bytes", ()))


def begins_with(path: Path, reader: Any) -> bool:
    """Whether a file begins as a reader states; one that cannot be opened passes."""
    beginnings = first_bytes(reader)
    if not beginnings:
        return True
    try:
        with path.open("rb") as handle:
            head = handle.read(3 + max(map(len, beginnings))).removeprefix(b"\xef\xbb\xbf")
    except OSError:
        return True
    return head.startswith(beginnings)


def faults_of_beginnings(reader: Any) -> Iterator[Fault]:
    """Yield what is wrong with the endings and first bytes of a plug-in's reader."""
    if not reader.suffixes:
        yield Fault("no ending", "give such as ('.xyz',)", column="suffixes")
    for ending in reader.suffixes:
        if not (isinstance(ending, str) and re.fullmatch(r"\.[^A-Z\s/]+", ending)):
            fix = "give it in lower case with its dot, such as '.xyz'"
            yield Fault("not an ending", fix, column="suffixes", value=str(ending))
    for name, kind in (("first_bytes", bytes), ("options", str)):
        stated = getattr(reader, name, ())
        if not isinstance(stated, tuple) or not all(isinstance(v, kind) and v for v in stated):
            yield Fault("wrong type", f"give a tuple of {kind.__name__}", column=name)
