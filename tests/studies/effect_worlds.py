"""Worlds in which the effect of a part is not what an additive model with like assemblies takes.

Nothing here is shared with the library, neither a formula nor an import. A cooler's rise on a
board is a sum of contacts in series, unless the board multiplies it, two parts do not fit each
other, or an assembly, a day, a laboratory or a probe has a fault of its own. A study states what
is asked (the second level minus the first), what is true with each partner, and which words in one
sentence name what is wrong.
"""

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

SPEED_RPM, AMBIENT_C = 1800.0, 21.0
#: Share of the rise between sink and air, which falls with fan speed, and its exponent.
AIR_SHARE, AIR_EXPONENT = 0.45, 0.7
FAN_WANDER, POWER_WANDER, AMBIENT_SCATTER_K = 0.003, 0.005, 0.5
SENSOR_NOISE_K = 0.05
#: Hours from the start of one run to the next.
RUN_H = 0.75
OLD, NEW, OTHER = "Alder-C1", "Alder-C2", "Alder-C3"
OLD_BOARD, NEW_BOARD, OTHER_BOARD = "Heron-B1", "Heron-B2", "Heron-B3"
AVERAGE = "average"
LABS = ("North", "South", "East", "West", "Lake", "Hill", "Coast", "Moor")
#: Words of a confounding; a world adds what its parts are confounded with.
CONFOUNDED = (
    r"confound|told apart|tell apart|separate|distinguish|alias|changed together|anchor"
    r"|not stated|unstated|unknown|assumed spread"
)
#: Words that say that a run or an assembly is not like the others.
OFF = r"outlier|hotter|colder|cooler than|\boff\b|\bbad\b|probability"


@dataclass(frozen=True)
class Board:
    """A board specimen: what it adds to every cooler's rise, and by what it multiplies it."""

    model: str
    vendor: str = "Quill"
    specimen: int = 1
    step_k: float = 0.0
    factor: float = 1.0


@dataclass(frozen=True)
class World:
    """What is true on the bench; all kelvins at the world's power and 1800 rpm."""

    cooler_k: dict[str, float] = field(default_factory=lambda: {OLD: 62.0, NEW: 62.0})
    boards: tuple[Board, ...] = (Board(OLD_BOARD), Board(NEW_BOARD, step_k=-5.0))
    pairing_k: dict[tuple[str, str], float] = field(default_factory=dict)
    #: Cooler and board model that were never assembled together.
    missing: tuple[tuple[str, str], ...] = ()
    #: Assemblies per cooler on each board, and their spread; by cooler where it differs.
    assemblies: int = 3
    assemblies_of: dict[str, int] = field(default_factory=dict)
    assembly_sd_k: float = 0.7
    assembly_sd_k_of: dict[str, float] = field(default_factory=dict)
    runs: int = 2
    #: Runs an assembly, by cooler where it differs, and what the paste loses from run to run.
    runs_of: dict[str, int] = field(default_factory=dict)
    pump_out_k: float = 0.0
    run_sd_k: float = 0.3
    #: One run, and one assembly, of the new cooler that are off.
    run_off_k: float = 0.0
    assembly_off_k: float = 0.0
    specimen_sd_k: float = 0.0
    session_sd_k: float = 0.3
    session_stated: bool = True
    #: Each cooler on its own day, or in its own laboratory, so far apart (either way round).
    days_apart_k: float = 0.0
    labs_apart_k: float = 0.0
    benches_apart_k: float = 0.0
    #: Whether each cooler had sessions of its own, the new one after the old one, while the bench
    #: drifted by so much over all of them; and whether all runs are said to be one session.
    weeks_apart: bool = False
    trend_k: float = 0.0
    one_session: bool = False
    #: How much warmer the room was for the new cooler, and how the rise follows it [1/K].
    room_apart_k: float = 0.0
    rise_per_room_k: float = -0.002
    #: Drift of the reading over a day on which the coolers are run one after the other, and
    #: the fault of the ambient probe on every second day.
    drift_k: float = 0.0
    probe_off_k: float = 0.0
    power_w: float = 200.0
    step_k: float = 0.1
    contrast: tuple[str, str] = (OLD, NEW)
    #: Patterns that name the cause if all of them occur in one sentence.
    cause: tuple[str, ...] = ()


