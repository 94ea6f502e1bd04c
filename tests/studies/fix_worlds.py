"""Worlds of fix studies: two cards of known thermal network, run and read by imperfect instruments.

Nothing here is shared with the library, neither a formula nor an import. A card is a network of
resistances with two sources of heat, the processor and the memory:

    air --(base + convection)-- sink --(die)-- processor
                                 sink --(vendor + pad + assembly)-- memory
                                 processor --(board)-- memory

The processor takes what board power the memory leaves; memory heat has its own law. A fan that
follows a curve is iterated in time until the memory's temperature stands. The true parts of a
fix are averages over all orders of change of the noiseless network.
"""

from dataclasses import dataclass, field, replace
from itertools import permutations

import numpy as np
import pandas as pd

SPEED_RPM, AMBIENT_C = 1800.0, 21.0
#: Board power at which memory heat is stated, and its share of it.
POWER_W, MEMORY_SHARE = 200.0, 0.2
DIE_K_PER_W, BOARD_K_PER_W = 0.08, 4.0
FAN_RANGE_RPM = (500.0, 4500.0)
#: A bench assembly beside a factory one, and the spread of assemblies [K per W of memory heat].
BENCH_K_PER_W, ASSEMBLY_K_PER_W = 0.01, 0.015
#: Relative spread of every resistance from study to study.
RESISTANCE_SPREAD = 0.08
PARTS = ("hardware", "fan speed", "power", "direct")
OLD, NEW = "Alder r1 / fw 1", "Alder r2 / fw 2"


@dataclass(frozen=True)
class Hardware:
    """Cooler and board of a card; convection is stated at 1800 rpm."""

    pad_k_per_w: float
    vendor_k_per_w: float
    convection_k_per_w: float
    base_k_per_w: float = 0.02
    exponent: float = 0.7


@dataclass(frozen=True)
class Firmware:
    """Power limit and fan: a set speed, or a curve through that speed at `curve_at_c`."""

    fan_rpm: float
    power_w: float
    curve_rpm_per_k: float = 0.0
    curve_at_c: float = 0.0
    #: Memory heat under this firmware over that under the old one (voltages, timings).
    memory_heat: float = 1.0


@dataclass(frozen=True)
class Run:
    """What a run holds: the firmware's own speed and power where nothing is stated."""

    crossed: bool = False
    fan_rpm: float | None = None
    power_w: float | None = None


@dataclass(frozen=True)
class Instruments:
    """Relative scatter per run and relative gain shared by all runs; thermometers in K."""

    tachometer_scatter: float = 0.003
    tachometer_gain: float = 1.0
    wattmeter_scatter: float = 0.003
    wattmeter_gain: float = 1.0
    ambient_noise_k: float = 0.05
    session_offset_k: float = 0.2
    sensor_noise_k: float = 0.05
    step_k: float = 0.1


STOCK = 8 * (Run(),)
SET_1500, SET_2100 = Run(fan_rpm=1500.0), Run(fan_rpm=2100.0)
#: Both firmwares on both cards, and both fan speeds set by hand.
CROSSED = 2 * (Run(), Run(crossed=True), SET_1500, SET_2100)
#: Stock runs, and both fan speeds set by hand.
BESIDE_STOCK = 2 * (Run(), Run(), SET_1500, SET_2100)
#: Both fan speeds set by hand, each card under its own firmware only.
TWO_SPEEDS = 2 * (Run(), SET_1500, SET_2100, Run(fan_rpm=1800.0))
ONE_SPEED = 4 * (Run(), SET_1500)
AT_240_W, AT_180_W = (Run(fan_rpm=1800.0, power_w=power_w) for power_w in (240.0, 180.0))
TWO_POWERS = (Run(), SET_1500, AT_240_W, AT_180_W, Run(crossed=True), SET_2100, AT_240_W, AT_180_W)


@dataclass(frozen=True)
class World:
    """Hardware, firmware and runs of the old and the new card, and what wanders."""

    old: Hardware = Hardware(pad_k_per_w=0.45, vendor_k_per_w=0.10, convection_k_per_w=0.21)
    new: Hardware = Hardware(pad_k_per_w=0.30, vendor_k_per_w=0.065, convection_k_per_w=0.185)
    old_firmware: Firmware = Firmware(fan_rpm=1500.0, power_w=215.0)
    new_firmware: Firmware = Firmware(fan_rpm=2100.0, power_w=205.0)
    old_runs: tuple[Run, ...] = CROSSED
    new_runs: tuple[Run, ...] = CROSSED
    #: Bench assemblies of each cooler on the other card's board, beside the card's own.
    swaps: int = 0
    #: Share of the memory's heat that follows board power; the rest is constant.
    memory_follows: float = 1.0
    ambient_scatter_k: float = 0.5
    run_scatter_k: float = 0.25
    fan_wander: float = 0.003
    power_wander: float = 0.007
    instruments: Instruments = field(default_factory=Instruments)

    @property
    def cards(self):
        return (self.old, self.old_firmware), (self.new, self.new_firmware)


