"""Photos of what was found, kept beside the journal: bounded, named by their content, never by a sender.

Only JPEG, PNG and WebP, told by their first bytes, whatever they were called on the way.
"""

from __future__ import annotations

import hashlib
import os
import re
from pathlib import Path
from typing import NamedTuple

from decoders.pictures import media_type

MAX_PHOTO_BYTES = 3_000_000  # the page makes them smaller than this before it sends them
MOST_PHOTOS = 100
_NAME = re.compile(r"[0-9a-f]{64}")
_ENDINGS = {"image/jpeg": ".jpg", "image/png": ".png", "image/webp": ".webp"}


class PhotoError(ValueError):
    """Not kept; the message says why."""


class Photo(NamedTuple):
    body: bytes
    media_type: str


class Photos:
    """A folder that is made with the first photo."""

    most_bytes = MAX_PHOTO_BYTES

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def keep(self, body: bytes) -> str:
        """Its name, the SHA-256 of its bytes, once it is on disk. PhotoError, or OSError of the disk."""
        ending = _ENDINGS.get(media_type(body) or "")
        if ending is None:
            raise PhotoError("A photo is a JPEG, PNG or WebP picture.")
        if len(body) > MAX_PHOTO_BYTES:
            raise PhotoError(f"A photo of at most {MAX_PHOTO_BYTES:,} bytes is kept.")
        name = hashlib.sha256(body).hexdigest()
        path = self._folder / f"{name}{ending}"
        if path.exists():
            return name
        self._folder.mkdir(exist_ok=True)
        if sum(1 for _ in self._folder.iterdir()) >= MOST_PHOTOS:
            raise PhotoError(f"{MOST_PHOTOS} photos are kept, and no more.")
        part = path.with_suffix(".part")
        with part.open("wb") as file:
            file.write(body)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
        return name

    def of(self, name: str) -> Photo | None:
        """None where it is not here: it may be kept by another station."""
        if _NAME.fullmatch(name) is None:
            return None
        for kind, ending in _ENDINGS.items():
            path = self._folder / f"{name}{ending}"
            if path.is_file():
                return Photo(path.read_bytes(), kind)
        return None


def photos_beside(journal: Path) -> Photos:
    """Of a journal or a text log."""
    return Photos(journal.with_suffix(".photos"))
