"""The release of the page: a hash over its files, which stands in the address of each.

A page asks for `/web/~RELEASE/start.js`. A file of another release than the page is not sent, so that no page
is ever made of old and new files, whatever is updated while it loads, and whatever a browser has kept.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from pathlib import Path

from server.screen.joining import Joined

MARK = "~"
KINDS = {".js", ".css", ".html", ".svg", ".png"}
_OURS = "/web/"
_ELSEWHERE = {"shots", "basemap"}  # pictures of the README; the map has tiles
_ADDRESS = re.compile(rb'"(/web/|/lib/\w+/)')


def tag_of(body: bytes) -> str:
    return hashlib.sha256(body).hexdigest()[:32]


class Release:
    """`places` gives the folders by the address under which they are served, and of a library those of

    its files that the pages use; None: all that a page can be made of."""

    def __init__(
        self,
        places: Callable[[], dict[str, tuple[Path, tuple[str, ...] | None]]],
        joined: Callable[[], Joined],
    ) -> None:
        """`joined`: what is made of our own files, under /web/."""
        self._places = places
        self._join = joined
        self._joined = Joined({}, frozenset())
        self._stamps: dict[str, tuple[int, int]] = {}
        self._tags: dict[str, str] = {}  # by address
        self._name = ""

    def name(self) -> str:
        """Of the files as they are now: some milliseconds, more where a file has changed."""
        found = dict(self._files())
        stamps = {}
        for address, path in found.items():
            seen = path.stat()
            stamps[address] = (seen.st_mtime_ns, seen.st_size)
        if stamps != self._stamps:
            self._joined = self._join()
            self._tags = {address: tag_of(path.read_bytes()) for address, path in found.items()}
            self._tags |= {
                _OURS + place: tag_of(body) for place, body in self._joined.files.items()
            }
            lines = "\n".join(f"{address} {tag}" for address, tag in sorted(self._tags.items()))
            self._name, self._stamps = tag_of(lines.encode())[:16], stamps
        return self._name

    def holds(self, release: str, address: str, tag: str) -> bool:
        """Whether a file with this content belongs to that release, which must be the present one."""
        if release != self._name or self._tags.get(address) != tag:
            self.name()
        return release == self._name and self._tags.get(address) == tag

    def made(self, address: str) -> tuple[str, bytes] | None:
        """Tag and content of what was joined under an address when the release was last worked out."""
        body = self._joined.files.get(address.removeprefix(_OURS))
        return None if body is None else (self._tags[address], body)

    def addresses(self) -> list[str]:
        """Of all its files but the pages, as pages ask for them."""
        name = self.name()
        parts = {_OURS + place for place in self._joined.parts}
        kept = sorted(one for one in self._tags if one not in parts and not one.endswith(".html"))
        return [self.address(address, name) for address in kept]

    @staticmethod
    def address(address: str, release: str) -> str:
        return re.sub(r"^(/web/|/lib/\w+/)", rf"\1{MARK}{release}/", address)

    def written_into(self, page: bytes) -> bytes:
        """A page whose addresses all are of the present release."""
        return _ADDRESS.sub(rb'"\1' + f"{MARK}{self.name()}/".encode(), page)

    def _files(self) -> list[tuple[str, Path]]:
        found = []
        for address, (folder, names) in self._places().items():
            if names is not None:
                found += [(address + name, folder / name) for name in names]
                continue
            for path in sorted(folder.rglob("*")):
                inside = path.relative_to(folder)
                if path.suffix in KINDS and inside.parts[0] not in _ELSEWHERE:
                    found.append((address + inside.as_posix(), path))
        return found
