"""What is known about logs, in the file of --columns: a map of headings, or any option."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import click

from thermcmp._cli.option_groups import FILE
from thermcmp.errors import Fault, InputError

log_columns = click.option(
    "--columns", type=FILE, metavar="FILE",
    help="Map of the log's headings (JSON), or with it what else is known (TOML).",
)  # fmt: skip


def log_options(path: Path | None) -> dict[str, Any]:
    """Return the options of `read_telemetry` that a TOML file has, or a JSON map of headings."""
    from thermcmp.results.reading_guide import read_guide
    from thermcmp.telemetry.reading.options import Reading

    if path is None:
        return {}
    if path.suffix.lower() != ".toml" or not path.is_file():
        return read_guide(path)
    try:
        written = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except ValueError as error:
        fault = Fault(f"no valid TOML: {error}", "write it as TOML", str(path))
        raise InputError("The options of the logs cannot be read:", [fault]) from None
    options: dict[str, Any] = {
        name: tuple(v) if isinstance(v, list) else v for name, v in written.items()
    }
    columns = options.pop("columns", None)
    Reading.of(columns, options)
    return {"columns": columns, **options}
