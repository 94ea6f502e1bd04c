"""Commands that bring results into a library, correct them and look after them."""

from __future__ import annotations

import csv
import warnings
from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from thermcmp._cli.log_options import log_options
from thermcmp._cli.option_groups import FILE, collected, library_option, opened, pairs_of
from thermcmp._cli.terminal import in_command_words, log_hint, progress, say
from thermcmp.errors import Fault, InputError, visible

if TYPE_CHECKING:
    import pandas as pd

    from thermcmp.library.store import Library


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """How a table is read; the options of `read_results`."""

    columns: Path | None
    word: tuple[str, ...]
    constant: tuple[str, ...]
    dates: tuple[str, ...]
    decimal: tuple[str, ...]
    sheet: str | None
    header_row: int | None
    fill_merged: bool | None
    bad_rows: str
    faults: Path | None

    def options(self) -> dict[str, Any]:
        """Return the options as `read_results` takes them; None where not stated."""
        words: dict[str, dict[str, str]] = {}
        for name, meant in pairs_of(self.word, "--word"):
            column, _, word = name.partition(":")
            words.setdefault(column.strip(), {})[word.strip()] = meant
        marks = {mark for mark in self.decimal if mark in (".", ",")}
        by_column = dict(
            pairs_of([mark for mark in self.decimal if mark not in marks], "--decimal")
        )
        return {
            "columns": self.columns,
            "words": words or None,
            "constants": dict(pairs_of(self.constant, "--constant")) or None,
            "dates": self.dates or None,
            "decimal": by_column or next(iter(marks), None),
            "sheet": self.sheet,
            "header_row": self.header_row,
            "fill_merged": self.fill_merged,
            "bad_rows": self.bad_rows,
        }

    def rows(self, table: Path, library: Library) -> pd.DataFrame:
        """Read a table; names that may be slips are asked about before the library holds them.

        Raises
        ------
        InputError
            With every fault and question, which also go to the file of faults.
        """
        import thermcmp as tc
        from thermcmp.results.near_names import NearNamesWarning

        faults: list[Fault] = []
        message, rows = f"The table {table.name} has names to be asked about first:", None
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            try:
                rows = tc.read_results(existing(table), known=library.results(), **self.options())
            except InputError as error:
                message, faults = str(error).splitlines()[0], list(error.faults)
        for said in caught:
            if isinstance(said.message, NearNamesWarning):
                faults.append(said.message.fault)
            else:
                warnings.warn(said.message, said.category, stacklevel=2)
        self._write(faults if rows is None or faults else rows.attrs.get("skipped", []))
        if faults or rows is None:
            raise InputError(message, faults)
        return rows

    def _write(self, faults: Iterable[Fault | dict[str, Any]]) -> None:
        """Write what was wrong to the file of faults, a row for each."""
        if self.faults is None:
            return
        heads = ("kind", "cell", *(part.name for part in fields(Fault)))
        with self.faults.open("w", newline="", encoding="utf-8-sig") as file:
            writer = csv.DictWriter(file, heads)
            writer.writeheader()
            for stated in faults:
                fault = stated if isinstance(stated, Fault) else Fault(**stated)
                cell = fault.cell if fault.row is not None else ""
                fix = in_command_words(fault.fix)
                writer.writerow({**asdict(fault), "kind": fault.kind, "cell": cell, "fix": fix})


reading_options = collected(
    Reading,
    (
        click.option(
            "--columns", type=FILE, metavar="FILE",
            help="Map of your headings, as 'thermcmp columns' writes it (TOML), or JSON.",
        ),
        click.option(
            "--word", multiple=True, metavar="COLUMN:WORD=MEANT",
            help="What a word means: 'assembly_kind: remounted = bench'; may be repeated.",
        ),
        click.option(
            "--constant", multiple=True, metavar="COLUMN=VALUE", help="What the table does not say."
        ),
        click.option(
            "--dates", multiple=True, metavar="FORMAT", help="Format of dates: '%d.%m.%Y %H:%M'."
        ),
        click.option(
            "--decimal", multiple=True, metavar="MARK", help="Decimal mark: ',' or 'HEADING=,'."
        ),
        click.option("--sheet", help="Sheet of a workbook that has several."),
        click.option("--header-row", type=int, metavar="ROW", help="Row of the headings."),
        click.option(
            "--fill-merged/--no-fill-merged", default=None,
            help="The value of merged cells holds for all of them, or for the first alone.",
        ),
        click.option(
            "--bad-rows", type=click.Choice(["refuse", "skip"]), default="refuse",
            show_default=True, help="Whether bad rows refuse the table or are left out.",
        ),
        click.option("--faults", type=FILE, metavar="FILE", help="Write every fault to this CSV."),
    ),
)  # fmt: skip


def existing(path: Path) -> Path:
    """Return a path that is a file."""
    if not path.is_file():
        fault = Fault("no such file", "give the path of a table", file=str(path))
        raise InputError("The table cannot be read:", [fault])
    return path


