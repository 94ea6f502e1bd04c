"""How a hand-kept table is to be read: stated by arguments, or in a file that people edit."""

from __future__ import annotations

import json
import os
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any, Final

from thermcmp.errors import Fault, InputError, suggest
from thermcmp.results.headings import Target
from thermcmp.results.schema import READABLE
from thermcmp.tabular.dates import is_format
from thermcmp.tabular.sheet_places import heading_of

#: Stands for a meaning that a template leaves to be filled in.
UNANSWERED: Final = "?"
_WHOLE: Final = "The map of headings cannot be read:"


@dataclass(frozen=True, slots=True, kw_only=True)
class Guide:
    """The options of `read_results`; what is not stated is found from the table or refused."""

    columns: Mapping[str, str | None] = field(default_factory=dict)
    words: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    dates: Sequence[str] = ()
    decimal: str | Mapping[str, str] | None = None
    sheet: str | None = None
    header_row: int | None = None
    fill_merged: bool | None = None
    constants: Mapping[str, Any] = field(default_factory=dict)

    @classmethod
    def of(
        cls, columns: Mapping[str, str | None] | str | os.PathLike[str] | None, **stated: Any
    ) -> Guide:
        """Return the guide of a file or a map of headings; what else is stated goes first."""
        written = {"columns": columns} if isinstance(columns, Mapping) else {}
        if isinstance(columns, (str, os.PathLike)):
            written = read_guide(Path(columns))
            _check_guide(written, str(columns))
        given = {name: value for name, value in stated.items() if value is not None}
        merged = {
            name: {**written.get(name, {}), **given[name]}
            for name in ("words", "constants")
            if name in given
        }
        guide = cls(**(written | given | merged))
        one = guide.dates
        return replace(
            guide,
            columns={heading_of(name): target for name, target in guide.columns.items()},
            words={
                heading_of(name): {
                    word_of(word): meant for word, meant in known.items() if meant != UNANSWERED
                }
                for name, known in guide.words.items()
            },
            dates=(one,) if isinstance(one, str) else tuple(one),
        )

    def words_for(self, target: Target) -> dict[str, Any]:
        """Return what words mean under a heading: those stated, and allowed words in any case."""
        allowed = {} if target.is_extra else {word_of(w): w for w in READABLE[target.name].choices}
        return {
            **allowed,
            **self.words.get(target.name, {}),
            **self.words.get(target.heading, {}),
        }

    def decimal_for(self, target: Target) -> str | None:
        """Return the decimal mark that is stated for a heading."""
        if isinstance(self.decimal, Mapping):
            return self.decimal.get(target.heading, self.decimal.get(target.name))
        return self.decimal

    def faults(self, targets: Sequence[Target], bad_rows: str) -> Iterator[Fault]:
        """Yield what is wrong with the options, given the table's headings."""
        marks = self.decimal.values() if isinstance(self.decimal, Mapping) else [self.decimal]
        choices = [
            *(("decimal", mark, (None, ".", ",")) for mark in marks),
            ("bad_rows", bad_rows, ("refuse", "skip")),
        ]
        for name, stated, allowed in choices:
            if stated not in allowed:
                fix = " or ".join(f"{name}='{word}'" for word in allowed if word)
                yield Fault("unknown choice", f"give {fix}", column=name, value=str(stated))
        for form in self.dates:
            if not is_format(form):
                fix = "write it with %d, %m, %Y, %H, %M, such as dates='%d.%m.%Y %H:%M'"
                yield Fault("not a format of dates", fix, column="dates", value=form)
        known = [name for target in targets for name in (target.heading, target.name)]
        by_column = self.decimal if isinstance(self.decimal, Mapping) else {}
        for option, named in (("words", self.words), ("decimal", by_column)):
            for name in named:
                if name not in known:
                    words = f"{option}= names a column that the table does not have"
                    yield Fault(words, suggest(name, known), column=name)
        yield from self._constant_faults(targets)

    def _constant_faults(self, targets: Sequence[Target]) -> Iterator[Fault]:
        """Yield what is wrong with the constants."""
        held = {target.name: target.heading for target in targets}
        if any(target.sensor is not None for target in targets):
            held["sensor"] = "one column per sensor"
        for name in self.constants:
            if name not in READABLE:
                yield Fault(
                    "no such column for a constant", suggest(name, [*READABLE]), column=name
                )
            elif name in held:
                words = f"the table holds this already ('{held[name]}')"
                fix = "drop the constant, or the column's mapping"
                yield Fault(words, fix, column=name)


def word_of(cell: Any) -> str:
    """Return a cell as words are compared: without blanks around and in any case."""
    return " ".join(str(cell).split()).casefold()


def read_guide(path: Path) -> dict[str, Any]:
    """Read the options in a TOML file, or a map of headings alone in a JSON file."""
    if not path.is_file():
        fault = Fault("no such file", "give the path of a map of headings", file=str(path))
        raise InputError(_WHOLE, [fault])
    kind = "TOML" if path.suffix.lower() == ".toml" else "JSON"
    try:
        text = path.read_text(encoding="utf-8-sig")
        written = tomllib.loads(text) if kind == "TOML" else {"columns": json.loads(text)}
    except (ValueError, RecursionError) as error:
        fault = Fault(f"no valid {kind}: {error}", f"write it as {kind}", file=str(path))
        raise InputError(_WHOLE, [fault]) from error
    tables = {"columns", "words", "constants"}
    names = [option.name for option in fields(Guide)]
    faults = [
        Fault("no such option", suggest(name, names), str(path), column=name)
        for name in written
        if name not in names
    ]
    faults += [
        Fault(f"no {kind} object", 'write {"heading": "schema name", …}', str(path), column=name)
        for name in sorted(tables & set(written))
        if not isinstance(written[name], dict)
    ]
    if faults:
        raise InputError(_WHOLE, faults)
    return written


def _check_guide(written: Mapping[str, Any], file: str) -> None:
    """Check that headings go to names of columns, and words stand under a column."""
    faults = [
        Fault("not a name of a column", 'write "heading" = "column"', file, column=heading)
        for heading, target in written.get("columns", {}).items()
        if not isinstance(target, str | None)
    ]
    faults += [
        Fault("not a table of words", 'write "your word" = "meant word"', file, column=name)
        for name, known in written.get("words", {}).items()
        if not isinstance(known, dict)
    ]
    if faults:
        raise InputError(_WHOLE, faults)
