"""Files written whole or not at all, and files read only where they are files."""

from __future__ import annotations

import contextlib
import errno
import os
import stat
import uuid
from collections.abc import Callable
from pathlib import Path
from typing import Final

#: Names with this prefix are unfinished; every reader passes over them.
UNFINISHED: Final = "_tmp-"
#: What a disk without hard links answers.
_NO_LINKS: Final = (errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK)


def write_whole(
    path: Path,
    data: bytes,
    check: Callable[[bytes], None] | None = None,
    *,
    keeps_first: bool = False,
) -> None:
    """Write a file beside its place, let it reach the disk, check it, and rename it into place.

    A link is followed and a file's permissions stay; a device or pipe is written to as it is.
    With `keeps_first` a file that is there by then stays, also one that another process put there
    meanwhile, where the disk has hard links.
    """
    target = path.resolve()
    mode = target.stat().st_mode if target.exists() else None
    if mode is not None and not stat.S_ISREG(mode):
        target.write_bytes(data)
        return
    unfinished = target.with_name(f"{UNFINISHED}{uuid.uuid4().hex}")
    try:
        with unfinished.open("xb") as file:
            if mode is not None:
                unfinished.chmod(stat.S_IMODE(mode))
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if check is not None:
            check(unfinished.read_bytes())
        if keeps_first:
            _put_where_none_is(unfinished, target)
        else:
            unfinished.replace(target)
    except BaseException:
        unfinished.unlink(missing_ok=True)
        raise
    # The rename itself must reach the disk; Windows cannot open folders, and keeps names
    # safe by itself.
    with contextlib.suppress(PermissionError):
        handle = os.open(target.parent, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _put_where_none_is(unfinished: Path, target: Path) -> None:
    """Give a file its name unless another one has it."""
    try:
        # In contrast to a rename this fails where the name is taken.
        os.link(unfinished, target)
    except FileExistsError:
        pass
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        unfinished.replace(target)
    unfinished.unlink(missing_ok=True)


def what_it_is(path: Path) -> str:
    """Return what a path is in place of a plain file, in words; "" for a plain file.

    A pipe or a device may have no end, so nothing is read from one.
    """
    mode = path.stat().st_mode
    if stat.S_ISREG(mode):
        return ""
    kinds = (
        (stat.S_ISDIR, "a folder"),
        (stat.S_ISFIFO, "a pipe"),
        (stat.S_ISCHR, "a device"),
        (stat.S_ISBLK, "a device"),
        (stat.S_ISSOCK, "a socket"),
    )
    return next((words for is_kind, words in kinds if is_kind(mode)), "not a file")
