"""A file that has begun to come: what is there of it, and of which version of what it is a part."""

from __future__ import annotations

import contextlib
import errno
import json
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO


class NoRoom(ValueError):
    """The disk takes no more; what had come is kept."""


class PartFile:
    """Bytes are added at its end. `done`: how many there are; `version`: the server's name of it."""

    def __init__(self, path: Path, what: str) -> None:
        """What lies at `path` is gone on with if it is a part of `what`, else begun anew."""
        self._path, self._what = path, what
        self._about = path.with_name(path.name + ".json")
        known = self._known()
        mine = known.get("what") == what and path.is_file()
        self.version = str(known.get("version", "")) if mine else ""
        self._file: BinaryIO = path.open("r+b" if mine else "wb")
        self._file.seek(0, 2)
        self.done = self._file.tell()
        if not mine:
            self._say()

    def add(self, piece: bytes) -> None:
        self._file.write(piece)
        self.done += len(piece)

    def empty(self, version: str = "") -> None:
        """Begin anew, with another version."""
        self._file.truncate(0)
        self._file.seek(0)
        self.done, self.version = 0, version
        self._say()

    def close(self) -> None:
        self._file.close()

    def _say(self) -> None:
        self._about.write_text(json.dumps({"what": self._what, "version": self.version}))

    def _known(self) -> dict[str, object]:
        try:
            known = json.loads(self._about.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}
        return known if isinstance(known, dict) else {}


@contextlib.contextmanager
def part_file(path: Path, what: str) -> Iterator[PartFile]:
    """Open while it comes. NoRoom when the disk is full."""
    with room_for(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        part = PartFile(path, what)
        try:
            yield part
        finally:
            part.close()


@contextlib.contextmanager
def room_for(path: Path) -> Iterator[None]:
    """NoRoom in place of the errors with which a disk refuses what is written."""
    try:
        yield
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            raise NoRoom(f"{path}: the disk is full; make room, what has come is kept") from error
        raise NoRoom(f"{path}: cannot be written: {error.strerror or error}") from error


def forget(path: Path) -> None:
    """The part and what was said of it: it has come whole, and lies elsewhere."""
    path.unlink(missing_ok=True)
    path.with_name(path.name + ".json").unlink(missing_ok=True)
