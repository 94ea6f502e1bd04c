"""The command line of ``python -m thermcmp``."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

from thermcmp._cli.job import DEMO_AFTER, DEMO_BEFORE, DEMO_BESIDE, DEMO_LIMIT_C, Job

_ABOUT = """\
Separates cooler, board, memory-vendor, assembly and firmware effects in cooling tests
of graphics cards, prints a verdict and writes one self-contained HTML report.
Without --library, --results or --logs it runs on an invented demo campaign."""

_CARE = """\
Exit codes: 0 done, 1 the fit failed its checks, a plug-in failed or a watched log never
was enough, 2 bad input. Stay with a card at load: its parts are hot and its fans turn.
Before you act on a verdict at the bench: power off, unplug, let it cool, and follow
the maker's service instructions."""


def read_options(arguments: Sequence[str] | None = None) -> Job:
    """Turn a command line into a job."""
    parser = argparse.ArgumentParser(
        prog="python -m thermcmp",
        description=_ABOUT,
        epilog=_CARE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    _add_data(parser)
    _add_questions(parser)
    parser.add_argument(
        "--seed", type=int, default=1, help="seed of everything random (default: %(default)s)"
    )
    parser.add_argument(
        "--draws", type=int, metavar="N", help="posterior draws of each fit: more for a bad health"
    )
    parser.add_argument(
        "--allow-bad-health",
        action="store_true",
        help="answer although a fit failed its checks; answers and page then say so",
    )
    options = parser.parse_args(arguments)
    if options.results is None and (options.columns or options.sheet):
        parser.error("--columns and --sheet have no effect without --results")
    if options.decimal and options.results is None and options.firmware is None:
        parser.error("--decimal has no effect without --results or --firmware")
    if options.logs is None and options.runs:
        parser.error("--runs has no effect without --logs")
    if options.logs is None and options.watch is None and options.log_columns:
        parser.error("--log-columns has no effect without --logs or --watch")
    if options.firmware is None and (options.duty or options.cooler_id):
        parser.error("--duty and --cooler-id have no effect without --firmware")
    if options.beside is not None:
        options.beside = tuple(options.beside)
    job = Job(**vars(options))
    asks_margin = job.is_demo or (job.limit_c is not None and any(job.builds))
    if job.firmware is not None and not asks_margin:
        parser.error("--firmware has no effect without --limit-c, and --before or --after")
    return job


def _add_data(parser: argparse.ArgumentParser) -> None:
    """Add the options for what to read and where to write."""
    data = parser.add_argument_group("data")
    data.add_argument("--library", metavar="PATH", help="your own library: a folder or a URL")
    data.add_argument("--results", type=Path, metavar="FILE", help="your own table, imported first")
    data.add_argument(
        "--columns", type=Path, metavar="JSON", help="maps the table's headings to schema names"
    )
    data.add_argument("--sheet", help="sheet of a workbook that has several")
    data.add_argument(
        "--decimal",
        choices=(".", ","),
        help="decimal mark of your tables, where their numbers do not prove it",
    )
    data.add_argument(
        "--inspect", type=Path, metavar="FILE", help="only show what an unknown log holds"
    )
    data.add_argument(
        "--watch", type=Path, metavar="LOG", help="only follow a growing log until it is enough"
    )
    data.add_argument(
        "--wanted-k",
        type=float,
        default=0.5,
        metavar="K",
        help="standard error at which the watched log is enough, K (default: %(default)s)",
    )
    data.add_argument(
        "--logs", type=Path, metavar="FOLDER", help="your own per-second logs, reduced first"
    )
    data.add_argument("--runs", type=Path, metavar="FILE", help="run sheet of the logs")
    data.add_argument(
        "--log-columns", type=Path, metavar="JSON", help="maps canonical names to log headings"
    )
    data.add_argument(
        "--out",
        type=Path,
        default=Path("thermcmp-out"),
        metavar="PATH",
        help="folder for the report (default: %(default)s)",
    )


def _add_questions(parser: argparse.ArgumentParser) -> None:
    """Add the options for the questions and their conditions."""
    group = parser.add_argument_group("questions")
    group.add_argument("--sensor", help="sensor to ask about (demo: memory)")
    group.add_argument(
        "--beside",
        nargs="+",
        metavar="SENSOR",
        help=f"further sensors to attribute the fix on (demo: {', '.join(DEMO_BESIDE)})",
    )
    for name, demo in (("--before", DEMO_BEFORE), ("--after", DEMO_AFTER)):
        group.add_argument(name, metavar="BUILD", help=f"'product / firmware' (demo: {demo})")
    group.add_argument(
        "--limit-c",
        type=float,
        metavar="C",
        help=f"highest allowed sensor temperature, °C (demo: {DEMO_LIMIT_C:g})",
    )
    group.add_argument(
        "--firmware",
        type=Path,
        metavar="FILE",
        help="table of what the firmwares do: in the margin the fan then answers warmer air",
    )
    group.add_argument(
        "--duty", type=Path, metavar="FILE", help="fan speed by duty, for curves stated in duty"
    )
    group.add_argument("--cooler-id", metavar="ID", help="which specimen of the duty table")
    numbers = (
        ("--case-air-c", "C", 35.0, "air at the cooler's intake in a warm case, °C"),
        ("--noise-dba", "DBA", 40.0, "sound level for the ranking, dB(A)"),
        ("--power-w", "W", 200.0, "board power for the ranking, W"),
        ("--ambient-c", "C", 21.0, "ambient for the ranking, °C"),
    )
    for name, unit, usual, meaning in numbers:
        group.add_argument(
            name, type=float, default=usual, metavar=unit, help=f"{meaning} (default: %(default)s)"
        )