@dataclass(frozen=True)
class Study:
    """Rows in the columns of a results table, what is asked of them, and what is true.

    The truth [K] is stated per partner of the contrast: a board model, the average over the
    boards, or None where it is the same with all of them.
    """

    rows: pd.DataFrame
    contrast: tuple[str, str]
    true_k: dict[str | None, float]
    cause: tuple[str, ...]


PLAIN = World(cooler_k={OLD: 62.0, NEW: 60.0})
SAME = World()
PAIRING = r"pairing|interaction|partner|depends on the (board|cooler)|fit (each|one an)other"
MISFIT = World(pairing_k={(NEW, OLD_BOARD): 4.0}, cause=(PAIRING,))
FACTOR = World(
    cooler_k={OLD: 60.0, NEW: 54.0},
    cause=(PAIRING + r"|multipl|as factors|by a factor|in proportion|proportional|scales with",),
)
REMOUNTS = (
    r"(assumed|prior|trade).*(assembly spread|spread of (re)?assembl)"
    r"|assembly spread.*(assum|prior)|single assembly|(only|rests on) one assembly (of|per)",
)
OWN_DAY = replace(SAME, cause=(r"session|\bday", CONFOUNDED))


def _factor(factor, assemblies):
    boards = (Board(OLD_BOARD), Board(NEW_BOARD, factor=factor))
    return replace(FACTOR, boards=boards, assemblies=assemblies)


