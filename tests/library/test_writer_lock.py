"""One writer at a time behind a URL."""

import threading
import time
from datetime import UTC, datetime, timedelta

import pytest
from pyarrow import fs

from tests.library.test_store import runs
from thermcmp.errors import LibraryError
from thermcmp.library import writer_lock
from thermcmp.library.storage import RemoteFolder
from thermcmp.library.store import Library
from thermcmp.library.writer_lock import WriterLock

START = datetime(2031, 3, 1, tzinfo=UTC)


@pytest.fixture
def folder(monkeypatch):
    """The folder of the lock in a memory that all writers of this test share."""
    shared = RemoteFolder(fs._MockFileSystem(START), "bench/lock", ".json")
    monkeypatch.setattr(writer_lock, "open_folder", lambda *args: shared)
    monkeypatch.setattr(writer_lock, "PATIENCE_S", 0.3)
    return shared


def test_a_second_writer_is_refused_by_the_name_of_the_first(folder):
    first, second = Library("mock://bench/north"), Library("mock://bench/north")
    with first._lock.held():
        assert len(folder.names()) == 1
        for write in (lambda: second.add(runs(0, 2)), second.compact, second.repair):
            with pytest.raises(LibraryError, match=r"Another process writes .*host.*process"):
                write()
        # A refused writer leaves nothing, and readers are not kept out.
        assert len(folder.names()) == 1
        assert len(second.results()) == 0
        assert second.verify() == []
    assert folder.names() == []
    assert second.add(runs(0, 2)).new == 2
    assert second.supersede(runs(0, 1, power_w=230.0), "meter").new == 1
    assert folder.names() == []


def test_a_lock_that_breaks_off_while_it_is_read_is_waited_for(folder, monkeypatch):
    breaks = iter([True, False])
    read = RemoteFolder.read

    def broken(self, name):
        if next(breaks, False):
            raise OSError("failed to flush response stream")
        return read(self, name)

    first, second = WriterLock("mock://bench/north"), Library("mock://bench/north")
    monkeypatch.setattr(RemoteFolder, "read", broken)
    with first.held(), pytest.raises(LibraryError, match="Another process writes"):
        second.add(runs(0, 2))
    assert second.add(runs(0, 2)).new == 2


def test_the_lock_is_given_back_after_an_error(folder):
    with pytest.raises(KeyboardInterrupt), WriterLock("mock://bench/north").held():
        raise KeyboardInterrupt
    assert folder.names() == []


def test_many_writers_are_never_in_at_once(folder, monkeypatch):
    monkeypatch.setattr(writer_lock, "PATIENCE_S", 60.0)
    monkeypatch.setattr(writer_lock.random, "uniform", lambda low, high: time.sleep(0.01) or 0.0)
    inside, most, done = [], [], []

    def write(number):
        with WriterLock("mock://bench/north").held() as renew:
            inside.append(number)
            time.sleep(0.01)
            renew()
            most.append(len(inside))
            inside.remove(number)
        done.append(number)

    writers = [threading.Thread(target=write, args=(number,)) for number in range(6)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert sorted(done) == list(range(6))
    assert max(most) == 1


def test_the_lock_of_a_killed_writer_lapses_by_the_clock_of_the_store(folder, monkeypatch):
    folder.publish("killed.json", b"{}")
    times = RemoteFolder.times
    age = timedelta(seconds=writer_lock.LEASE_S + 1.0).total_seconds()
    monkeypatch.setattr(
        RemoteFolder,
        "times",
        lambda self: {n: t - age * (n == "killed.json") for n, t in times(self).items()},
    )
    with WriterLock("mock://bench/north").held() as renew:
        assert "killed.json" not in folder.names()
        renew()
        # Another one took it for killed.
        folder.remove(*folder.names())
        with pytest.raises(LibraryError, match="lapsed"):
            renew()


def test_a_writer_whose_lock_lapsed_writes_nothing(folder, monkeypatch):
    library = Library("mock://bench/north")
    encode = Library._enter

    def lapsing(self, view):
        encode(self, view)
        folder.remove(*folder.names())

    with monkeypatch.context() as patch:
        patch.setattr(Library, "_enter", lapsing)
        with pytest.raises(LibraryError, match="lapsed"):
            library.add(runs(0, 2))
    assert len(library.results()) == 0
    assert library.verify() == []


def test_a_folder_of_this_machine_has_no_lock(tmp_path):
    with WriterLock(tmp_path).held() as renew:
        renew()
        assert Library(tmp_path).add(runs(0, 2)).new == 2
    assert not (tmp_path / "lock").exists()
