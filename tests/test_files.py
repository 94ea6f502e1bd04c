"""Files written whole or not at all."""

import os
from pathlib import Path

import pytest

from thermcmp._files import what_it_is, write_whole


def test_a_link_is_followed_and_permissions_stay(tmp_path):
    target, link = tmp_path / "page.html", tmp_path / "latest.html"
    target.write_bytes(b"old")
    target.chmod(0o600)
    link.symlink_to(target.name)
    write_whole(link, b"new")
    assert link.is_symlink()
    assert target.read_bytes() == b"new"
    assert target.stat().st_mode & 0o777 == 0o600
    assert sorted(path.name for path in tmp_path.iterdir()) == ["latest.html", "page.html"]


def test_a_new_file_has_the_usual_permissions(tmp_path):
    (tmp_path / "usual").touch()
    write_whole(tmp_path / "new", b"")
    assert (tmp_path / "new").stat().st_mode == (tmp_path / "usual").stat().st_mode


def test_a_device_stays_a_device():
    device = Path(os.devnull)
    before = device.stat().st_mode
    write_whole(device, b"page")
    assert device.stat().st_mode == before


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_a_failed_write_leaves_the_old_file_and_nothing_else(tmp_path, monkeypatch, step):
    target = tmp_path / "page.html"
    target.write_bytes(b"old")

    def fail(*args, **kwargs):
        raise OSError("the disk is full")

    monkeypatch.setattr(os, step, fail)
    with pytest.raises(OSError, match="disk is full"):
        write_whole(target, b"new")
    assert target.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [target]


def test_what_is_not_a_plain_file_is_named(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    assert what_it_is(tmp_path / "pipe") == "a pipe"
    assert what_it_is(tmp_path) == "a folder"