OWN = World()
CURVES = replace(
    OWN,
    old_firmware=Firmware(1500.0, 215.0, curve_rpm_per_k=30.0, curve_at_c=100.0),
    new_firmware=Firmware(2100.0, 205.0, curve_rpm_per_k=30.0, curve_at_c=74.0),
    old_runs=STOCK,
    new_runs=STOCK,
)
LARGE_POWER_STEP = replace(
    OWN,
    memory_follows=0.0,
    old_firmware=Firmware(1500.0, 240.0),
    new_firmware=Firmware(2100.0, 180.0),
)
DIRECT = replace(OWN, new_firmware=Firmware(2100.0, 205.0, memory_heat=0.83))
WORLDS = {
    "own: the model's own world, all corners and swaps": replace(OWN, swaps=1),
    "a: stock runs only, tachometer scatter 1 %": replace(
        OWN, old_runs=STOCK, new_runs=STOCK, instruments=Instruments(tachometer_scatter=0.01)
    ),
    "b1: stock runs on curves of 30 rpm/K, ambient scatter 0.3 K": replace(
        CURVES, ambient_scatter_k=0.3
    ),
    "b2: stock runs on curves of 30 rpm/K, ambient scatter 1 K": replace(
        CURVES, ambient_scatter_k=1.0
    ),
    "b3: fixed speeds beside curves of 30 rpm/K, ambient scatter 0.3 K": replace(
        CURVES, ambient_scatter_k=0.3, old_runs=BESIDE_STOCK, new_runs=BESIDE_STOCK
    ),
    "b4: fixed speeds beside curves of 30 rpm/K, ambient scatter 1 K": replace(
        CURVES, ambient_scatter_k=1.0, old_runs=BESIDE_STOCK, new_runs=BESIDE_STOCK
    ),
    "c1: constant memory heat, 215 to 200 W": replace(
        OWN, memory_follows=0.0, new_firmware=Firmware(2100.0, 200.0)
    ),
    "c2: constant memory heat, 240 to 180 W": LARGE_POWER_STEP,
    "d: exponents 0.4 and 0.9, only the old card at several speeds": replace(
        OWN,
        old=replace(OWN.old, exponent=0.4),
        new=replace(OWN.new, exponent=0.9),
        old_runs=TWO_SPEEDS,
        new_runs=STOCK,
    ),
    "e: convection 0.05 and 0.40 K/W, the old card at one speed": replace(
        OWN,
        old=replace(OWN.old, base_k_per_w=0.45, convection_k_per_w=0.05),
        new=replace(OWN.new, convection_k_per_w=0.40),
        old_firmware=Firmware(1500.0, 130.0),
        new_firmware=Firmware(2100.0, 125.0),
        old_runs=ONE_SPEED,
        new_runs=TWO_SPEEDS,
    ),
    "f1: firmware acts directly by 3 K, all corners": DIRECT,
    "f2: firmware acts directly by 3 K, fixed speeds only": replace(
        DIRECT, old_runs=TWO_SPEEDS, new_runs=TWO_SPEEDS
    ),
    "g: constant memory heat, two powers run by hand": replace(
        LARGE_POWER_STEP, old_runs=TWO_POWERS, new_runs=TWO_POWERS
    ),
    "h: wattmeter gain off by 3 %, tachometer gain off by 2 %": replace(
        OWN, instruments=Instruments(wattmeter_gain=1.03, tachometer_gain=0.98)
    ),
    "i: stock runs only, fan wanders by 4 % and is measured well": replace(
        OWN,
        old_runs=STOCK,
        new_runs=STOCK,
        fan_wander=0.04,
        instruments=Instruments(tachometer_scatter=0.001),
    ),
}


@dataclass(frozen=True)
class Study:
    """One study: rows in the columns of a results table, and the true parts [K]."""

    rows: pd.DataFrame
    true_k: dict[str, float]


def study(world, seed):
    """Draw one study of a world: 1 to 3 assemblies a card, by the seed."""
    rng = np.random.default_rng([seed, 20])
    world = _drawn(world, rng)
    tests = _tests(world, assemblies=1 + seed % 3, rng=rng)
    return Study(_read(world, tests, rng), true_parts(world))


