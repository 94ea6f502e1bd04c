"""Writers that are killed, many at once, without room, or with a wrong clock."""

import os
import subprocess
import sys
import textwrap
from datetime import UTC, datetime, timedelta

import pytest

from tests.library.kills import kill_at_random
from tests.library.test_store import runs
from thermcmp import _files
from thermcmp.library import store_file
from thermcmp.library.store import Library

#: Kills by hand: THERMCMP_KILLS=300.
KILLS = int(os.environ.get("THERMCMP_KILLS", "2"))

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs SIGKILL")


def test_kills_lose_and_double_nothing(tmp_path):
    tally = kill_at_random(tmp_path, KILLS, seed=3)
    assert tally.kills == KILLS
    assert tally.imports >= KILLS
    wrong = (tally.lost, tally.doubled, tally.halves, tally.history, tally.damages)
    assert wrong == (0, 0, 0, 0, 0), tally


#: Of three imports, every second run is also written by a neighbour. The writers are forked from
#: one process that has loaded what they need, so that they begin together.
WRITERS = """
    import os
    import sys
    import pandas as pd
    import pandera.pandas, pyarrow.dataset, pyarrow.parquet, thermcmp.results.validation
    from thermcmp.library.store import Library

    def write(number):
        for step in range(3):
            first = 10 * (number + step)
            names = [f"r{i}" for i in range(first, first + 20)]
            Library(sys.argv[1]).add(pd.DataFrame({"run": names, "sensor": "memory",
                "cooler_model": "Alder r1", "board_model": "Quarz", "temperature_c": 80.0,
                "ambient_c": 21.5, "power_w": 220.0}))

    writers = []
    for number in range(8):
        writers.append(os.fork())
        if not writers[-1]:
            write(number)
            sys.exit()
    assert not any(os.waitpid(writer, 0)[1] for writer in writers)
"""


def test_eight_writers_at_once_with_overlapping_runs(tmp_path):
    command = [sys.executable, "-c", textwrap.dedent(WRITERS), str(tmp_path)]
    subprocess.run(command, check=True)
    rows = Library(tmp_path).results()
    assert rows["run"].is_unique
    assert len(rows) == 110
    assert Library(tmp_path).verify() == []


def test_a_full_disk_leaves_the_library_as_it_was(tmp_path, monkeypatch):
    library = Library(tmp_path)
    library.add(runs(0, 3))

    def full(handle):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(_files.os, "fsync", full)
        with pytest.raises(OSError, match="No space left"):
            library.add(runs(3, 6))
    assert len(library.results()) == 3
    assert library.verify() == []
    assert not list(tmp_path.rglob("_tmp-*"))
    assert library.add(runs(3, 6)).new == 3


def test_a_clock_that_runs_backwards_changes_no_row(tmp_path, monkeypatch):
    library = Library(tmp_path)
    library.add(runs(0, 3))

    class Earlier(datetime):
        @classmethod
        def now(cls, tz=None):
            return datetime.now(UTC) - timedelta(days=400)

    monkeypatch.setattr(store_file, "datetime", Earlier)
    library.supersede(runs(0, 2, power_w=230.0), "meter corrected")
    assert library.results()["power_w"].tolist() == [230.0, 230.0, 220.0]
    assert library.verify() == []


def test_a_library_that_was_copied_in_part_says_what_is_missing(tmp_path):
    whole = tmp_path / "whole"
    library = Library(whole)
    library.add(runs(0, 3))
    library.supersede(runs(0, 1, power_w=230.0), "meter corrected")
    last = library.add(runs(3, 6)).file
    half = tmp_path / "half"
    for path in sorted(whole.rglob("*")):
        target = half / path.relative_to(whole)
        if path.is_dir():
            target.mkdir(parents=True)
        elif path.name == last:
            target.write_bytes(path.read_bytes()[:500])
        elif not path.name.endswith(".correction.parquet"):
            target.write_bytes(path.read_bytes())
    damages = {damage.file: damage.what for damage in Library(half).verify()}
    assert damages[last].startswith("cut short")
    (correction,) = (name for name in damages if name.endswith(".correction.parquet"))
    assert damages[correction].startswith("missing")
    Library(half).repair()
    assert Library(half).verify() == []
    # The reading that was corrected does not come back.
    assert Library(half).results()["run"].tolist() == ["r1", "r2"]


#: An import that the system cuts short: no file may be larger than its second argument [B].
CUT_SHORT = """
    import resource, signal, sys
    import pandas as pd
    from thermcmp.library.store import Library

    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    library = Library(sys.argv[1])
    rows = library.results()
    resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[2]),) * 2)
    for change in (lambda: library.add(rows.assign(run=rows["run"] + " again")),
                   lambda: library.supersede(rows.assign(power_w=230.0), "meter was off"),
                   library.compact):
        try:
            change()
        except OSError as error:
            print(error.errno, end=" ")
"""


def test_writes_that_the_system_cuts_short_leave_the_library_as_it_was(tmp_path):
    library = Library(tmp_path)
    library.add(runs(0, 3))
    library.add(runs(3, 6))
    before = library.history()
    command = [sys.executable, "-c", textwrap.dedent(CUT_SHORT), str(tmp_path), "2000"]
    done = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True)
    assert done.stdout == "27 27 27 "  # EFBIG
    assert library.history().equals(before)
    assert library.verify() == []
    assert not list(tmp_path.rglob("_tmp-*"))
    assert library.add(runs(6, 9)).new == 3
