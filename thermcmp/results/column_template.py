"""A map of a table's headings, words and dates, filled in as far as they can be guessed."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

from thermcmp.results.reading_guide import UNANSWERED, word_of
from thermcmp.results.schema import BY_NAME, NAMES, REQUIRED, UNLESS_PUBLISHED
from thermcmp.tabular.blocks import BLOCK, join_blocks
from thermcmp.tabular.cells import is_blank
from thermcmp.tabular.coercion import to_time
from thermcmp.tabular.column import Kind, match_heading, stated_unit
from thermcmp.tabular.dates import fitting_formats
from thermcmp.tabular.grid import Grid, read_grid
from thermcmp.tabular.sheet_places import column_number
from thermcmp.tabular.units import Dimension, parse_unit

#: What words in a heading, English or German, may mean, first match first (common practice, no
#: source).
GUESSES: Final = tuple(
    (target, re.compile(pattern, re.IGNORECASE))
    for target, pattern in (
        ("memory_vendor", r"mem\w*\W*(maker|vendor|brand|make)|speicher.?(hersteller|typ)"),
        ("noise_floor_dba", r"background|noise floor|grundpegel"),
        ("resolution_k", r"\b(step|resolution)\b"),
        ("temperature_c[memory]", r"\bv?ram\b|\bmem(ory)?\b|\bspeicher"),
        ("temperature_c[junction]", r"junction|hot.?spot"),
        ("temperature_c[edge]", r"\bedge\b|\bgpu\b|\bcore\b"),
        ("ambient_c", r"ambient|intake|inlet|\broom\b|\bair\b|umgebung|raum|zuluft|ansaug"),
        ("mic_distance_m", r"\bmic|distance"),
        ("noise_dba", r"noise|loud|sound|\bdb|\bspl\b|schall|lautst|pegel"),
        ("fan_mode", r"fan\W*(mode|setting|control)"),
        ("fan_rpm", r"\bfans?\b|\brpm\b|tacho|drehzahl"),
        ("power_w", r"power|\bw(atts?)?\b|leistung"),
        ("cooler_id", r"(cooler|heat.?sink)\W*(no|id|serial|s/?n|specimen)"),
        ("board_id", r"(board|pcb)\W*(no|id|serial|s/?n|specimen)"),
        ("cooler_model", r"cooler|heat.?sink|\bkühler"),
        ("board_model", r"\b(board|pcb)\b|\bplatine"),
        ("assembly_kind", r"\b(mounted|fitted|assembled|built) ?(by|at)\b|\bwho\b|\bmontage"),
        ("assembly", r"\b(re)?mount|assembl|\bbuild\b|\bmontage"),
        ("session", r"session|sitting"),
        ("bench", r"\b(bench|rig)\b"),
        ("lab", r"\blab"),
        ("firmware", r"firmware|\b[bv]?bios\b|\bfw\b"),
        ("started_at", r"\b(date|day|time|start(ed)?|when|datum)\b"),
        ("product", r"\b(card|product|karte)\b"),
        ("run", r"\b(run|test|measurement|no|lauf|prüf)\b|^#$"),
    )
)
HEADING_WORDS: Final = tuple(pattern for _, pattern in GUESSES)
#: What a heading with a unit can mean; another unit speaks against a guess.
_DIMENSIONS: Final = {
    "°C": Dimension.TEMPERATURE, "rpm": Dimension.SPEED, "W": Dimension.POWER,
    "dB(A)": Dimension.LEVEL, "K": Dimension.TEMPERATURE,
}  # fmt: skip
_EXAMPLES: Final = 3
#: More different words than this are names and no choice between a few words.
_MOST_WORDS: Final = 6


def column_template(
    path: str | os.PathLike[str],
    sheet: str | None = None,
    header_row: int | None = None,
    name: str = "map.toml",
) -> str:
    """Return the TOML text of a map of a table, for people to look through and edit."""
    grid = join_blocks(
        read_grid(path, set(NAMES), sheet, header_row=header_row, words=HEADING_WORDS)
    )
    targets = _guessed(grid)
    file = Path(path).name
    lines = [
        f"# How thermcmp reads {file}. Look through every line, then:",
        f"#   thermcmp import {file} --columns {name} --library bench",
        "# A line that begins with # is not read.",
        "",
        *([f"sheet = {_quoted(sheet)}"] if sheet else []),
        *_header_row_lines(grid),
        *_date_lines(grid, targets),
    ]
    if grid.merged:
        lines.append("fill_merged = true  # false: merged cells hold for their first row alone")
    lines += [
        '# decimal = ","  # of all columns; of one: decimal."your heading" = ","',
        "",
        "[columns]  # your heading = column of the results, see docs/results-table.md",
        *(
            f"{_quoted(heading)} = {_quoted(target)}  # {_examples(grid, place)}"
            for place, (heading, target) in enumerate(zip(grid.headings, targets, strict=True))
            if heading and target
        ),
        '# Kept as extra columns; = "" leaves one out:',
        *(
            f'# {_quoted(heading)} = ""  # {_examples(grid, place)}'
            for place, (heading, target) in enumerate(zip(grid.headings, targets, strict=True))
            if heading and not target
        ),
        "",
        "[constants]  # what the table does not say and is the same in all rows",
        *_constant_lines(targets),
        *_word_lines(grid, targets),
    ]
    return "\n".join([*lines, ""])


def _header_row_lines(grid: Grid) -> Iterator[str]:
    """Yield where the headings stand."""
    if grid.is_turned:
        yield "# The sheet has a column for each run; its headings stand below each other."
    elif grid.header_row:
        yield f"header_row = {grid.header_row}  # row of the headings"


def _guessed(grid: Grid) -> list[str]:
    """Return the column that each heading may mean, each column once; "" where none."""
    sure = [match_heading(heading, BY_NAME, grid.headings) for heading in grid.headings]
    targets = [match[0] if match else "" for match in sure]
    for place, heading in enumerate(grid.headings):
        if targets[place] or not heading or (grid.blocks and heading == BLOCK):
            continue
        unit = parse_unit(stated_unit(heading) or grid.units[place])
        targets[place] = next(
            (
                target
                for target, pattern in GUESSES
                if pattern.search(heading)
                and target not in targets
                and _may_hold(target, _filled(grid, place))
                and _may_have(target, None if unit is None else unit.dimension)
            ),
            "",
        )
    if grid.blocks:
        targets[grid.headings.index(BLOCK)] = _named_by_blocks(grid.blocks, targets)
    return targets


def _named_by_blocks(names: Sequence[str], taken: Sequence[str]) -> str:
    """Return what the blocks of a sheet may be: sensors, coolers or builds of firmware."""
    sensors = [pattern for target, pattern in GUESSES if target.startswith("temperature_c[")]
    if all(any(pattern.search(name) for pattern in sensors) for name in names):
        return "sensor"
    return next(name for name in ("cooler_model", "firmware", "session") if name not in taken)


def _may_hold(target: str, cells: Sequence[Any]) -> bool:
    """Return whether a column may hold such cells: figures for numbers, few different words."""
    column = BY_NAME[target.partition("[")[0]]
    if column.choices and len(set(map(word_of, cells))) > _MOST_WORDS:
        return False
    is_number = column.kind is Kind.NUMBER
    figures = sum(any(sign.isdigit() for sign in str(cell)) for cell in cells)
    return not is_number or 2 * figures >= len(cells)


def _may_have(target: str, dimension: Dimension | None) -> bool:
    """Return whether a column may have a unit of this kind."""
    own = _DIMENSIONS.get(BY_NAME[target.partition("[")[0]].unit)
    return dimension is None or own is dimension


def _examples(grid: Grid, place: int) -> str:
    """Return the letter of a column and its first different cells, as a comment."""
    cells = dict.fromkeys(" ".join(str(cell).split()) for cell in _filled(grid, place))
    shown = ", ".join(list(cells)[:_EXAMPLES])
    letter = grid.letters[place] or "names of blocks"
    where = f"row {column_number(letter)}" if grid.is_turned else letter
    return f"{where}: {shown or 'blank'}"


def _filled(grid: Grid, place: int) -> list[Any]:
    cells = (row[place] for _, row in grid.rows)
    return [cell for cell in cells if not is_blank(cell, Kind.TEXT)]


def _date_lines(grid: Grid, targets: Sequence[str]) -> Iterator[str]:
    """Yield the format of dates that are not ISO 8601, or the choice between several."""
    texts = [
        cell
        for place, target in enumerate(targets)
        if target == "started_at"
        for cell in _filled(grid, place)
        if isinstance(cell, str) and not _is_iso(cell)
    ]
    forms = fitting_formats(texts) if texts else []
    comment = f"  # such as {texts[0]}" if texts else ""
    for form in forms:
        yield f"{'' if len(forms) == 1 else '# '}dates = {_quoted(form)}{comment}"


def _is_iso(text: str) -> bool:
    try:
        to_time(text)
    except ValueError:
        return False
    return True


def _constant_lines(targets: Sequence[str]) -> Iterator[str]:
    """Yield a line for each column that the table lacks: the required ones and the laboratory."""
    held = {target.partition("[")[0] for target in targets}
    by_sensor = any("[" in target for target in targets)
    needed_names = (*REQUIRED, *UNLESS_PUBLISHED)
    for name in (*needed_names, "lab"):
        if name not in held and not (name == "sensor" and by_sensor):
            needed = "needed: " if name in needed_names else ""
            yield f'# {name} = ""  # {needed}{BY_NAME[name].meaning}'


def _word_lines(grid: Grid, targets: Sequence[str]) -> Iterator[str]:
    """Yield what words of a closed set may mean, to be filled in."""
    for place, target in enumerate(targets):
        choices = BY_NAME[target.partition("[")[0]].choices if target else ()
        known = {word_of(choice) for choice in choices}
        words = {word_of(cell): cell for cell in _filled(grid, place)} if choices else {}
        unknown = [str(cell) for word, cell in words.items() if word not in known]
        if unknown:
            yield from ("", f"[words.{target}]  # each is one of: {', '.join(choices)}")
            yield from (f'{_quoted(word)} = "{UNANSWERED}"' for word in unknown)


def _quoted(text: str) -> str:
    """Return a text as a TOML string, whose escapes are those of JSON."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
