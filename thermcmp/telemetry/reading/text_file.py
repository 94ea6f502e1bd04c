"""Text files as UTF-8 blocks of whole lines, without escape codes."""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np

from thermcmp.errors import Fault, InputError
from thermcmp.tabular.encoding import OTHER_ENCODINGS, NoTextError, guess_encoding

#: Size of a block [bytes]; bounds the memory that reading takes.
BLOCK_BYTES: Final = 1 << 24
#: Longest line of a log [bytes].
LONGEST_LINE: Final = 1 << 20
_SAMPLE_BYTES: Final = 1 << 16

#: Colour, cursor and title codes of terminals (control sequences and strings of ECMA-48,
#: character sets of ECMA-35).
_ESCAPES: Final = re.compile(
    rb"\x1b(?:\[[0-?]*[ -/]*[@-~]|\][^\x07\x1b\n]*(?:\x07|\x1b\\)|[ -/]+[0-~])"
)
_LINE_END: Final = re.compile(rb"\r+\n")
#: A quoted cell that its line does not end, and the end of one on a later line.
_OPENING: Final = re.compile(rb'(?:^|[,;\t|])\s*"[^"]*$')
_CLOSING: Final = re.compile(rb'[^"]*"\s*(?:$|[,;\t|])')
_DELIMITERS: Final = re.compile(rb"[,;\t|]")
#: Most line breaks in the cells of one line.
_LONGEST_CELL: Final = 64


