"""Kill imports, corrections, repairs and compactions of a library, and count what is lost.

``python tests/library/kills.py 100 /tmp/kills`` does a hundred kills; the test beside it a few.
"""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import textwrap
import time
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from thermcmp.library.store import Library

#: What the victim does over and over; it says each finished step on its standard output.
VICTIM = """
    import sys
    import pandas as pd
    from thermcmp.library.store import Library

    root, first = sys.argv[1], int(sys.argv[2])

    def rows(number, power_w):
        return pd.DataFrame({"lab": "north", "run": [f"r{number} {i}" for i in range(40)],
            "sensor": "memory", "cooler_model": "Alder r1", "board_model": "Quarz",
            "temperature_c": 80.0, "ambient_c": 21.5, "power_w": power_w})

    library = Library(root)
    library.add(rows(first, 200.0))
    print(f"added {first}", flush=True)
    for number in range(first + 1, first + 10_000):
        library.add(rows(number, 200.0))
        print(f"added {number}", flush=True)
        library.supersede(rows(number, 210.0), "power meter corrected")
        print(f"corrected {number}", flush=True)
        if number % 3 == 0:
            library.repair()
        if number % 2 == 0:
            library.compact(rows=1_000)
"""


@dataclass
class Tally:
    """What a series of kills left."""

    kills: int = 0
    imports: int = 0  #: steps that were reported as finished
    lost: int = 0  #: of these, rows that are not there with the right power
    doubled: int = 0  #: rows that are there twice
    halves: int = 0  #: imports of which only a part is there
    history: int = 0  #: rows of the history that are there twice
    damages: int = 0  #: what `verify` names beside leftovers, though nothing was damaged


def kill_at_random(root: Path, kills: int, seed: int) -> Tally:
    """Kill a writer again and again, and hold the library against what it had finished."""
    chance, tally = random.Random(seed), Tally()
    expected: dict[int, float] = {}
    for kill in range(kills):
        first = 1_000 * kill
        victim = subprocess.Popen(
            [sys.executable, "-c", textwrap.dedent(VICTIM), str(root), str(first)],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert victim.stdout is not None
        # What a first import loads takes longer than what is to be hit.
        begun = victim.stdout.readline()
        time.sleep(chance.uniform(0.0, 1.5))
        victim.send_signal(signal.SIGKILL)
        said = (begun + victim.communicate()[0]).splitlines()
        tally.kills += 1
        for line in said:
            what, _, number = line.partition(" ")
            if what in ("added", "corrected") and number.isdecimal():
                expected[int(number)] = 200.0 if what == "added" else 210.0
                tally.imports += 1
    _compare(root, expected, tally)
    return tally


def _compare(root: Path, expected: dict[int, float], tally: Tally) -> None:
    """Count what differs from what was finished; one step beyond it may be there, and whole."""
    library = Library(root)
    rows = library.results()
    tally.doubled = int(rows.duplicated(["run", "sensor"]).sum())
    by_import = rows.groupby(rows["run"].str.extract(r"r(\d+) ")[0].astype(int))["power_w"]
    held = {int(number): powers for number, powers in by_import}
    for number, power_w in expected.items():
        powers = held.get(number, pd.Series(dtype=float))
        # A correction may have been finished and not yet reported.
        tally.lost += 40 - int((powers >= power_w).sum())
    tally.halves = sum(
        len(powers) != 40 or (powers != powers.iloc[0]).any() for powers in held.values()
    )
    past = library.history()
    tally.history = int(past.duplicated(["file", "run", "sensor"]).sum())
    tally.damages = sum("left behind" not in each.what for each in library.verify())


if __name__ == "__main__":
    print(kill_at_random(Path(sys.argv[2]), int(sys.argv[1]), seed=1))
