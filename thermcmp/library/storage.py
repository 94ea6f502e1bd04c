"""A folder of immutable files, on this machine or behind a pyarrow file system."""

from __future__ import annotations

import contextlib
import os
import re
import time
import uuid
from collections.abc import Callable
from pathlib import Path
from typing import Final, Protocol

from pyarrow import ArrowException, NativeFile, OSFile, fs, memory_map

from thermcmp._files import UNFINISHED, what_it_is, write_whole
from thermcmp.errors import Fault, InputError

#: Scheme of a URL; one letter is a drive.
_SCHEME: Final = re.compile(r"[A-Za-z][A-Za-z0-9+.-]+:/")
#: An unfinished file older than this belongs to no running import [s].
ABANDONED_S: Final = 3600.0


class NoPlainFileError(OSError):
    """A pipe, a device or a socket under the name of a file."""


class Folder(Protocol):
    """Interface of a folder of the store."""

    def names(self) -> list[str]:
        """Return the names of the finished files, sorted."""
        ...

    def abandoned(self) -> list[str]:
        """Return the names of unfinished files that no running import writes, sorted."""
        ...

    def read(self, name: str) -> bytes:
        """Return a file's bytes."""
        ...

    def open(self, name: str) -> NativeFile:
        """Open a file to read parts of it."""
        ...

    def mapped(self, name: str) -> NativeFile:
        """Open a file that stays where it is on the disk until a part of it is used."""
        ...

    def publish(
        self,
        name: str,
        data: bytes,
        check: Callable[[bytes], None] | None = None,
        *,
        keeps_first: bool = False,
    ) -> None:
        """Make a file visible under its name, whole or not at all; perhaps only where none is."""
        ...

    def remove(self, name: str) -> None:
        """Remove a file; one that is gone already counts as removed."""
        ...


def open_folder(root: str | os.PathLike[str], part: str, ending: str = ".parquet") -> Folder:
    """Open the files of an ending in a folder below a root; it is created by the first file."""
    place = os.fspath(root)
    if not _SCHEME.match(place):
        return LocalFolder(Path(place).expanduser() / part, ending)
    if not isinstance(root, str):
        fix = "give the URL as text: a Path drops one of its slashes"
        raise _unusable(place, "a URL as a path of this machine", fix)
    try:
        system, base = fs.FileSystem.from_uri(root)
    except (ArrowException, OSError, ValueError) as error:
        fix = "give a folder, or the URL of a file system that pyarrow knows, such as s3://"
        raise _unusable(place, f"no file system for this URL ({error})", fix) from error
    if not base:
        raise _unusable(
            place, "no bucket or folder in this URL", "name it, as in s3://bucket/bench"
        )
    if isinstance(system, fs.LocalFileSystem):
        return LocalFolder(Path(base) / part, ending)
    return RemoteFolder(system, f"{base}/{part}", ending)


def _unusable(place: str, words: str, fix: str) -> InputError:
    return InputError("The library cannot be opened:", [Fault(words, fix, value=place)])


def _finished(names: list[str], ending: str) -> list[str]:
    """Keep the files of an ending that are not hidden or unfinished, sorted."""
    return sorted(n for n in names if n.endswith(ending) and not n.startswith(("_", ".")))


