"""What a command shows: results, steps with their time, notes, and errors in its own words."""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final

import click

from thermcmp.errors import ThermcmpWarning, visible

#: The library's cures speak of arguments in Python; here they are options and commands.
_CURES: Final = tuple(
    (re.compile(pattern), words)
    for pattern, words in (
        (r"\bwords=\{'(\w+)': \{'([^']*)': '([^']*)'\}\}", r'--word "\1: \2 = \3"'),
        (
            r"\bcolumns=\{'your heading': '([^']*)', …\}",
            r'"your heading" = "\1" in a --columns file',
        ),
        (r"\bcolumns=(?=\{)", "--columns "),
        (
            r"\bProtocol\(((?:[^()]|\([^()]*\))*)\)",
            r"\1 under [protocol] in a TOML file for --columns",
        ),
        (r"\bdecimal=\{[^}]*\}", "--decimal"),
        (r"\bfill_merged=True\b", "--fill-merged"),
        (r"\bfill_merged=False\b", "--no-fill-merged"),
        (r" \(--draws, --allow-bad-health\)", ""),
        (r"\b(?:pass )?allow_(bad_health|prior)=True\b", r"--allow-\1"),
        (r"--allow-bad_health", "--allow-bad-health"),
        (r"\bcheck_fit\(fit, refits=…\)", "'thermcmp check --refits N'"),
        (r"\bon_damage='skip' reads the rest", "'thermcmp verify --repair' sets it aside"),
        (r"\b(?:use )?supersede\(frame, reason\)", "use 'thermcmp correct'"),
        (r"\bstate fan_rpm and power_w\b", "state --fan-rpm and --power-w"),
        (r"\brepair\(\)", "'thermcmp verify --repair'"),
        (r"\bstate what differs by reduce_logs", "correct the run sheet"),
        (r"\bgive a file written by Fit\.save\b", "give a file of 'thermcmp fit --save'"),
        (r"\bsee fit\.(?:priors\.table|diagnostics)", "see 'thermcmp check'"),
        (r", or give a Build\(…\)|; or give a Build\(…\)", ""),
        (r" \(see the error's \.faults\)", " (--faults FILE lists all)"),
    )
)
_OPTION: Final = re.compile(
    r"\b(ambient_c|bad_rows|case_rise_k|columns|cooler_id|dates|decimal|draws|duty|engine|fan_rpm|"
    r"firmware|header_row|lab|limit_c|mic_distance_m|noise_dba|power_w|seed|sensor|sheet)= ?"
    r"(?=(?P<value>[\w'\[])?)"
)
#: What a command takes about logs from a file alone.
_LOG_OPTION: Final = re.compile(
    r"\b(?:delimiter|encoding|header_line|missing|one_device|period_s|skip_bad_lines|skip_bad_times|time_format|"
    r"time_unit|units|zone)="
)
_IN_FILE: Final = (
    "\nWhat is known about logs stands in a TOML file for --columns, in the form: period_s = 1"
)


def in_command_words(text: str) -> str:
    """Return a message of the library with its cures as options and commands."""
    for pattern, words in _CURES:
        text = pattern.sub(words, text)
    return _OPTION.sub(
        lambda found: f"--{found[1].replace('_', '-')}{' ' if found['value'] else ''}", text
    )


def log_hint(text: str) -> str:
    """Return where options of logs stand, after a message that asks for one."""
    return _IN_FILE if _LOG_OPTION.search(text) else ""


def say(text: str) -> None:
    """Print what a command answers."""
    click.echo(visible(in_command_words(text), keep="\n\t"))


@contextmanager
def notes() -> Iterator[None]:
    """Print the library's warnings as plain lines, each once, without the place in the code."""
    said: set[str] = set()
    with warnings.catch_warnings():
        warnings.simplefilter("always", ThermcmpWarning)
        usual = warnings.showwarning

        def show(message: Any, category: type[Warning], *place: Any, **more: Any) -> None:
            if not issubclass(category, ThermcmpWarning):
                usual(message, category, *place, **more)
            # The fit checks again what was read: nothing is said twice.
            elif str(message) not in said:
                said.add(str(message))
                click.echo(f"Note: {in_command_words(str(message))}", err=True)

        warnings.showwarning = show
        yield


@contextmanager
def progress(step: str) -> Iterator[None]:
    """Show the step and its running time on the standard error stream."""
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    console = Console(stderr=True)
    if not console.is_terminal:
        click.echo(f"{step} …", err=True)
        yield
        return
    columns = (SpinnerColumn(), TextColumn("{task.description}"), TimeElapsedColumn())
    with Progress(*columns, console=console) as shown:
        task = shown.add_task(step, total=1)
        yield
        shown.update(task, completed=1)