def rise_k(hardware, fan_rpm, processor_w, memory_w, assembly_k_per_w=0.0):
    """Memory temperature over ambient by nodal analysis: sink, processor, memory; shape (n,)."""
    fan_rpm, processor_w, memory_w, assembly_k_per_w = np.broadcast_arrays(
        *np.atleast_1d(fan_rpm, processor_w, memory_w, assembly_k_per_w)
    )
    convection = hardware.convection_k_per_w * (SPEED_RPM / fan_rpm) ** hardware.exponent
    to_air = 1.0 / (hardware.base_k_per_w + convection)
    contact = 1.0 / (hardware.vendor_k_per_w + hardware.pad_k_per_w + assembly_k_per_w)
    conductance = np.zeros((len(fan_rpm), 3, 3))
    conductance[:, 0, 0] = to_air
    links = ((0, 1, 1.0 / DIE_K_PER_W), (0, 2, contact), (1, 2, 1.0 / BOARD_K_PER_W))
    for first, second, link in links:
        conductance[:, first, first] += link
        conductance[:, second, second] += link
        conductance[:, first, second] -= link
        conductance[:, second, first] -= link
    heat = np.stack([np.zeros(len(fan_rpm)), processor_w, memory_w], axis=1)
    return np.linalg.solve(conductance, heat[:, :, None])[:, 2, 0]


def heats_w(world, power_w, memory_heat=1.0):
    """Heat of processor and memory at a board power."""
    follows = 1.0 + world.memory_follows * (np.asarray(power_w) / POWER_W - 1.0)
    memory_w = MEMORY_SHARE * POWER_W * memory_heat * follows
    return power_w - memory_w, memory_w


def steady(rise_at, firmware, ambient_c, set_rpm):
    """Fan speed and memory temperature once a curve's feedback stands.

    Each step moves the temperature a fifth of the way to where the present speed would take
    it, as a heat capacity does.
    """
    speed = np.array(set_rpm, dtype=float)
    temperature = ambient_c + rise_at(speed)
    if not firmware.curve_rpm_per_k:
        return speed, temperature
    for _ in range(500):
        on_curve = set_rpm + firmware.curve_rpm_per_k * (temperature - firmware.curve_at_c)
        speed = np.clip(on_curve, *FAN_RANGE_RPM)
        step = 0.2 * (ambient_c + rise_at(speed) - temperature)
        temperature = temperature + step
        if np.max(np.abs(step)) < 1e-9:
            return speed, temperature
    raise RuntimeError("The fan curve of this world hunts: give it a smaller slope.")


def true_parts(world):
    """True parts of the fix [K]: each the average over all orders in which the parts change."""
    speeds = [
        steady(
            lambda rpm, card=card: _rise_of(world, *card, rpm), card[1], AMBIENT_C, card[1].fan_rpm
        )[0].item()
        for card in world.cards
    ]

    def corner_k(changed):
        hardware, fan, power, direct = (part in changed for part in PARTS)
        firmware = Firmware(
            speeds[fan],
            world.cards[power][1].power_w,
            memory_heat=world.cards[direct][1].memory_heat,
        )
        return _rise_of(world, world.cards[hardware][0], firmware, speeds[fan]).item()

    orders = list(permutations(PARTS))
    parts = dict.fromkeys(PARTS, 0.0)
    for order in orders:
        for place, part in enumerate(order):
            change = corner_k(order[:place]) - corner_k(order[: place + 1])
            parts[part] += change / len(orders)
    return {"total": corner_k(()) - corner_k(PARTS), **parts}


def _rise_of(world, hardware, firmware, fan_rpm):
    heats = heats_w(world, firmware.power_w, firmware.memory_heat)
    return rise_k(hardware, fan_rpm, *heats)


def _drawn(world, rng):
    """The world of one study: resistances spread about the stated ones."""
    names = ("pad_k_per_w", "vendor_k_per_w", "convection_k_per_w", "base_k_per_w")

    def spread(hardware):
        factors = np.exp(RESISTANCE_SPREAD * rng.standard_normal(len(names)))
        values = {
            name: getattr(hardware, name) * factor
            for name, factor in zip(names, factors, strict=True)
        }
        return replace(hardware, **values)

    return replace(world, old=spread(world.old), new=spread(world.new))


