"""Files are written whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from autoalign.core.files import atomic_write, open_unlinked


def test_text_and_bytes_arrive_in_a_folder_that_is_made(tmp_path: Path) -> None:
    """The path comes back; text is UTF-8."""
    assert atomic_write(tmp_path / "a" / "b.txt", "µ\n").read_bytes() == b"\xc2\xb5\n"
    assert atomic_write(tmp_path / "a" / "b.txt", b"\x00").read_bytes() == b"\x00"
    assert [p.name for p in (tmp_path / "a").iterdir()] == ["b.txt"]


def test_a_full_disk_leaves_the_old_file(tmp_path: Path, monkeypatch: Any) -> None:
    """What was there stays, and no part of the new one is left beside it."""
    path = atomic_write(tmp_path / "b.txt", "old")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        atomic_write(path, "new")
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["b.txt"]


@pytest.mark.skipif(os.name == "nt", reason="devices of POSIX")
def test_a_device_stays_a_device() -> None:
    """Nothing is put in the place of what is no ordinary file."""
    atomic_write("/dev/null", "gone")
    assert not Path("/dev/null").is_file()


@pytest.mark.skipif(os.name == "nt", reason="links of POSIX")
def test_a_link_in_the_way_of_the_new_part_is_not_followed(tmp_path: Path) -> None:
    """What it points to was once overwritten, in a folder that others can write to."""
    victim = tmp_path / "victim.txt"
    victim.write_text("mine")
    (tmp_path / "b.txt.part").symlink_to(victim)
    atomic_write(tmp_path / "b.txt", "new")
    assert victim.read_text() == "mine"
    assert (tmp_path / "b.txt").read_text() == "new"
    (tmp_path / "note").symlink_to(victim)
    with pytest.raises(OSError, match=r"[Ll]ink|[Ss]ymbolic"):
        open_unlinked(tmp_path / "note")
    assert victim.read_text() == "mine"
