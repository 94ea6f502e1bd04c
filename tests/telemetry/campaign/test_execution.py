"""Workers that are killed and jobs that are interrupted."""

import os
import signal
import threading
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import pandas as pd
import pytest

from thermcmp.telemetry.campaign.folder import reduce_logs
from thermcmp.telemetry.reading.text_reader import DelimitedReader


class Poisoned:
    """Reads as usual, but a log named "deadly" kills the process, and "slow" takes long."""

    name, suffixes = "poisoned", (".csv",)

    def __init__(self, once_in=None):
        self.once_in = once_in

    def read(self, path, reading, book):
        if path.stem == "deadly":
            os.kill(os.getpid(), signal.SIGKILL)
        if path.stem == "unlucky" and not self.once_in.exists():
            self.once_in.touch()
            os.kill(os.getpid(), signal.SIGKILL)
        if path.stem.startswith("slow"):
            (path.parent / f"{path.stem} began").touch()
            time.sleep(60.0)
        return DelimitedReader().read(path, reading, book)


def campaign(folder, frame, names):
    for name in names:
        frame.to_csv(folder / f"{name}.csv", index=False)
    parts = {"cooler_model": "Alder r1", "board_model": "Quarz"}
    return pd.DataFrame([{"file": f"{name}.csv", "run": name, **parts} for name in names])


@pytest.fixture
def pool():
    with ProcessPoolExecutor(2, mp_context=get_context("fork")) as executor:
        yield executor


@pytest.mark.filterwarnings("ignore:.*use of fork.*:DeprecationWarning")
@pytest.mark.parametrize(("culprit", "refused"), [("deadly", ["deadly"]), ("unlucky", [])])
def test_a_killed_worker_loses_no_log_but_one_that_kills_again(
    tmp_path, clean_run, pool, culprit, refused
):
    names = ["a", "b", culprit, "c", "d"]
    sheet = campaign(tmp_path, clean_run(), names)
    reader = Poisoned(tmp_path / "was here")
    reduced = reduce_logs(tmp_path, sheet, reader=reader, executor=pool, progress=False)
    assert reduced.refused["run"].tolist() == refused
    assert all("worker process was killed" in reason for reason in reduced.refused["reason"])
    whole = reduce_logs(tmp_path, sheet[~sheet["run"].isin(refused)], progress=False).results
    assert whole["run"].tolist() == [name for name in names if name not in refused]
    pd.testing.assert_frame_equal(reduced.results, whole)


@pytest.mark.filterwarnings("ignore:.*use of fork.*:DeprecationWarning")
def test_ctrl_c_stops_the_pool_and_leaves_no_worker(tmp_path, clean_run, pool):
    sheet = campaign(tmp_path, clean_run(), ["a", "slow 1", "slow 2", "slow 3", "slow 4", "b"])

    def interrupt():
        while not (tmp_path / "slow 2 began").exists():
            time.sleep(0.02)
        os.kill(os.getpid(), signal.SIGINT)

    threading.Thread(target=interrupt, daemon=True).start()
    began = time.monotonic()
    with pytest.raises(KeyboardInterrupt):
        reduce_logs(tmp_path, sheet, reader=Poisoned(), executor=pool, progress=False)
    workers = list(pool._processes.values()) if pool._processes else []
    pool.shutdown(wait=True)
    # Far below the minute of one log, whatever the load of the machine.
    assert time.monotonic() - began < 50.0
    assert not any(worker.is_alive() for worker in workers)
    assert not (tmp_path / "slow 4 began").exists()
