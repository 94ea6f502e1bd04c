"""The options about plug-ins: list them, or leave some out of this run."""

from __future__ import annotations

import argparse
import os
import sys
from typing import Any, Final

_DISABLED: Final = "THERMCMP_DISABLE_PLUGINS"


def add_plugin_options(parser: argparse.ArgumentParser) -> None:
    """Add the options; none of them is part of the job."""
    group = parser.add_argument_group("plug-ins")
    group.add_argument("--plugins", action=_List, help="only list the plug-ins and their state")
    group.add_argument(
        "--no-plugin", action=_LeaveOut, metavar="NAME", help="leave an installed plug-in out"
    )


class _List(argparse.Action):
    """Print the plug-ins, and end as ``--help`` does."""

    def __init__(self, option_strings: list[str], dest: str, **options: Any) -> None:
        super().__init__(option_strings, argparse.SUPPRESS, nargs=0, **options)

    def __call__(self, parser: argparse.ArgumentParser, *_: Any) -> None:
        sys.stdout.write(plugin_table() + "\n")
        parser.exit()


class _LeaveOut(argparse.Action):
    """Add a name to those that the environment disables."""

    def __init__(self, option_strings: list[str], dest: str, **options: Any) -> None:
        super().__init__(option_strings, dest, default=argparse.SUPPRESS, **options)

    def __call__(
        self, parser: argparse.ArgumentParser, namespace: Any, value: Any, *_: Any
    ) -> None:
        os.environ[_DISABLED] = ",".join(filter(None, (os.environ.get(_DISABLED), value)))


def plugin_table() -> str:
    """Return name, version, origin, state, hooks and reason of each plug-in as text."""
    import thermcmp as tc

    heads = ("name", "version", "origin", "state", "hooks")
    lines = [
        (r.name, r.version, r.origin, str(r.status), ", ".join(r.hooks), r.error)
        for r in tc.plugins()
    ]
    widths = [max(len(line[i]) for line in (heads, *lines)) for i in range(len(heads))]
    shown = []
    for *cells, reason in ((*heads, ""), *lines):
        row = "  ".join(text.ljust(width) for text, width in zip(cells, widths, strict=True))
        shown += [row.rstrip(), *([f"  {reason}"] if reason else [])]
    return "\n".join(shown)
