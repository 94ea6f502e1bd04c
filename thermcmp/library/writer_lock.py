"""One writer at a time behind a URL, where no rename fails for the second of two.

A writer puts an object of its own into the folder `lock/` and then lists that folder. A store
whose listing shows all that was written before, as S3 does, shows of two writers at least one the
other. Who sees another one takes the own object back, waits and tries again. Ages are told by the
times of the store, so no clock of a writer counts.
"""

from __future__ import annotations

import json
import os
import random
import socket
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from typing import Final

from thermcmp.errors import LibraryError
from thermcmp.library.storage import RemoteFolder, open_folder

_ENDING: Final = ".json"
#: A writer that has written nothing for so long counts as killed [s].
LEASE_S: Final = 900.0
#: A writer waits so long for another one [s].
PATIENCE_S: Final = 20.0


class WriterLock:
    """The lock of a library; a folder of this machine needs none."""

    def __init__(self, root: str | os.PathLike[str]) -> None:
        self._root = os.fspath(root)
        self._folder = open_folder(root, "lock", _ENDING)

    @contextmanager
    def held(self) -> Iterator[Callable[[], None]]:
        """Hold the lock, and hand over what renews it before a write.

        Raises
        ------
        LibraryError
            If another writer holds it and goes on to do so, or if it lapsed.
        """
        if not isinstance(self._folder, RemoteFolder):
            yield lambda: None
            return
        own = f"{uuid.uuid4().hex}{_ENDING}"
        try:
            self._take(self._folder, own)
            yield partial(self._renew, self._folder, own)
        finally:
            self._folder.remove(own)

    def _take(self, folder: RemoteFolder, own: str) -> None:
        """Wait until no other writer has an object in the folder."""
        until = time.monotonic() + PATIENCE_S
        while True:
            folder.publish(own, _who())
            other = self._other(folder, own)
            if other is None:
                return
            folder.remove(own)
            if time.monotonic() > until:
                raise LibraryError(
                    f"Another process writes to the library {self._root} ({other}), and nothing "
                    "was changed. Fix: let it finish; if it was killed, its lock lapses "
                    f"{LEASE_S / 60:.0f} minutes after it last wrote."
                )
            # Two that see each other must not go on in step.
            time.sleep(random.uniform(0.1, 1.0))

    def _other(self, folder: RemoteFolder, own: str) -> str | None:
        """Return who else writes, after removing the objects of killed writers."""
        times = folder.times()
        now = times.pop(own, max(times.values(), default=0.0))
        for name, written in times.items():
            if now - written <= LEASE_S:
                try:
                    return folder.read(name).decode()
                except FileNotFoundError:
                    return "it has just finished"
                except OSError as error:
                    # A lock that is given back while it is read: some stores break off.
                    return f"its lock {name} cannot be read: {error}"
            folder.remove(name)
        return None

    def _renew(self, folder: RemoteFolder, own: str) -> None:
        """State that this writer is alive."""
        if own not in folder.names():
            raise LibraryError(
                f"Nothing was written to the library {self._root}: its lock lapsed after "
                f"{LEASE_S / 60:.0f} minutes without a write, and another process took it. "
                "Fix: do it again."
            )
        folder.publish(own, _who())


def _who() -> bytes:
    return json.dumps({"host": socket.gethostname(), "process": os.getpid()}).encode()
