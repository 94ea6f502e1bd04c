"""What is known about logs, in the file of --columns: a map of headings, or any option."""

from __future__ import annotations

import tomllib
from dataclasses import fields
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
    """Return the options of a TOML file, with its protocol, or a JSON map of headings."""
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
    options = _with_tuples(written)
    columns, held = options.pop("columns", None), options.pop("protocol", None)
    Reading.of(columns, options)
    protocol = {} if held is None else {"protocol": _protocol(held, path)}
    return {"columns": columns, **options, **protocol}


def _with_tuples(written: dict[str, Any]) -> dict[str, Any]:
    """Return a table of TOML with tuples, as options are, in place of its lists."""
    return {name: tuple(v) if isinstance(v, list) else v for name, v in written.items()}


def _protocol(written: Any, path: Path) -> Any:
    """Return the protocol that a file's table of that name states."""
    import thermcmp as tc

    names = [f.name for f in fields(tc.Protocol)]
    title = "The protocol of the logs cannot be read:"
    if not isinstance(written, dict):
        fault = Fault("not a table", "write it under [protocol]", str(path), column="protocol")
        raise InputError(title, [fault])
    unknown = [name for name in written if name not in names]
    if unknown:
        fix = f"use one of: {', '.join(names)}"
        faults = [Fault("no such option of a protocol", fix, str(path), column=n) for n in unknown]
        raise InputError(title, faults)
    values = _with_tuples(written)
    for name in ("fan_rpm", "power_w", "ambient_c"):
        if isinstance(values.get(name), dict):
            try:
                values[name] = tc.Held(**values[name])
            except TypeError:
                fix = "write target and tolerance, as {target = 1500, tolerance = 30}"
                fault = Fault("not a held quantity", fix, str(path), column=name)
                raise InputError(title, [fault]) from None
    return tc.Protocol(**values)
