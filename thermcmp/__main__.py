"""``python -m thermcmp``: the main job from the command line."""

from __future__ import annotations

import sys
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from thermcmp._cli.job import run_job, watched
from thermcmp._cli.options import read_options
from thermcmp.errors import EngineError, PluginError, ThermcmpError, ThermcmpWarning


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the main job and print its verdict."""
    job = read_options(arguments)
    try:
        if job.watch is not None:
            return 0 if watched(job, _show) else 1
        with _notes():
            lines = run_job(job, _progress)
    except (ThermcmpError, OSError) as error:
        print(f"thermcmp: {error}", file=sys.stderr)
        return 1 if isinstance(error, EngineError | PluginError) else 2
    print("\n".join(lines))
    return 0


def _show(line: str) -> None:
    """Print a line at once, as a watch goes on for long."""
    print(line, flush=True)


@contextmanager
def _notes() -> Iterator[None]:
    """Print the library's warnings as plain lines, without the place in the code."""
    caught: list[warnings.WarningMessage] = []
    try:
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always", ThermcmpWarning)
            yield
    finally:
        _print_notes(caught)


def _print_notes(caught: Sequence[warnings.WarningMessage]) -> None:
    # The fit checks again what was read: nothing is said twice.
    for warning in {str(warning.message): warning for warning in caught}.values():
        if issubclass(warning.category, ThermcmpWarning):
            print(f"Note: {warning.message}", file=sys.stderr)
        else:
            warnings.warn_explicit(
                warning.message, warning.category, warning.filename, warning.lineno
            )


@contextmanager
def _progress(step: str) -> Iterator[None]:
    """Show the step and its running time on the standard error stream."""
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    console = Console(stderr=True)
    if not console.is_terminal:
        print(f"{step} …", file=sys.stderr, flush=True)
        yield
        return
    columns = (SpinnerColumn(), TextColumn("{task.description}"), TimeElapsedColumn())
    with Progress(*columns, console=console) as progress:
        task = progress.add_task(step, total=1)
        yield
        progress.update(task, completed=1)


if __name__ == "__main__":
    sys.exit(main())