@click.command("columns")
@click.argument("table", type=FILE)
@click.option("--sheet", help="Sheet of a workbook that has several.")
@click.option("--header-row", type=int, metavar="ROW", help="Row of the headings.")
@click.option("--out", type=FILE, metavar="FILE", help="Where to write; TABLE.toml by default.")
@click.option("--overwrite", is_flag=True, help="Replace the file if it is there.")
def columns_command(
    table: Path, sheet: str | None, header_row: int | None, out: Path | None, overwrite: bool
) -> None:
    """Write a map of TABLE's headings, words and dates for you to look through and edit."""
    from thermcmp.results.column_template import column_template

    out = out or Path(table.stem + ".toml")
    if out.exists() and not overwrite:
        raise click.UsageError(f"{out} is there already: give --overwrite, or another --out")
    text = column_template(existing(table), sheet, header_row, out.name)
    out.write_text(text, encoding="utf-8")
    click.echo(f"Written: {out}. Look through it, then: ", nl=False)
    click.echo(f"thermcmp import {table} --columns {out} --library bench")


@click.command("import")
@click.argument("source", type=FILE)
@library_option
@reading_options
@click.option("--runs", type=FILE, metavar="FILE", help="Run sheet, where SOURCE is a log folder.")
@click.option(
    "--split-by",
    metavar="NAME",
    help="Make runs of the parts of each log: a set point's heading, 'gap' or 'device'.",
)
def import_command(
    reading: Reading, source: Path, library: str | None, runs: Path | None, split_by: str | None
) -> None:
    """Import SOURCE: a table of results, or a folder of per-second logs with --runs."""
    lab = opened(library, is_new=True)
    if source.is_dir():
        reduced = reduce_folder(source, runs, reading.columns, split_by)
        rows = reduced.results
        for record in reduced.refused.to_dict("records"):
            run = f", run {record['run']}" if record["run"] else ""
            say(f"Refused: {visible(record['file'])}{visible(run)}: {visible(record['reason'])}")
        if hint := log_hint(" ".join(reduced.refused["reason"])):
            say(hint.strip())
        for note, logs in reduced.notes.groupby("note", sort=False)["file"].unique().items():
            more = f" and {len(logs) - 1} more" if len(logs) > 1 else ""
            say(f"Note: {visible(logs[0])}{more}: {visible(note)}")
    else:
        with progress(f"Reading {source.name}"):
            rows = reading.rows(source, lab)
    receipt = lab.add(rows, source=source.name)
    click.echo(
        f"{receipt.new} rows of {rows['run'].nunique()} runs were added to {library}, "
        f"{receipt.known} were there already."
    )


def reduce_folder(
    logs: Path, runs: Path | None, columns: Path | None, split_by: str | None = None
) -> Any:
    """Reduce a folder of logs; it is an error if none of them can be used."""
    import thermcmp as tc
    from thermcmp.telemetry.campaign.worker import all_refused

    if runs is None:
        fault = Fault("no run sheet", "give --runs with a table of the runs", file=str(logs))
        raise InputError("The logs cannot be reduced:", [fault])
    known = log_options(columns) | ({"split_by": split_by} if split_by else {})
    with progress("Reducing the logs"):
        reduced = tc.reduce_logs(logs, existing(runs), progress=False, **known)
    if reduced.results.empty:
        raise all_refused(reduced.refused)
    return reduced


@click.command("correct")
@click.argument("table", type=FILE)
@click.option("--reason", required=True, help="Why; kept in the history.")
@library_option
@reading_options
def correct_command(reading: Reading, table: Path, reason: str, library: str | None) -> None:
    """Replace rows of the library by the rows of TABLE with the same run and sensor."""
    lab = opened(library)
    receipt = lab.supersede(reading.rows(table, lab), reason)
    click.echo(f"{receipt.new} rows were corrected, {receipt.known} held these values already.")


@click.command("withdraw")
@click.argument("runs", nargs=-1, required=True)
@click.option("--reason", required=True, help="Why; kept in the history.")
@click.option("--lab", help="The laboratory, where several have a run of this name.")
@library_option
def withdraw_command(
    runs: tuple[str, ...], reason: str, lab: str | None, library: str | None
) -> None:
    """Take RUNS out of every comparison; their rows stay on record."""
    import thermcmp as tc

    receipt = tc.withdraw(opened(library), runs, reason, lab=lab)
    click.echo(f"{receipt.new} rows were withdrawn, {receipt.known} had been already.")


@click.command("history")
@click.option("--run", "run_", metavar="RUN", help="Only this run.")
@click.option("--csv", "path", type=FILE, metavar="FILE", help="Write all columns to this file.")
@library_option
def history_command(run_: str | None, path: Path | None, library: str | None) -> None:
    """List every row ever stored, with import, correction and reason."""
    rows = opened(library).history()
    if run_ is not None:
        rows = rows[rows["run"] == run_]
    if path is not None:
        rows.to_csv(path, index=False)
    names = [
        "imported_at",
        "in_effect",
        "lab",
        "run",
        "sensor",
        "temperature_c",
        "source",
        "reason",
    ]
    shown = rows[names].assign(imported_at=rows["imported_at"].dt.strftime("%Y-%m-%d %H:%M"))
    say(shown.to_string(index=False, na_rep="–") if len(rows) else "No rows.")


@click.command("verify")
@click.option("--repair", is_flag=True, help="Set damaged files aside, so that the rest is used.")
@library_option
@click.pass_context
def verify_command(context: click.Context, repair: bool, library: str | None) -> None:
    """Check every file of the library; exit code 1 if one is damaged."""
    lab = opened(library)
    damages = lab.repair() if repair else lab.verify()
    for damage in damages:
        say(str(damage))
    click.echo("The library is sound." if not damages else f"Damaged: {len(damages)}.")
    context.exit(1 if damages and not repair else 0)
