"""Numbered runs in the order of testing, from assemblies on the bench in any order."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

LABS: Final = ("North lab", "South lab", "East lab", "West lab")
#: Runs per bench day, one every 45 minutes.
_RUNS_PER_DAY: Final = 12
_PARTS: Final = (
    "product", "cooler_model", "cooler_id", "board_model", "board_id",
    "memory_vendor", "assembly", "assembly_kind",
)  # fmt: skip
_FIRST_DAY: Final = pd.Timestamp("2031-03-03T08:00", tz="UTC")


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """Runs of one assembly in one session, without a teardown between them."""

    product: str | None
    cooler_model: str
    cooler_id: str
    board_model: str
    board_id: str
    memory_vendor: str
    assembly_kind: str
    assembly_number: int
    session: int
    firmware: str
    stock_firmware: tuple[str, ...]
    fan_speeds_rpm: tuple[float, ...]
    equal_noise_dba: float | None
    power_w: float
    benches: int = 2
    lab: int = 0

    @property
    def assembly(self) -> str:
        """Name of the assembly: the two specimens, and its number."""
        number = f" {self.assembly_number}" if self.assembly_kind == "bench" else ""
        return f"{self.cooler_id} on {self.board_id}, {self.assembly_kind}{number}"

    def runs(self) -> list[dict[str, Any]]:
        """Return the runs of the visit, fixed speeds first."""
        lab = lab_name(self.lab)
        parts: dict[str, Any] = {name: getattr(self, name) for name in _PARTS}
        parts |= {
            "lab": lab,
            "session": f"session {self.session + 1}{', ' + lab if self.lab else ''}",
            "bench": f"bench {chr(ord('A') + self.session % self.benches)}",
            "session_number": self.session,
        }
        fixed = parts | {"firmware": self.firmware, "set_power_w": self.power_w}
        runs = [
            fixed | {"fan_mode": "fixed", "set_fan_rpm": float(speed)}
            for speed in self.fan_speeds_rpm
        ]
        if self.equal_noise_dba is not None:
            runs.append(fixed | {"fan_mode": "equal noise", "set_noise_dba": self.equal_noise_dba})
        runs += [parts | {"firmware": name, "fan_mode": "stock"} for name in self.stock_firmware]
        return runs


def lab_name(index: int) -> str:
    """Return the name of a lab; a number where the names run out."""
    return LABS[index] if index < len(LABS) else f"lab {index + 1}"


def runs_in_order(visits: list[Visit], rng: np.random.Generator) -> pd.DataFrame:
    """Return the numbered runs of visits.

    Within a session the assemblies are in random order, factory assemblies first, since
    a teardown ends them.
    """
    shuffled = [visits[i] for i in rng.permutation(len(visits))]
    shuffled.sort(key=lambda v: (v.lab, v.session, v.assembly_kind != "factory"))
    return numbered(pd.DataFrame([run for visit in shuffled for run in visit.runs()]))


def numbered(runs: pd.DataFrame) -> pd.DataFrame:
    """Return the runs with numbers and start times, lab by lab."""
    runs = runs.reset_index(drop=True)
    for name in ("set_fan_rpm", "set_power_w", "set_noise_dba"):
        if name not in runs:
            runs[name] = np.nan
    place = runs.groupby("lab", sort=False).cumcount()
    width = max(3, len(str(len(runs))))
    runs["run"] = [f"R{number + 1:0{width}d}" for number in place]
    # Twelve runs a day; each session starts on a new day.
    in_session = runs.groupby(["lab", "session_number"], sort=False).cumcount()
    days = (in_session // _RUNS_PER_DAY).to_numpy()
    longest = pd.Series(days).groupby(runs["session_number"]).max() + 1
    first_day = longest.cumsum().shift(fill_value=0)
    days = days + runs["session_number"].map(first_day).to_numpy()
    minutes = (in_session % _RUNS_PER_DAY).to_numpy() * 45
    times = _FIRST_DAY + pd.to_timedelta(days * 1440 + minutes, unit="min")
    runs["started_at"] = pd.Series(times, index=runs.index).astype("datetime64[us, UTC]")
    return runs
