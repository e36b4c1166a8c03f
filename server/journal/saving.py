"""What was saved of a damaged journal takes its place: whole or not at all, and nothing is lost."""

from __future__ import annotations

import contextlib
import os
import shutil
import time
from pathlib import Path

from server.journal.database import Journal, JournalError
from server.journal.schema import UNREADABLE

_BESIDE = ("-wal", "-shm")


def take_place(path: Path, data: bytes) -> Path:
    """Where the damaged file lies now. JournalError: it lies where it lay, and `data` is not there."""
    saving = _saving(path)
    try:
        if shutil.disk_usage(path.parent).free < len(data):
            raise JournalError(f"{path}: the disk has no room for what was saved of it")
        with saving.open(
            "wb"
        ) as file:  # beside the damaged one, which stays until all of it is written
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        with contextlib.suppress(OSError):
            saving.unlink(missing_ok=True)
        raise JournalError(f"{saving}: cannot be written: {error}") from error
    try:
        aside = _put_aside(path)
        saving.replace(path)
    except OSError as error:
        raise JournalError(f"{path}: damaged, and cannot be put aside: {error}") from error
    return aside


def finish_saving(path: Path) -> None:
    """What was saved of a damaged journal, where the start that saved it was ended before it was done.

    While the damaged one is in its place, it is saved anew: half a copy is nothing. JournalError.
    """
    saving = _saving(path)
    if not saving.exists():
        return
    whole = False
    if not path.exists():  # closed, all of it stands in the one file
        with (
            contextlib.suppress(JournalError, *UNREADABLE),
            Journal(saving, read_only=True) as new,
        ):
            whole = new.about().get("saved") == "whole"
    try:
        if whole:
            asides = sorted(path.parent.glob(f"{path.stem}.damaged-*{path.suffix}"))
            if asides:
                _move_beside(path, asides[-1])
            saving.replace(path)
        for end in ("", *_BESIDE):
            saving.with_name(saving.name + end).unlink(missing_ok=True)
    except OSError as error:
        raise JournalError(
            f"{saving}: left by a start that was ended, and stays: {error}"
        ) from error


def _saving(path: Path) -> Path:
    return path.with_suffix(f".saving{path.suffix}")


def _put_aside(path: Path) -> Path:
    stamp = time.strftime("%Y%m%dT%H%M%S", time.gmtime())
    aside, again = path.with_suffix(f".damaged-{stamp}{path.suffix}"), 1
    while aside.exists():
        again += 1
        aside = path.with_suffix(f".damaged-{stamp}-{again}{path.suffix}")
    path.replace(aside)
    _move_beside(path, aside)
    return aside


def _move_beside(path: Path, aside: Path) -> None:
    """The write-ahead log of the damaged file: the new one would take it for its own."""
    for end in _BESIDE:
        beside = path.with_name(path.name + end)
        if beside.exists():
            beside.replace(aside.with_name(aside.name + end))
