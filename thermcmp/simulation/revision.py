"""Plan of a revision study: one product's old and new parts, swapped."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product as combinations
from typing import Literal

import numpy as np

from thermcmp.errors import Fault, InputError
from thermcmp.simulation.builds import PlannedBuild
from thermcmp.simulation.run_plans import (
    VENDORS,
    RunPlan,
    choice_faults,
    count_faults,
    set_point_faults,
)
from thermcmp.simulation.scheduling import Visit, runs_in_order


@dataclass(frozen=True, slots=True, kw_only=True)
class RevisionStudy:
    """One product's old and new cooler and board, swapped.

    Each round has one bench assembly of every combination, all in one session, with
    the next specimens. A factory assembly of each shipped pair comes first, except in a
    later campaign with the same parts, since a teardown ended it.

    Attributes
    ----------
    remounts : int
        Bench assemblies per combination of models.
    specimens : int
        Specimens per part.
    vendors : {"aliased", "crossed"}
        Whether each board model has its own memory vendor, or both occur on both
        (then there are at least two boards per model, since a board has one).
    combinations : {"swap", "shipped"}
        All four combinations of cooler and board, or the two that ship.
    stock : {"all", "shipped", "none"}
        Stock runs of both firmwares on all hardware, of each firmware on the
        hardware that it ships with only, or none.
    fan_speeds_rpm : tuple of float
        Fixed fan speeds [rpm]; may be empty.
    equal_noise_dba : float, optional
        Level of one equal-noise run per assembly [dB(A)]; None for no such run.
    power_w : float
        Board power of all but the stock runs [W].
    sessions : int, optional
        Sessions over which the rounds are spread in turn; one per round by default.
    family : str
        First word of all names.
    earlier_rounds : int
        Rounds of an earlier campaign with the same parts, one per session; the numbers
        of assemblies and sessions continue from there.
    """

    remounts: int = 3
    specimens: int = 1
    vendors: Literal["aliased", "crossed"] = "aliased"
    combinations: Literal["swap", "shipped"] = "swap"
    stock: Literal["all", "shipped", "none"] = "all"
    fan_speeds_rpm: tuple[float, ...] = (1400.0, 1800.0, 2200.0)
    equal_noise_dba: float | None = 40.0
    power_w: float = 200.0
    sessions: int | None = None
    family: str = "Alder"
    earlier_rounds: int = 0

    def __post_init__(self) -> None:
        sessions = self.remounts if self.sessions is None else self.sessions
        faults = count_faults(remounts=self.remounts, specimens=self.specimens, sessions=sessions)
        faults += count_faults(0, earlier_rounds=self.earlier_rounds)
        faults += choice_faults("vendors", self.vendors, ("aliased", "crossed"))
        faults += choice_faults("combinations", self.combinations, ("swap", "shipped"))
        faults += choice_faults("stock", self.stock, ("all", "shipped", "none"))
        faults += set_point_faults(self.fan_speeds_rpm, self.equal_noise_dba, self.power_w)
        if not self.fan_speeds_rpm and self.equal_noise_dba is None and self.stock == "none":
            faults.append(Fault("there is no run", "give fan speeds, a level or stock runs"))
        if faults:
            raise InputError("This revision study cannot be planned:", faults)

    def plan(self, rng: np.random.Generator) -> RunPlan:
        """Plan the study.

        Parameters
        ----------
        rng : numpy.random.Generator
            Shuffles the assemblies within each session.

        Returns
        -------
        RunPlan
            The runs in order.
        """
        old, new = self._build(1), self._build(2)
        runs = runs_in_order(list(self._visits(old, new)), rng)
        return RunPlan(runs, (old, new), old, new)

    def _build(self, revision: int) -> PlannedBuild:
        return PlannedBuild(
            product=f"{self.family} r{revision}",
            cooler_model=f"{self.family}-C{revision}",
            board_model=f"{self.family}-B{revision}",
            firmware=f"fw {revision}",
            memory_vendor=VENDORS[revision - 1] if self.vendors == "aliased" else None,
        )

    def _visits(self, old: PlannedBuild, new: PlannedBuild) -> Iterator[Visit]:
        boards = max(self.specimens, 2) if self.vendors == "crossed" else self.specimens
        first = self.earlier_rounds
        for build in (old, new) if first == 0 else ():
            for k in range(self.specimens):
                yield self._visit(build, build, (k, k), "factory", 0)
        for k in range(first, first + self.remounts):
            # Board and cooler specimens advance at different rates, so that all pairs occur.
            specimens = ((k + k // boards) % self.specimens, k % boards)
            for cooler, board in combinations((old, new), repeat=2):
                if cooler is board or self.combinations == "swap":
                    yield self._visit(cooler, board, specimens, "bench", k)

    def _visit(
        self, cooler: PlannedBuild, board: PlannedBuild, specimens: tuple[int, int],
        kind: str, round_: int,
    ) -> Visit:  # fmt: skip
        shipped, earlier = cooler is board, self.earlier_rounds
        stock: tuple[str, ...] = ()
        if self.stock == "all":
            stock = ("fw 1", "fw 2")
        elif self.stock == "shipped" and shipped:
            stock = (board.firmware,)
        first = VENDORS.index(board.memory_vendor) if board.memory_vendor else specimens[1]
        return Visit(
            product=cooler.product if shipped else None,
            cooler_model=cooler.cooler_model,
            cooler_id=f"{cooler.cooler_model}-{specimens[0] + 1}",
            board_model=board.board_model,
            board_id=f"{board.board_model}-{specimens[1] + 1}",
            memory_vendor=VENDORS[first % 2],
            assembly_kind=kind,
            assembly_number=round_ + 1,
            session=earlier + (round_ - earlier) % (self.sessions or self.remounts),
            firmware=board.firmware,
            stock_firmware=stock,
            fan_speeds_rpm=self.fan_speeds_rpm,
            equal_noise_dba=self.equal_noise_dba,
            power_w=self.power_w,
        )
