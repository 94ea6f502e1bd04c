"""Plan of a comparison of products over sessions and benches."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from thermcmp.errors import Fault, InputError
from thermcmp.simulation.builds import PlannedBuild
from thermcmp.simulation.run_plans import VENDORS, RunPlan, count_faults, set_point_faults
from thermcmp.simulation.scheduling import Visit, runs_in_order

#: Invented products, named after trees.
_PEERS: Final = (
    "Birch", "Hazel", "Hornbeam", "Larch", "Linden", "Maple", "Rowan", "Osier",
    "Spindle", "Medlar", "Whitebeam", "Blackthorn", "Privet", "Quince", "Elder", "Yew",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Peers:
    """Products compared with one another, over sessions and benches.

    The first specimen of each product is run as shipped in the first session and
    remounted in the following ones; every further specimen stays as shipped and is
    run in two sessions, which connects the sessions.

    Attributes
    ----------
    products : int
        Number of products.
    specimens : tuple of int
        Specimens per product, used in turn; one number holds for all.
    remounts : int
        Bench assemblies of each product's first specimen; may be 0.
    sessions, benches, labs : int
        Sessions in each lab, benches in each lab (used in turn), labs.
    fan_speeds_rpm : tuple of float
        Fixed fan speeds [rpm]; may be empty.
    equal_noise_dba : float, optional
        Level of one equal-noise run per visit [dB(A)]; None for no such run.
    power_w : float
        Board power of all but the stock runs [W].
    vendors : tuple of str
        Memory vendors, assigned to the board specimens in turn.
    """

    products: int = 8
    specimens: tuple[int, ...] | int = (2, 1, 3, 1, 4, 2, 2)
    remounts: int = 2
    sessions: int = 3
    benches: int = 2
    labs: int = 1
    fan_speeds_rpm: tuple[float, ...] = (1400.0, 1800.0, 2200.0)
    equal_noise_dba: float | None = 40.0
    power_w: float = 200.0
    vendors: tuple[str, ...] = VENDORS

    def __post_init__(self) -> None:
        faults = count_faults(
            products=self.products, sessions=self.sessions, benches=self.benches, labs=self.labs
        )
        faults += count_faults(least=0, remounts=self.remounts)
        for count in self._specimens or (0,):
            faults += count_faults(specimens=count)
        faults += set_point_faults(self.fan_speeds_rpm, self.equal_noise_dba, self.power_w)
        if not self.vendors:
            faults.append(Fault("there is no vendor", "give at least one", column="vendors"))
        if faults:
            raise InputError("This comparison of products cannot be planned:", faults)

    @property
    def _specimens(self) -> tuple[int, ...]:
        return self.specimens if isinstance(self.specimens, tuple) else (self.specimens,)

    def plan(self, rng: np.random.Generator) -> RunPlan:
        """Plan the comparison.

        Parameters
        ----------
        rng : numpy.random.Generator
            Shuffles the assemblies within each session.

        Returns
        -------
        RunPlan
            The runs in order.
        """
        builds = tuple(self._build(k) for k in range(self.products))
        visits = [v for k, build in enumerate(builds) for v in self._visits(k, build)]
        return RunPlan(runs_in_order(visits, rng), builds)

    def _build(self, index: int) -> PlannedBuild:
        again, place = divmod(index, len(_PEERS))
        name = _PEERS[place] + (f" {again + 1}" if again else "")
        return PlannedBuild(
            product=name, cooler_model=f"{name}-C", board_model=f"{name}-B", firmware=f"{name} fw"
        )

    def _visits(self, index: int, build: PlannedBuild) -> Iterator[Visit]:
        yield self._visit(index, build, 0, "factory", (1, 0))
        for r in range(self.remounts):
            spread_out = (r + 1) * self.sessions // (self.remounts + 1)
            yield self._visit(index, build, 0, "bench", (r + 1, spread_out))
        for k in range(1, self._specimens[index % len(self._specimens)]):
            first = index + k
            for session in sorted({first % self.sessions, (first + 1) % self.sessions}):
                yield self._visit(index, build, k, "factory", (1, session))

    def _visit(
        self, index: int, build: PlannedBuild, specimen: int, kind: str, when: tuple[int, int]
    ) -> Visit:
        return Visit(
            product=build.product,
            cooler_model=build.cooler_model,
            cooler_id=f"{build.cooler_model}-{specimen + 1}",
            board_model=build.board_model,
            board_id=f"{build.board_model}-{specimen + 1}",
            memory_vendor=self.vendors[(index + specimen) % len(self.vendors)],
            assembly_kind=kind,
            assembly_number=when[0],
            session=when[1],
            benches=self.benches,
            lab=specimen % self.labs,
            firmware=build.firmware,
            stock_firmware=(build.firmware,),
            fan_speeds_rpm=self.fan_speeds_rpm,
            equal_noise_dba=self.equal_noise_dba,
            power_w=self.power_w,
        )