WORLDS = {
    "plain: the model's own kind, 2 assemblies": replace(PLAIN, assemblies=2),
    "plain: the model's own kind, 3 assemblies": PLAIN,
    "plain: the model's own kind, 6 assemblies": replace(PLAIN, assemblies=6),
    "pairing: +4 K on one pairing, 3 remounts": MISFIT,
    "pairing: +4 K on one pairing, 6 remounts": replace(MISFIT, assemblies=6),
    "pairing: the bad pairing was never assembled": replace(
        MISFIT, missing=((NEW, OLD_BOARD),), assemblies=4
    ),
    "pairing: one bad pairing of 3 coolers and 3 boards": replace(
        MISFIT,
        cooler_k={OLD: 62.0, NEW: 62.0, OTHER: 57.0},
        boards=(*SAME.boards, Board(OTHER_BOARD, step_k=4.0)),
    ),
    "factor: a board 1.6 times as hot, 3 remounts": _factor(1.6, 3),
    "factor: a board 1.6 times as hot, 6 remounts": _factor(1.6, 6),
    "factor: a board 1.3 times as hot, 3 remounts": _factor(1.3, 3),
    "factor: a board 1.3 times as hot, 6 remounts": _factor(1.3, 6),
    **{
        f"remounts: spread {spread_k:.0f} K, assemblies per pair {assemblies}": replace(
            SAME, assembly_sd_k=spread_k, assemblies=assemblies, cause=REMOUNTS
        )
        for spread_k in (1.0, 3.0, 5.0)
        for assemblies in (1, 2, 3, 6)
    },
    **{
        f"scale: 600 W and 150 K of rise, spread 3 K, assemblies per pair {assemblies}": replace(
            SAME,
            cooler_k={OLD: 150.0, NEW: 145.0},
            boards=(Board(OLD_BOARD), Board(NEW_BOARD, step_k=-12.0)),
            power_w=600.0,
            assembly_sd_k=3.0,
            run_sd_k=0.7,
            assemblies=assemblies,
            cause=REMOUNTS,
        )
        for assemblies in (1, 2)
    },
    **{
        f"scale: 8 K of rise, a sure 0.8 K, assemblies per pair {assemblies}": replace(
            SAME,
            cooler_k={OLD: 8.0, NEW: 7.2},
            boards=(Board(OLD_BOARD), Board(NEW_BOARD, step_k=-0.6)),
            power_w=20.0,
            assembly_sd_k=0.1,
            session_sd_k=0.03,
            run_sd_k=0.05,
            step_k=0.01,
            assemblies=assemblies,
            cause=(r"prior.*(scale|rise|wide)",),
        )
        for assemblies in (1, 2)
    },
    **{
        f"day: each cooler on its own day, {apart_k:.0f} K apart, {words}": replace(
            OWN_DAY, days_apart_k=apart_k, session_stated=stated
        )
        for apart_k in (2.0, 3.0)
        for words, stated in (("stated", True), ("not stated", False))
    },
    "lab: each cooler in its own laboratory, 3 K apart": replace(
        SAME, labs_apart_k=3.0, cause=(r"\blab", CONFOUNDED)
    ),
    "bench: each cooler on its own bench, 3 K apart": replace(
        SAME, benches_apart_k=3.0, cause=(r"bench", CONFOUNDED)
    ),
    "day: all runs of two days are stated as one session, 3 K apart": replace(
        OWN_DAY, days_apart_k=3.0, one_session=True
    ),
    "weeks: the new cooler after the old one, the bench drifts by 4 K": replace(
        SAME, weeks_apart=True, trend_k=4.0, cause=(r"trend|from session to session",)
    ),
    "room: 12 K warmer for the new cooler, where the rise is 2.4 % less": replace(
        SAME, weeks_apart=True, room_apart_k=12.0, cause=(r"ambient|trend",)
    ),
    "specimen: one board specimen per vendor, spread 3 K": replace(
        SAME,
        boards=(Board(OLD_BOARD), Board(OLD_BOARD, vendor="Sable", specimen=2)),
        specimen_sd_k=3.0,
        contrast=("Quill", "Sable"),
        cause=(r"specimen", r"vendor|Quill|Sable", CONFOUNDED + r"|only one|one board|single"),
    ),
    "paste: 0.4 K from run to run, ten runs of the old cooler and three of the new": replace(
        SAME, runs_of={OLD: 10, NEW: 3}, pump_out_k=0.4, cause=(r"settling|run to run of an",)
    ),
    "drift: 3 K over the day, coolers one after the other, probe 1 K off": replace(
        SAME, drift_k=3.0, probe_off_k=1.0, cause=(r"drift|order of (the )?runs|run order",)
    ),
    "outlier: one run 9 K off": replace(PLAIN, runs=3, run_off_k=9.0),
    "outlier: one assembly 8 K off among 4": replace(
        PLAIN, boards=(Board(OLD_BOARD),), assemblies=4, assembly_off_k=8.0
    ),
    "uneven: remounts of one cooler spread 4 K, of the other 0.5 K": replace(
        SAME,
        assemblies_of={OLD: 6, NEW: 2},
        assembly_sd_k_of={OLD: 0.5, NEW: 4.0},
        cause=(NEW, r"reassembl|remount|spread of (its )?assembl|assemblies.*spread"),
    ),
}
#: Published summaries: laboratories of the old cooler, and of the new one.
PUBLISHED = {
    "published: eight laboratories, both coolers in each": (range(8), range(8)),
    "published: either cooler in four laboratories": (range(4), range(4, 8)),
}
#: Their rows differ by more than their stated errors, or the cooler goes with the laboratory.
DISAGREE = r"stated (standard )?error|disagree|differ (by )?more|heterogen|does not hold"
PUBLISHED_LAB_SD_K, PUBLISHED_ASSEMBLY_SD_K = 2.0, 1.0
#: A covariate: rise per unit of pad coverage, which was better under the new cooler.
COVERED = "coverage: pads of unlike coverage under the coolers"
COVERAGE_SLOPE_K = -10.0
COVERAGE = {OLD: (0.4, 0.8), NEW: (0.6, 1.0)}
NAMES = (*WORLDS, *PUBLISHED, COVERED)


def study(name, seed):
    """Draw one study of a world."""
    rng = np.random.default_rng([seed, 13])
    if name in PUBLISHED:
        return _published(*PUBLISHED[name], rng)
    if name == COVERED:
        return _covered(rng)
    return measured(WORLDS[name], rng)


def true_rise_k(world, cooler, board):
    """Rise of a cooler on a board without the luck of an assembly, a day or a specimen."""
    fit_k = world.pairing_k.get((cooler, board.model), 0.0)
    return board.factor * (world.cooler_k[cooler] + fit_k) + board.step_k


