"""The encoding of a text file, and files that are not delimited text."""

from __future__ import annotations

import codecs
import re
from typing import Final


class NoTextError(ValueError):
    """A file that is not delimited text: what it is, and what to do about it."""

    def __init__(self, message: str, fix: str) -> None:
        self.message, self.fix = message, fix
        super().__init__(message)


_BOMS: Final = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
#: Files that are not text logs, by how they begin (file format specifications).
_OTHER_FORMATS: Final = (
    (rb"PAR1", "a Parquet file", "give it the ending .parquet, or state reader='parquet'"),
    (rb"PK\x03\x04", "a zip archive or a workbook", "unpack it, or save the sheet as CSV"),
    (rb"\x1f\x8b", "gzip-compressed", "unpack it"),
    (rb"BZh", "bzip2-compressed", "unpack it"),
    (rb"\xfd7zXZ\x00", "xz-compressed", "unpack it"),
    (rb"\x28\xb5\x2f\xfd", "zstd-compressed", "unpack it"),
    (rb"7z\xbc\xaf\x27\x1c", "a 7z archive", "unpack it"),
    (rb"\xd0\xcf\x11\xe0", "an old workbook", "save the sheet as CSV"),
    (rb"SQLite format 3\x00", "an SQLite database", "export the table as CSV"),
    (rb"%PDF", "a PDF document", "give the log that it was made from"),
    (rb"\x89HDF", "an HDF5 file", "export the table as CSV or Parquet"),
    (rb"\s*\[?\s*\{\s*\"", "JSON", "export it as delimited text or Parquet"),
    (
        rb"(?i:\s*<(?:\?xml|!doctype|html|table))",
        "XML or HTML",
        "export it as delimited text or Parquet",
    ),
)
OTHER_ENCODINGS: Final = (
    "state encoding=, such as 'cp932' (Japanese), 'gb18030' (Chinese), 'cp949' (Korean), 'cp1250', "
    "'cp1251' (Cyrillic), 'cp437', or 'utf-8' if bytes of it are damaged"
)
#: Bytes that CP1252 leaves open.
_NOT_CP1252: Final = b"\x81\x8d\x8f\x90\x9d"
_ACCENTED: Final = re.compile(rb"[\xc0-\xff]{4,}")
#: Most control characters in a text log that a crash has damaged.
_FEW_CONTROLS: Final = 8
_CONTROLS: Final = bytes({*range(0x20)} - {*b"\t\n\v\f\r\x1b"})
#: Zeros that a file system leaves behind a crash.
_ZERO_RUN: Final = re.compile(rb"\x00{4,}")


def guess_encoding(start: bytes) -> str:
    """Return the encoding by the byte order mark, zero bytes and validity."""
    for mark, name in _BOMS:
        if start.startswith(mark):
            return name
    for beginning, kind, fix in _OTHER_FORMATS:
        if re.match(beginning, start):
            raise NoTextError(f"this is {kind}, not delimited text", fix)
    pairs = start[: len(start) & ~1]
    if len(pairs) >= 4:
        odd, even = pairs[1::2].count(0), pairs[0::2].count(0)
        if odd > 0.3 * len(pairs) / 2 and even < odd / 10:
            return "utf-16-le"
        if even > 0.3 * len(pairs) / 2 and odd < even / 10:
            return "utf-16-be"
    text = _ZERO_RUN.sub(b"", start) if b"\x00" in start else start
    if len(text) - len(text.translate(None, _CONTROLS)) > max(len(text) // 100, _FEW_CONTROLS):
        raise NoTextError("this is not text", "give a text log or a Parquet file")
    return _single_bytes_or_utf8(start)


def _single_bytes_or_utf8(start: bytes) -> str:
    """Return whether text is UTF-8 or CP1252, or raise `NoTextError` where it is neither."""
    try:
        codecs.getincrementaldecoder("utf-8")().decode(start)
    except UnicodeDecodeError:
        # A crash leaves zeros, and damages what is near them. Words without a plain letter are
        # of another alphabet.
        foreign = any(byte in start for byte in _NOT_CP1252) or len(_ACCENTED.findall(start)) > 1
        if b"\x00" not in start and foreign:
            message = "its letters are neither of UTF-8 nor of CP1252"
            raise NoTextError(message, OTHER_ENCODINGS) from None
        return "cp1252"
    return "utf-8"
