"""Where a station keeps what belongs beside its plan, if the plan's folder cannot be written to."""

from __future__ import annotations

import hashlib
import os
import shutil
import stat
import tempfile
from pathlib import Path

from server.flight.mission_state import Problem, ProblemKind
from server.journal.database import JournalError

_WITH_IT = ("-wal", "")  # the journal itself last


def writable_beside(path: Path) -> Path:
    """The path itself, or one of the same name in a folder of our own among the machine's temporary ones.

    The same one at each start, so that a start goes on with what the last one wrote. JournalError: the folder
    there is another user's.
    """
    folder = path.parent.resolve()
    if not folder.is_dir() or os.access(folder, os.W_OK):
        return path
    name = hashlib.sha256(str(folder).encode()).hexdigest()[:16]
    try:
        own = Path(tempfile.gettempdir()) / f"leeward-{os.getuid()}-{name}"
        own.mkdir(mode=0o700, exist_ok=True)
        found = own.lstat()
    except OSError as error:  # also where no temporary folder has room for a byte
        raise JournalError(f"{path}: cannot be written, nor elsewhere: {error}") from error
    if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.getuid() or found.st_mode & 0o077:
        raise JournalError(f"{path}: cannot be written, and {own} is not ours alone")
    return own / path.name


def journal_elsewhere(path: Path) -> tuple[Path, list[Problem]]:
    """Where the journal is written, with what there is of it so far, and that it is not where it belongs."""
    place = writable_beside(path)
    if place == path:
        return path, []
    if not place.exists():
        there = [end for end in _WITH_IT if path.with_name(path.name + end).exists()]
        try:
            for end in there:
                shutil.copyfile(path.with_name(path.name + end), _part(place, end))
            for end in there:  # all of it is there before any is: half a copy is no journal
                _part(place, end).replace(place.with_name(place.name + end))
        except OSError as error:
            raise JournalError(f"{place}: cannot be written: {error}") from error
    return place, [Problem(ProblemKind.JOURNAL_ELSEWHERE, detail=str(place))]


def _part(place: Path, end: str) -> Path:
    return place.with_name(f"{place.name}{end}.part")