def true_contrast_k(world):
    """The contrast by partner: each board and their average, or None where all agree."""
    first, second = world.contrast
    if first not in world.cooler_k:
        return {None: 0.0}
    by_board = {
        board.model: true_rise_k(world, second, board) - true_rise_k(world, first, board)
        for board in world.boards
    }
    values = list(by_board.values())
    if np.ptp(values) < 1e-9:
        return {None: values[0]}
    # Where a pairing was never assembled it depends on the reader what an average is over.
    return by_board if world.missing else {**by_board, AVERAGE: float(np.mean(values))}


def measured(world, rng):
    """Draw one study of a world whose rows are runs."""
    tests = _tests(world, rng)
    count = len(tests)
    tests["run"] = [f"run {number + 1}" for number in range(count)]
    cause = world.cause
    newer = tests["cooler"].eq(NEW)
    if world.assembly_off_k:
        name = rng.choice(tests.loc[newer, "assembly"].unique())
        tests.loc[tests["assembly"].eq(name), "rise_k"] += world.assembly_off_k
        cause = (name, OFF)
    if world.run_off_k:
        place = rng.choice(np.flatnonzero(newer))
        tests.loc[place, "rise_k"] += world.run_off_k
        cause = (rf"{tests.loc[place, 'run']}\b", OFF)
    rows = _read(world, tests, rng)
    if not world.session_stated:
        rows = rows.drop(columns=["session", "started_at"])
    return Study(rows, world.contrast, true_contrast_k(world), cause)


def _tests(world, rng):
    """One row per run in the order of the bench: the parts, the day, and the rise at set power."""
    specimens_k = world.specimen_sd_k * rng.standard_normal(len(world.boards))
    apart = rng.choice([-0.5, 0.5])
    coolers = list(world.cooler_k)
    rounds = {cooler: world.assemblies_of.get(cooler, world.assemblies) for cooler in coolers}
    tests = []
    for number in range(max(rounds.values())):
        cells = [
            (cooler, place)
            for cooler in coolers
            for place in range(len(world.boards))
            if (cooler, world.boards[place].model) not in world.missing and number < rounds[cooler]
        ]
        cells = [cells[place] for place in rng.permutation(len(cells))]
        if world.drift_k:
            cells.sort(key=lambda cell: coolers.index(cell[0]))
        for cooler, place in cells:
            board, side = world.boards[place], 2.0 * apart * (1 if cooler == NEW else -1)
            spread_k = world.assembly_sd_k_of.get(cooler, world.assembly_sd_k)
            rise_k = true_rise_k(world, cooler, board) + specimens_k[place]
            rise_k += spread_k * rng.standard_normal()
            apart_k = world.days_apart_k + world.labs_apart_k + world.benches_apart_k
            rise_k += 0.5 * side * apart_k
            tests += [
                {
                    "cooler": cooler,
                    "board": board,
                    "assembly": f"{cooler} on {board.model} no. {board.specimen}, "
                    f"assembly {number + 1}",
                    "session": _session(world, coolers.index(cooler), number),
                    "bench": coolers.index(cooler) if world.benches_apart_k else 0,
                    "lab": LABS[coolers.index(cooler)] if world.labs_apart_k else LABS[0],
                    "rise_k": rise_k + world.pump_out_k * run,
                }
                for run in range(world.runs_of.get(cooler, world.runs))
            ]
    frame = pd.DataFrame(tests)
    frame = frame.sort_values("session", kind="stable", ignore_index=True)
    hour = RUN_H * frame.groupby("session").cumcount()
    days_k = world.session_sd_k * rng.standard_normal(frame["session"].max() + 1)
    if world.days_apart_k:
        days_k[:] = 0.0
    frame["rise_k"] += days_k[frame["session"]]
    frame["rise_k"] += world.drift_k * hour / hour.max() if world.drift_k else 0.0
    frame["rise_k"] += world.trend_k * frame["session"] / max(frame["session"].max(), 1)
    started = pd.Timestamp("2026-03-02 08:00", tz="UTC")
    frame["started_at"] = started + pd.to_timedelta(24.0 * frame["session"] + hour, unit="h")
    return frame


def _session(world, cooler, number):
    """Number of the session of one round of a cooler."""
    if world.weeks_apart:
        return 7 * (world.assemblies * cooler + number)
    return cooler if world.days_apart_k else number