class LocalFolder:
    """A folder of this machine: files appear by one rename, after reaching the disk."""

    def __init__(self, path: Path, ending: str) -> None:
        self._path, self._ending = path, ending

    def names(self) -> list[str]:
        """Return the names of the finished files, sorted."""
        with contextlib.suppress(FileNotFoundError), os.scandir(self._path) as entries:
            # A folder is no file here, as behind a URL.
            found = [e.name for e in entries if not e.is_dir(follow_symlinks=False)]
            return _finished(found, self._ending)
        return []

    def abandoned(self) -> list[str]:
        """Return the names of unfinished files that no running import writes, sorted."""
        before = time.time() - ABANDONED_S
        return sorted(
            path.name for path in self._path.glob(f"{UNFINISHED}*") if path.stat().st_mtime < before
        )

    def read(self, name: str) -> bytes:
        """Return a file's bytes."""
        with self.open(name) as file:
            return bytes(file.read())

    def open(self, name: str) -> NativeFile:
        """Open a file to read parts of it; a pipe or a device may have no end, and is refused."""
        path = self._path / name
        if kind := what_it_is(path):
            raise NoPlainFileError(f"it is {kind}, not a file")
        return OSFile(os.fsencode(path))

    def mapped(self, name: str) -> NativeFile:
        """Open a file that stays where it is on the disk until a part of it is used."""
        return memory_map(str(self._path / name))

    def publish(
        self,
        name: str,
        data: bytes,
        check: Callable[[bytes], None] | None = None,
        *,
        keeps_first: bool = False,
    ) -> None:
        """Write beside, read back, check, and only then rename into place."""
        self._path.mkdir(parents=True, exist_ok=True)
        write_whole(self._path / name, data, check, keeps_first=keeps_first)

    def remove(self, name: str) -> None:
        """Remove a file; one that is gone already counts as removed."""
        (self._path / name).unlink(missing_ok=True)


class RemoteFolder:
    """A folder behind a pyarrow file system; as whole as its `move` is."""

    def __init__(self, system: fs.FileSystem, path: str, ending: str) -> None:
        self._system, self._path, self._ending = system, path, ending

    def names(self) -> list[str]:
        """Return the names of the finished files, sorted."""
        return _finished([entry.base_name for entry in self._entries()], self._ending)

    def abandoned(self) -> list[str]:
        """Return the names of unfinished files that no running import writes, sorted."""
        before = time.time() - ABANDONED_S
        return sorted(
            entry.base_name
            for entry in self._entries()
            if entry.base_name.startswith(UNFINISHED) and entry.mtime.timestamp() < before
        )

    def read(self, name: str) -> bytes:
        """Return a file's bytes."""
        with self._system.open_input_stream(f"{self._path}/{name}") as stream:
            return bytes(stream.read())

    def open(self, name: str) -> NativeFile:
        """Open a file to read parts of it."""
        return self._system.open_input_file(f"{self._path}/{name}")

    def mapped(self, name: str) -> NativeFile:
        """Open a file; behind a URL nothing is mapped."""
        return self.open(name)

    def publish(
        self,
        name: str,
        data: bytes,
        check: Callable[[bytes], None] | None = None,
        *,
        keeps_first: bool = False,
    ) -> None:
        """Write beside, read back, check, and only then move into place.

        Two that do so at once may both move: an object store has no rename that fails.
        """
        if keeps_first and name in self.names():
            return
        unfinished = f"{UNFINISHED}{uuid.uuid4().hex}"
        self._system.create_dir(self._path, recursive=True)
        try:
            with self._system.open_output_stream(f"{self._path}/{unfinished}") as stream:
                stream.write(data)
            if check is not None:
                check(self.read(unfinished))
            self._system.move(f"{self._path}/{unfinished}", f"{self._path}/{name}")
        except BaseException:
            with contextlib.suppress(OSError):
                self.remove(unfinished)
            raise

    def times(self) -> dict[str, float]:
        """Return when each finished file was written, by the clock of the store [s]."""
        times = {entry.base_name: entry.mtime.timestamp() for entry in self._entries()}
        return {name: times[name] for name in _finished(list(times), self._ending)}

    def remove(self, name: str) -> None:
        """Remove a file; one that is gone already counts as removed."""
        with contextlib.suppress(FileNotFoundError):
            self._system.delete_file(f"{self._path}/{name}")

    def _entries(self) -> list[fs.FileInfo]:
        selector = fs.FileSelector(self._path, allow_not_found=True)
        return [e for e in self._system.get_file_info(selector) if e.type == fs.FileType.File]
