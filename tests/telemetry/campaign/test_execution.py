"""Workers that are killed and jobs that are interrupted."""

import os
import signal
import sys
import threading
import time
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import pandas as pd
import pytest

from thermcmp.errors import InputError
from thermcmp.telemetry.campaign.folder import reduce_logs
from thermcmp.telemetry.inspection.question import inspect
from thermcmp.telemetry.reading.frame import read_telemetry
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
            (path.parent / f"{path.stem} ended").touch()
        return DelimitedReader().read(path, reading, book)


def campaign(folder, frame, names):
    for name in names:
        frame.to_csv(folder / f"{name}.csv", index=False)
    parts = {"cooler_model": "Alder r1", "board_model": "Quarz"}
    return pd.DataFrame([{"file": f"{name}.csv", "run": name, **parts} for name in names])


def _ends(pid, patience_s=10.0):
    """Whether a process has ended, asked of the system: the pool's own thread waits for it too,
    and `Process.is_alive` says yes of a process that another thread has just waited for."""
    end = time.monotonic() + patience_s
    while time.monotonic() < end:
        try:
            os.kill(pid, 0)
        except ProcessLookupError:
            return True
        time.sleep(0.02)
    return False


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

    # A shell in the background may have turned Ctrl-C off.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    threading.Thread(target=interrupt, daemon=True).start()
    pool.submit(os.getpid).result()
    known = pool._processes
    with pytest.raises(KeyboardInterrupt):
        reduce_logs(tmp_path, sheet, reader=Poisoned(), executor=pool, progress=False)
    workers = [worker.pid for worker in known.values()]
    assert len(workers) > 1
    assert all(_ends(worker) for worker in workers)
    assert not (tmp_path / "slow 4 began").exists()
    assert list(tmp_path.glob("* ended")) == []


class KilledWorker(Exception):  # noqa: N818 - its name in Dask
    __module__ = "distributed.scheduler"


class LikeDask(Executor):
    """Raises and is shut down as Dask's executor, which is not among what tests need."""

    def __init__(self, lost):
        self.lost, self.is_down = lost, False

    def submit(self, function, task):
        future = Future()
        if task.runs[0].name == "b":
            future.set_exception(self.lost)
        else:
            future.set_result(function(task))
        return future

    def shutdown(self, wait=True):
        self.is_down = True


def test_a_worker_that_dask_lost_loses_no_log(tmp_path, clean_run):
    sheet = campaign(tmp_path, clean_run(), ["a", "b", "c"])
    executor = LikeDask(KilledWorker("task", "worker"))
    reduced = reduce_logs(tmp_path, sheet, executor=executor, progress=False)
    whole = reduce_logs(tmp_path, sheet, progress=False)
    assert reduced.refused.empty
    pd.testing.assert_frame_equal(reduced.results, whole.results)
    with pytest.raises(ZeroDivisionError):
        reduce_logs(tmp_path, sheet, executor=LikeDask(ZeroDivisionError()), progress=False)


def test_ctrl_c_stops_an_executor_that_cancels_by_itself(tmp_path, clean_run):
    sheet = campaign(tmp_path, clean_run(seconds=900), ["a", "b"])
    executor = LikeDask(KeyboardInterrupt())
    with pytest.raises(KeyboardInterrupt):
        reduce_logs(tmp_path, sheet, executor=executor, progress=False)
    assert executor.is_down


def test_ctrl_c_leaves_the_cancelling_to_the_pool(tmp_path, clean_run):
    # Its thread fails on a future that was cancelled behind its back.
    sheet = campaign(tmp_path, clean_run(seconds=900), ["a", "b", "c"])
    waiting = []

    class Interrupted(Executor):
        def submit(self, function, task):
            future = Future()
            waiting.append(future)
            if task.runs[0].name == "a":
                future.set_exception(KeyboardInterrupt())
            return future

        def shutdown(self, wait=True, *, cancel_futures=False):
            assert cancel_futures
            assert not any(future.cancelled() for future in waiting)

    with pytest.raises(KeyboardInterrupt):
        reduce_logs(tmp_path, sheet, executor=Interrupted(), progress=False)
    assert [future.cancelled() for future in waiting] == [False, False, False]


def test_a_cluster_of_two_workers_gives_the_same_bits_in_order(tmp_path, clean_run):
    import distributed

    sheet = campaign(tmp_path, clean_run(), ["a", "b", "c", "d"])
    cluster = {"n_workers": 2, "threads_per_worker": 1, "dashboard_address": ":0"}
    with (
        distributed.LocalCluster(**cluster, silence_logs=50) as local,
        distributed.Client(local) as client,
    ):
        executor = client.get_executor(pure=False)
        reduced = reduce_logs(tmp_path, sheet, executor=executor, progress=False)
    whole = reduce_logs(tmp_path, sheet, progress=False)
    assert reduced.refused.empty
    pd.testing.assert_frame_equal(reduced.results, whole.results, check_exact=True)


@pytest.mark.skipif(sys.platform != "linux", reason="other systems refuse these names")
def test_what_is_no_log_is_named_and_loses_no_other(tmp_path, clean_run):
    sheet = campaign(tmp_path, clean_run(seconds=900), ["a", "b"])
    latin = os.fsencode(tmp_path) + b"/caf\xe9.csv"
    Path(os.fsdecode(latin)).write_bytes((tmp_path / "a.csv").read_bytes())
    (tmp_path / "folder.parquet").mkdir()
    (tmp_path / "broken.parquet").symlink_to(tmp_path / "nowhere")
    (tmp_path / "endless.csv").symlink_to("/dev/zero")
    os.mkfifo(tmp_path / "pipe.csv")
    names = ["folder.parquet", "broken.parquet", "endless.csv", "pipe.csv", r"caf\xe9.csv"]
    named = pd.DataFrame([{**sheet.iloc[0], "file": name, "run": name} for name in names])
    with pytest.raises(InputError, match="a pipe, not a file"):
        read_telemetry(tmp_path / "pipe.csv")
    with pytest.raises(InputError, match="a device, not a file"):
        inspect(tmp_path / "endless.csv")
    strays = reduce_logs(tmp_path, sheet, progress=False)
    assert strays.results["run"].tolist() == ["a", "b"]
    assert sorted(strays.refused["file"]) == sorted(set(names) - {"folder.parquet"})
    reduced = reduce_logs(tmp_path, pd.concat([sheet, named]), progress=False)
    assert reduced.results["run"].tolist() == ["a", "b", r"caf\xe9.csv"]
    assert reduced.results["source_file"].iloc[-1] == r"caf\xe9.csv"
    reasons = dict(zip(reduced.refused["run"], reduced.refused["reason"], strict=True))
    assert "a folder, not a file" in reasons["folder.parquet"]
    assert "No such file" in reasons["broken.parquet"]
    assert "a device, not a file" in reasons["endless.csv"]
    assert "a pipe, not a file" in reasons["pipe.csv"]