def _tests(world, assemblies, rng):
    """One row per run: what stands on the bench and what the run holds."""
    mounts = [
        (card, card, "factory" if number == 0 else "bench", number)
        for number in range(assemblies)
        for card in (0, 1)
    ]
    mounts += [
        (1 - board, board, "bench", assemblies + number)
        for number in range(world.swaps)
        for board in (0, 1)
    ]
    tests = []
    for cooler, board, kind, number in mounts:
        extra = ASSEMBLY_K_PER_W * rng.standard_normal() + BENCH_K_PER_W * (kind == "bench")
        runs = (world.old_runs, world.new_runs)[board]
        for place, run in enumerate(runs):
            tests.append(
                {
                    "cooler": cooler,
                    "board": board,
                    "firmware": 1 - board if run.crossed else board,
                    "assembly": f"Alder-C{cooler + 1} on Heron-B{board + 1}, {kind} {number + 1}",
                    "assembly_kind": kind,
                    "assembly_k_per_w": extra,
                    # Half of an assembly's runs are in the next session; both cards share them.
                    "session": number + (2 * place) // len(runs),
                    "set_rpm": run.fan_rpm,
                    "set_w": run.power_w,
                }
            )
    return pd.DataFrame(tests).astype({"set_rpm": float, "set_w": float})


def _run(world, tests, rng):
    """Run the tests: true ambient, fan speed, power and memory temperature, shape (n,) each."""
    ambient_c = AMBIENT_C + world.ambient_scatter_k * rng.standard_normal(len(tests))
    fan, power = (
        1.0 + wander * rng.standard_normal(len(tests))
        for wander in (world.fan_wander, world.power_wander)
    )
    run_k = world.run_scatter_k * rng.standard_normal(len(tests))
    fan_rpm, power_w, temperature_c = np.empty((3, len(tests)))
    by_hand = tests["set_rpm"].notna().rename("by_hand")
    for (cooler, board, number, held), group in tests.groupby(
        ["cooler", "board", "firmware", by_hand]
    ):
        at, firmware = group.index.to_numpy(), world.cards[number][1]
        hardware = replace(
            world.cards[cooler][0], vendor_k_per_w=world.cards[board][0].vendor_k_per_w
        )
        power_w[at] = group["set_w"].fillna(firmware.power_w) * power[at]
        heats = heats_w(world, power_w[at], firmware.memory_heat)
        extra = group["assembly_k_per_w"].to_numpy()

        def rise_at(rpm, hardware=hardware, heats=heats, extra=extra, run_k=run_k[at]):
            return rise_k(hardware, rpm, *heats, extra) + run_k

        fan_rpm[at], temperature_c[at] = steady(
            rise_at,
            replace(firmware, curve_rpm_per_k=0.0) if held else firmware,
            ambient_c[at],
            group["set_rpm"].fillna(firmware.fan_rpm).to_numpy() * fan[at],
        )
    return ambient_c, fan_rpm, power_w, temperature_c


def _read(world, tests, rng):
    """Run the tests and read the instruments: rows in the columns of a results table."""
    tools, count = world.instruments, len(tests)
    ambient_c, fan_rpm, power_w, temperature_c = _run(world, tests, rng)
    offset_k = tools.session_offset_k * rng.standard_normal(tests["session"].max() + 1)
    ambient_c = ambient_c + offset_k[tests["session"]]
    temperature_c = temperature_c + tools.sensor_noise_k * rng.standard_normal(count)
    tachometer, wattmeter = (
        gain * (1.0 + scatter * rng.standard_normal(count))
        for gain, scatter in (
            (tools.tachometer_gain, tools.tachometer_scatter),
            (tools.wattmeter_gain, tools.wattmeter_scatter),
        )
    )
    revision, board = ((tests[part] + 1).astype(str) for part in ("cooler", "board"))
    return pd.DataFrame(
        {
            "run": [f"run {number + 1}" for number in range(count)],
            "sensor": "memory",
            "product": ("Alder r" + board).where(revision.eq(board)),
            "cooler_model": "Alder-C" + revision,
            "cooler_id": "Alder-C" + revision + " no. 1",
            "board_model": "Heron-B" + board,
            "board_id": "Heron-B" + board + " no. 1",
            "memory_vendor": board.map({"1": "Quill", "2": "Sable"}),
            "assembly": tests["assembly"],
            "assembly_kind": tests["assembly_kind"],
            "session": "session " + (tests["session"] + 1).astype(str),
            "bench": "bench 1",
            "lab": "North",
            "firmware": "fw " + (tests["firmware"] + 1).astype(str),
            "fan_mode": np.where(tests["set_rpm"].notna(), "fixed", "stock"),
            "temperature_c": np.round(temperature_c / tools.step_k) * tools.step_k,
            "standard_error_k": tools.sensor_noise_k,
            "resolution_k": tools.step_k,
            "ambient_c": ambient_c + tools.ambient_noise_k * rng.standard_normal(count),
            "fan_rpm": fan_rpm * tachometer,
            "power_w": power_w * wattmeter,
        }
    )
