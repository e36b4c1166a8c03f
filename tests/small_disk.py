"""A disk that is soon full, for tests of what happens then."""

from __future__ import annotations

import contextlib
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.machine import STRICT

DISK_KB = 1_024


@contextlib.contextmanager
def small_disk_at(folder: Path, kilobytes: int = DISK_KB) -> Iterator[Path]:
    """A tmpfs of one megabyte; only root may have one."""
    folder.mkdir()
    _mount(folder, "-t", "tmpfs", "-o", f"size={kilobytes}k", "tmpfs")
    try:
        yield folder
    finally:
        _unmount(folder)


@contextlib.contextmanager
def read_only(folder: Path) -> Iterator[None]:
    """Nothing in the folder can be written, by root neither; only root may have it so."""
    _mount(folder, "--bind", str(folder))
    try:
        _mount(folder, "-o", "remount,ro,bind")
        yield
    finally:
        _unmount(folder)


def _mount(folder: Path, *how: str) -> None:
    """Or the test is skipped; it fails where every counterpart must be there."""
    made = subprocess.run(["mount", *how, str(folder)], capture_output=True, text=True, check=False)
    if made.returncode:
        reason = f"{' '.join(how)} cannot be mounted here: {made.stderr.strip()}"
        if os.environ.get(STRICT) == "1":
            pytest.fail(reason)
        pytest.skip(reason)


def _unmount(folder: Path) -> None:
    subprocess.run(["umount", "-l", str(folder)], check=True)


def fill(folder: Path) -> Path:
    """Ballast until not a byte more fits."""
    ballast = folder / "ballast"
    with ballast.open("ab", buffering=0) as file, contextlib.suppress(OSError):
        while True:
            file.write(bytes(4_096))
    return ballast