@dataclass(frozen=True, slots=True)
class Block:
    """A run of whole lines."""

    first_line: int  #: line number of the first line, from 1
    n_lines: int
    data: bytes  #: text in UTF-8; each of the block's lines ends with a line feed
    start: int = 0  #: where the block begins in `data`, so that dropping lines takes no copy

    @property
    def text(self) -> bytes:
        """The block's lines alone."""
        return self.data[self.start :] if self.start else self.data

    def from_line(self, line: int) -> Block:
        """Drop the lines before a line."""
        start, number = self.start, self.first_line
        while number < line and number < self.first_line + self.n_lines:
            start, number = self.data.find(b"\n", start) + 1, number + 1
        return Block(number, self.n_lines - (number - self.first_line), self.data, start)

    def halves(self) -> tuple[Block, Block]:
        """Split the block at a line end near the middle."""
        end = self.data.find(b"\n", (self.start + len(self.data)) // 2) + 1
        first = self.data[self.start : end]
        n_first = first.count(b"\n")
        rest = Block(self.first_line + n_first, self.n_lines - n_first, self.data[end:])
        return Block(self.first_line, n_first, first), rest

    def lines(self) -> list[str]:
        """Decode the block's lines; undecodable bytes become U+FFFD."""
        return self.text.decode("utf-8", errors="replace").split("\n")[:-1]


@dataclass(frozen=True, slots=True)
class TextFile:
    """A text file of known encoding."""

    path: Path
    encoding: str
    #: First and last whole lines, a sample to detect the layout from.
    head: tuple[str, ...]
    tail: tuple[str, ...]
    cut: bool  #: whether the last line has no line end; it is left out, as it may be cut

    @classmethod
    def open(cls, path: Path, encoding: str | None = None) -> TextFile:
        """Detect the encoding and take samples of a file."""
        try:
            with path.open("rb") as handle:
                start = handle.read(_SAMPLE_BYTES)
                size = handle.seek(0, 2)
                handle.seek(max(size - _SAMPLE_BYTES, 0) & ~1)
                end = handle.read()
        except OSError as error:
            message = f"the file cannot be opened: {error.strerror}"
            raise _unreadable(path, message, "check the path and the permissions") from None
        if not start.strip(b"\x00 \t\r\n"):
            raise _unreadable(path, "the file is empty", "export the log again")
        try:
            known = encoding or guess_encoding(start)
        except NoTextError as error:
            raise _unreadable(path, error.message, error.fix) from None
        head = _whole_lines(_to_utf8(start, known, path))
        ended = _to_utf8(end, known, path)
        tail = _whole_lines(ended) if size > len(start) else []
        cut = not ended.rstrip(b"\x00").endswith(b"\n")
        if not head:
            raise _unreadable(path, "the file has no whole line", "export the log again")
        return cls(path, known, tuple(head), tuple(tail[1:]), cut)

    def blocks(self, size: int = BLOCK_BYTES) -> Iterator[Block]:
        """Yield the file's whole lines in blocks."""
        decoder = None
        if self.encoding not in ("utf-8", "ascii"):
            decoder = codecs.getincrementaldecoder(self.encoding)()
        line, rest = 1, b""
        with self.path.open("rb") as handle:
            while raw := handle.read(size):
                try:
                    data = raw if decoder is None else decoder.decode(raw).encode()
                except UnicodeError as error:
                    message = f"bytes after line {line} are not {self.encoding}"
                    fix = OTHER_ENCODINGS
                    shown = None
                    if isinstance(error, UnicodeDecodeError):
                        shown = repr(error.object[error.start : error.start + 4])
                    raise _unreadable(self.path, message, fix, line, shown) from None
                data = rest + data
                # CR may be the first half of a line end that the next read completes.
                held = data[len(data.rstrip(b"\r")) :]
                data = _clean(data[: len(data) - len(held)])
                end = data.rfind(b"\n") + 1
                rest = data[end:] + held
                if len(rest) > LONGEST_LINE:
                    fix = "check that this is a text log"
                    raise _unreadable(self.path, "a line never ends", fix, line)
                if end:
                    n_lines = data.count(b"\n", 0, end)
                    yield Block(line, n_lines, data if end == len(data) else data[:end])
                    line += n_lines
        if rest.endswith(b"\r") and rest.strip():
            last = _clean(rest + b"\n")
            yield Block(line, last.count(b"\n"), last)


def _unreadable(
    path: Path, message: str, fix: str, row: int | None = None, value: str | None = None
) -> InputError:
    """Return the error for a file that is not a text log."""
    fault = Fault(message, fix, path.name, row, None, value)
    return InputError("This log cannot be read:", [fault])


def _to_utf8(raw: bytes, encoding: str, path: Path) -> bytes:
    """Return a sample in clean UTF-8, without a character cut at its end."""
    try:
        text = codecs.getincrementaldecoder(encoding)("replace").decode(raw)
    except UnicodeError as error:
        raise _unreadable(path, f"not {encoding}: {error}", "state the encoding") from None
    return _clean(text.encode())


def _clean(data: bytes) -> bytes:
    """Remove byte order marks and escape codes, and end all lines with a line feed."""
    # Concatenated logs have a mark in the middle too.
    if b"\xef" in data and codecs.BOM_UTF8 in data:
        data = data.replace(codecs.BOM_UTF8, b"")
    if b"\x1b" in data:
        data = _ESCAPES.sub(b"", data)
    if b"\r" in data:
        data = _LINE_END.sub(b"\n", data).replace(b"\r", b"\n")
    return _joined_cells(data) if b'"' in data else data


def _joined_cells(data: bytes) -> bytes:
    """Put quoted cells that go over several lines on their first; the others are left empty."""
    text = np.frombuffer(data, dtype=np.uint8)
    ends = np.flatnonzero(text == ord("\n"))
    quotes = np.searchsorted(np.flatnonzero(text == ord('"')), ends)
    odd = np.flatnonzero(np.diff(quotes, prepend=0) % 2)
    if len(odd) < 2:
        return data
    lines = data.split(b"\n")
    last = -1
    for opening, closing in pairwise(odd.tolist()):
        inside = lines[opening + 1 : closing]
        # A lone quote, as of an inch, opens no cell: readings follow.
        readings = any(b'"' not in line and len(_DELIMITERS.findall(line)) > 1 for line in inside)
        opens = _OPENING.search(lines[opening]) and _CLOSING.match(lines[closing])
        if opening <= last or closing - opening > _LONGEST_CELL or readings or not opens:
            continue
        lines[opening] = b" ".join(lines[opening : closing + 1])
        lines[opening + 1 : closing + 1] = [b""] * (closing - opening)
        last = closing
    return b"\n".join(lines)


def _whole_lines(data: bytes) -> list[str]:
    """Split a sample into its whole lines."""
    return data.decode("utf-8", errors="replace").split("\n")[:-1]
