"""``thermcmp`` and ``python -m thermcmp``: the command line."""

from __future__ import annotations

import sys
from collections.abc import Sequence

import click

from thermcmp._cli.app import app
from thermcmp._cli.terminal import in_command_words, log_hint, notes
from thermcmp.errors import EngineError, PluginError, ThermcmpError


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command and return its exit code."""
    try:
        with notes():
            return int(app.main(arguments, prog_name="thermcmp", standalone_mode=False) or 0)
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except click.Abort:
        return 1
    except (ThermcmpError, OSError) as error:
        text = str(error)
        click.echo(f"thermcmp: {in_command_words(text)}{log_hint(text)}", err=True)
        return 1 if isinstance(error, EngineError | PluginError) else 2


if __name__ == "__main__":
    sys.exit(main())