def _read(world, tests, rng):
    """Run the tests and read the instruments: rows in the columns of a results table."""
    count = len(tests)
    warmer_k = world.room_apart_k * tests["cooler"].eq(NEW).to_numpy(float)
    ambient_c = AMBIENT_C + warmer_k + AMBIENT_SCATTER_K * rng.standard_normal(count)
    fan_rpm = SPEED_RPM * (1.0 + FAN_WANDER * rng.standard_normal(count))
    power_w = world.power_w * (1.0 + POWER_WANDER * rng.standard_normal(count))
    air = AIR_SHARE * np.exp(AIR_EXPONENT * np.log(SPEED_RPM / fan_rpm))
    rise_k = tests["rise_k"] * (1.0 - AIR_SHARE + air) * power_w / world.power_w
    rise_k = rise_k * (1.0 + world.rise_per_room_k * warmer_k)
    reading_c = ambient_c + rise_k + world.run_sd_k * rng.standard_normal(count)
    reading_c += SENSOR_NOISE_K * rng.standard_normal(count)
    board = pd.DataFrame([vars(board) for board in tests["board"]])
    return pd.DataFrame(
        {
            "run": tests["run"],
            "sensor": "memory",
            "cooler_model": tests["cooler"],
            "cooler_id": tests["cooler"] + " no. 1",
            "board_model": board["model"],
            "board_id": board["model"] + " no. " + board["specimen"].astype(str),
            "memory_vendor": board["vendor"],
            "assembly": tests["assembly"],
            "assembly_kind": "bench",
            "session": "the campaign"
            if world.one_session
            else "session " + (tests["session"] + 1).astype(str),
            "bench": "bench " + (tests["bench"] + 1).astype(str),
            "lab": tests["lab"],
            "firmware": "fw 1",
            "fan_mode": "fixed",
            "temperature_c": np.round(reading_c / world.step_k) * world.step_k,
            "standard_error_k": SENSOR_NOISE_K,
            "resolution_k": world.step_k,
            "ambient_c": ambient_c + world.probe_off_k * (tests["session"] % 2),
            "fan_rpm": fan_rpm,
            "power_w": power_w,
            "started_at": tests["started_at"],
        }
    )


def _published(old_labs, new_labs, rng):
    """Summaries of a few runs, with the error within each: no difference, but unlike labs."""
    labs_k = PUBLISHED_LAB_SD_K * rng.standard_normal(len(LABS))
    rows = []
    for cooler, labs in ((OLD, old_labs), (NEW, new_labs)):
        for lab in labs:
            runs = int(rng.integers(3, 7))
            error_k = SAME.run_sd_k / np.sqrt(runs)
            mean_k = SAME.cooler_k[cooler] + labs_k[lab]
            mean_k += PUBLISHED_ASSEMBLY_SD_K * rng.standard_normal()
            rows.append(
                {
                    "run": f"{cooler} in {LABS[lab]}",
                    "sensor": "memory",
                    "cooler_model": cooler,
                    "board_model": OLD_BOARD,
                    "lab": LABS[lab],
                    "fan_mode": "fixed",
                    "temperature_c": AMBIENT_C + mean_k + error_k * rng.standard_normal(),
                    "standard_error_k": error_k,
                    "n": runs,
                    "ambient_c": AMBIENT_C,
                    "fan_rpm": SPEED_RPM,
                    "power_w": SAME.power_w,
                }
            )
    shared = set(old_labs) & set(new_labs)
    cause = (DISAGREE,) if shared else (r"\blab", CONFOUNDED)
    return Study(pd.DataFrame(rows), SAME.contrast, {None: 0.0}, cause)


def _covered(rng):
    """The plain world with pads that cover less or more, in a column of the user's own."""
    tests = _tests(PLAIN, rng)
    tests["run"] = [f"run {number + 1}" for number in range(len(tests))]
    names = tests.drop_duplicates("assembly").set_index("assembly")["cooler"]
    coverage = {name: rng.uniform(*COVERAGE[cooler]) for name, cooler in names.items()}
    covered = tests["assembly"].map(coverage).round(2)
    tests["rise_k"] += COVERAGE_SLOPE_K * (covered - 0.7)
    rows = _read(PLAIN, tests, rng).assign(pad_coverage=covered)
    return Study(rows, PLAIN.contrast, true_contrast_k(PLAIN), (r"coverage",))
