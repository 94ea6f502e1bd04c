"""A folder of immutable files, on this machine or behind a pyarrow file system."""

from __future__ import annotations

import contextlib
import os
import uuid
from collections.abc import Callable
from pathlib import Path
from typing import Final, Protocol

from pyarrow import fs

#: Names with this prefix are unfinished; every reader passes over them.
UNFINISHED: Final = "_tmp-"


class Folder(Protocol):
    """Interface of the store's folder."""

    def names(self) -> list[str]:
        """Return the names of the finished Parquet files, sorted."""
        ...

    def read(self, name: str) -> bytes:
        """Return a file's bytes."""
        ...

    def publish(self, name: str, data: bytes, check: Callable[[bytes], None]) -> None:
        """Make a file visible under its name, whole or not at all."""
        ...


def open_folder(root: str | os.PathLike[str], part: str) -> Folder:
    """Open a folder below a root; a local one is created."""
    if isinstance(root, str) and "://" in root:
        system, base = fs.FileSystem.from_uri(root)
        if not isinstance(system, fs.LocalFileSystem):
            return RemoteFolder(system, f"{base}/{part}" if base else part)
        root = base
    return LocalFolder(Path(root).expanduser() / part)


def _finished(names: list[str]) -> list[str]:
    """Keep the Parquet files that are not hidden or unfinished, sorted."""
    return sorted(n for n in names if n.endswith(".parquet") and not n.startswith(("_", ".")))


class LocalFolder:
    """A folder of this machine: files appear by one rename, after reaching the disk."""

    def __init__(self, path: Path) -> None:
        self._path = path
        path.mkdir(parents=True, exist_ok=True)

    def names(self) -> list[str]:
        """Return the names of the finished Parquet files, sorted."""
        return _finished([entry.name for entry in self._path.iterdir()])

    def read(self, name: str) -> bytes:
        """Return a file's bytes."""
        return (self._path / name).read_bytes()

    def publish(self, name: str, data: bytes, check: Callable[[bytes], None]) -> None:
        """Write beside, read back, check, and only then rename into place."""
        unfinished = self._path / f"{UNFINISHED}{uuid.uuid4().hex}"
        try:
            with unfinished.open("xb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            check(unfinished.read_bytes())
            unfinished.replace(self._path / name)
        except BaseException:
            unfinished.unlink(missing_ok=True)
            raise
        # The rename itself must reach the disk; Windows cannot open folders, and keeps names
        # safe by itself.
        with contextlib.suppress(PermissionError):
            handle = os.open(self._path, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)


class RemoteFolder:
    """A folder behind a pyarrow file system; as whole as its `move` is."""

    def __init__(self, system: fs.FileSystem, path: str) -> None:
        self._system = system
        self._path = path
        system.create_dir(path, recursive=True)

    def names(self) -> list[str]:
        """Return the names of the finished Parquet files, sorted."""
        entries = self._system.get_file_info(fs.FileSelector(self._path))
        return _finished([e.base_name for e in entries if e.type == fs.FileType.File])

    def read(self, name: str) -> bytes:
        """Return a file's bytes."""
        with self._system.open_input_stream(f"{self._path}/{name}") as stream:
            return bytes(stream.read())

    def publish(self, name: str, data: bytes, check: Callable[[bytes], None]) -> None:
        """Write beside, read back, check, and only then move into place."""
        unfinished = f"{UNFINISHED}{uuid.uuid4().hex}"
        try:
            with self._system.open_output_stream(f"{self._path}/{unfinished}") as stream:
                stream.write(data)
            check(self.read(unfinished))
            self._system.move(f"{self._path}/{unfinished}", f"{self._path}/{name}")
        except BaseException:
            with contextlib.suppress(OSError):
                self._system.delete_file(f"{self._path}/{unfinished}")
            raise
