"""Text files as UTF-8 blocks of whole lines: encoding, line ends, escape codes."""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from thermcmp.errors import Fault, InputError
from thermcmp.tabular.encoding import NoTextError, guess_encoding

#: Size of a block [bytes]; bounds the memory that reading takes.
BLOCK_BYTES: Final = 1 << 24
#: A line longer than this is no line of a log [bytes].
LONGEST_LINE: Final = 1 << 20
_SAMPLE_BYTES: Final = 1 << 16

#: Colour, cursor and title codes of terminals (control sequences and strings of ECMA-48,
#: character sets of ECMA-35).
_ESCAPES: Final = re.compile(
    rb"\x1b(?:\[[0-?]*[ -/]*[@-~]|\][^\x07\x1b\n]*(?:\x07|\x1b\\)|[ -/]+[0-~])"
)
_LINE_END: Final = re.compile(rb"\r+\n")


@dataclass(frozen=True, slots=True)
class Block:
    """A run of whole lines.

    Attributes
    ----------
    first_line : int
        Line number of the first line, from 1.
    n_lines : int
        How many lines.
    data : bytes
        Text in UTF-8; the block's lines, each ended by a line feed, go to its end.
    start : int
        Where they begin: a block that begins later is no copy.
    """

    first_line: int
    n_lines: int
    data: bytes
    start: int = 0

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
        """Split the block at a line end near its middle."""
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
    """A text file whose encoding is known.

    Attributes
    ----------
    path : pathlib.Path
        The file.
    encoding : str
        Its encoding.
    head, tail : tuple of str
        First and last whole lines, a sample to find the dialect from.
    cut : bool
        Whether the last line has no line end; it is left out, as it may be cut.
    """

    path: Path
    encoding: str
    head: tuple[str, ...]
    tail: tuple[str, ...]
    cut: bool

    @classmethod
    def open(cls, path: Path, encoding: str | None = None) -> TextFile:
        """Find encoding and samples of a file."""
        try:
            with path.open("rb") as handle:
                start = handle.read(_SAMPLE_BYTES)
                size = handle.seek(0, 2)
                handle.seek(max(size - _SAMPLE_BYTES, 0) & ~1)
                end = handle.read()
        except OSError as error:
            raise _unreadable(
                path,
                f"the file cannot be opened: {error.strerror}",
                "check the path and the rights",
            ) from None
        if not start.strip(b"\x00 \t\r\n"):
            raise _unreadable(path, "the file is empty", "export the log again")
        try:
            found = encoding or guess_encoding(start)
        except NoTextError as error:
            raise _unreadable(path, error.message, error.fix) from None
        head = _whole_lines(_to_utf8(start, found, path, final=False))
        ended = _to_utf8(end, found, path, final=False)
        tail = _whole_lines(ended) if size > len(start) else []
        cut = not ended.rstrip(b"\x00").endswith(b"\n")
        if not head:
            raise _unreadable(path, "no whole line is in the file", "export the log again")
        return cls(path, found, tuple(head), tuple(tail[1:]), cut)

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
                    raise self._undecodable(line, error) from None
                data = rest + data
                # CR may be the first half of a line end that the next read completes.
                held = data[len(data.rstrip(b"\r")) :]
                data = _clean(data[: len(data) - len(held)])
                end = data.rfind(b"\n") + 1
                rest = data[end:] + held
                if len(rest) > LONGEST_LINE:
                    raise _unreadable(self.path, "a line never ends", "is this a text log?", line)
                if end:
                    n_lines = data.count(b"\n", 0, end)
                    yield Block(line, n_lines, data if end == len(data) else data[:end])
                    line += n_lines
        if rest.endswith(b"\r") and rest.strip():
            last = _clean(rest + b"\n")
            yield Block(line, last.count(b"\n"), last)

    def _undecodable(self, line: int, error: UnicodeError) -> InputError:
        """Describe that bytes do not fit the encoding."""
        shown = None
        if isinstance(error, UnicodeDecodeError):
            shown = repr(error.object[error.start : error.start + 4])
        message = f"bytes after line {line} are not {self.encoding}"
        fix = "state the encoding, such as encoding='cp1252'"
        return _unreadable(self.path, message, fix, line, shown)


def _unreadable(
    path: Path, message: str, fix: str, row: int | None = None, value: str | None = None
) -> InputError:
    """Make the error for a file that is no text log."""
    return InputError(
        "This log cannot be read:", [Fault(message, fix, path.name, row, None, value)]
    )


def _to_utf8(raw: bytes, encoding: str, path: Path, *, final: bool) -> bytes:
    """Decode a sample and clean it; a character cut at its end is left out."""
    try:
        text = codecs.getincrementaldecoder(encoding)("replace").decode(raw, final)
    except UnicodeError as error:
        raise _unreadable(path, f"not {encoding}: {error}", "state the encoding") from None
    return _clean(text.encode())


def _clean(data: bytes) -> bytes:
    """Drop byte order marks and escape codes, and end all lines with a line feed."""
    # Logs that were joined have a mark in the middle too.
    if b"\xef" in data and codecs.BOM_UTF8 in data:
        data = data.replace(codecs.BOM_UTF8, b"")
    if b"\x1b" in data:
        data = _ESCAPES.sub(b"", data)
    if b"\r" in data:
        data = _LINE_END.sub(b"\n", data).replace(b"\r", b"\n")
    return data


def _whole_lines(data: bytes) -> list[str]:
    """Split a sample into its whole lines."""
    return data.decode("utf-8", errors="replace").split("\n")[:-1]
