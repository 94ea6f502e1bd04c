"""The firmware rule of each build of a job, and the sensor that it follows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from thermcmp.errors import Fault, InputError

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    import pandas as pd

    from thermcmp.physics.firmware import Firmware


@dataclass(frozen=True, slots=True, eq=False)
class Rule:
    """The firmware of a build; `follows` is the sensor of its fan, if not that of the margin."""

    firmware: Firmware
    follows: str | None


def rules_of(
    path: Path,
    builds: Iterable[str],
    rows: pd.DataFrame,
    *,
    sensor: str,
    duty: Path | None = None,
    cooler_id: str | None = None,
    decimal: str | None = None,
) -> dict[str, Rule]:
    """Read the rule of each build from a firmware table."""
    import thermcmp as tc
    from thermcmp.prediction.builds import split_name

    held = [str(name) for name in rows["sensor"].dropna().unique()]
    described = tc.read_firmware(path, duty=duty, cooler_id=cooler_id, decimal=decimal)
    rules, faults = {}, []
    for build in builds:
        name = split_name(rows, build)[1]
        if not name and len(described) == 1:
            (name,) = described
        firmware = described.get(name)
        if firmware is None:
            known = ", ".join(described)
            words = "this firmware is not in the table" if name else "the build names no firmware"
            fix = f"add its rows, or ask for a build under one of: {known}"
            faults.append(Fault(words, fix, path.name, None, "firmware", name or build))
            continue
        lead = firmware.control_sensor if firmware.follows_temperature else None
        if lead not in (None, *held):
            words = f"the fan of '{firmware.name}' follows a sensor without results"
            fix = f"import its readings, or name one of: {', '.join(sorted(held))}"
            faults.append(Fault(words, fix, path.name, None, "control_sensor", lead))
        rules[build] = Rule(firmware, None if lead == sensor else lead)
    if faults:
        raise InputError("The margin cannot be computed under these firmwares:", faults)
    return rules
