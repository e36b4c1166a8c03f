"""Which program of this machine is at the other end of a connection, and whether it may speak for others.

A proxy or tunnel on this machine connects from 127.0.0.1 like a browser here, and may hand on neither the
name that its reader typed nor for whom it asks. So whoever asks without a key must be known to speak for
itself: a browser of the same user that does not listen to other machines, or what started this station. No
list of proxies would be whole. By what Linux tells of sockets (`socket_diag`, `socket_tables`) and of
processes (proc(5): PID/fd, PID/comm); where that cannot be read, it is not known, and a key is needed.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections import OrderedDict
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Protocol, TypeVar

from server.screen import socket_diag, socket_tables
from server.screen.socket_diag import End, Socket

T = TypeVar("T")

# browsers, and what asks from a terminal, as the processes that hold their sockets are called (15 characters
# at most); from memory, what is not among them needs a key
ASKING_FOR_ITSELF = frozenset(
    (
        "chrome", "chromium", "chromium-browse", "headless_shell", "chrome-headless", "chromium-headle",
        "msedge", "brave", "opera", "vivaldi-bin", "firefox", "firefox-esr", "firefox-bin", "MainThread",
        "Socket Process", "librewolf", "waterfox", "epiphany", "WebKitNetworkPr", "falkon", "konqueror",
        "QtWebEngineProc", "curl", "wget",
    )
)  # fmt: skip
_KEPT = 1_024  # connections that were looked at
_SEEN = 8  # processes that asked last
_HOLDS_S = 0.05  # what a process holds, while it opens many connections at once
_PROC = Path("/proc")


class Sockets(Protocol):
    """Who tells of the system's sockets. OSError: it does not."""

    def established(self, local: End, remote: End, /) -> Socket | None:
        """The connection from `local` to `remote`; None: there is no such."""

    def listening(self) -> list[Socket]:
        """All sockets that take connections."""


class LocalProcesses:
    """Asked once for each connection; what was found holds while the connection lasts."""

    def __init__(
        self,
        asked: Sequence[Sockets] = (socket_diag, socket_tables),
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """`asked`: the next one where one does not tell. `clock`: seconds that only grow."""
        self._asked, self._clock = asked, clock
        self._until_s = 0.0
        self._plain: dict[int, tuple[set[int], bool]] = {}  # until then: sockets, and what it is
        self._known: OrderedDict[tuple[End, End], bool] = OrderedDict()
        self._seen: list[int] = []

    def speaks_for_itself(self, client: End, server: End) -> bool:
        """False where the program is not known, is another user's, or may pass on what others ask."""
        key = client, server
        found = self._known.get(key)
        if found is None:
            found = self._known[key] = self._look(*key)
            while len(self._known) > _KEPT:
                self._known.popitem(last=False)
        return found

    def _look(self, client: End, server: End) -> bool:
        with contextlib.suppress(OSError, ValueError):
            end = self._told(lambda sockets: sockets.established(client, server))
            if end is None or end.uid != os.geteuid() or not end.address.is_loopback:
                return False
            return self._owner_is_plain(end.inode)
        return False

    def _owner_is_plain(self, inode: int) -> bool:
        """Who asked before is looked at first: a browser opens many connections."""
        if self._clock() >= self._until_s:
            self._plain.clear()
            self._until_s = self._clock() + _HOLDS_S
        for held, plain in self._plain.values():
            if inode in held:
                return plain
        for pid in [*reversed(self._seen), *_pids()]:
            held = _sockets(pid)
            if inode in held:
                self._seen = [*(one for one in self._seen if one != pid), pid][-_SEEN:]
                self._plain[pid] = held, self._is_plain(pid, held)
                return self._plain[pid][1]
        return False

    def _is_plain(self, pid: int, held: set[int]) -> bool:
        """A browser or a Leeward (a rehearsal asks whom it judges) that listens to nobody abroad, or one
        of our own kind that listens to nobody at all or has started this station. Any other may pass on
        what others ask, whatever it is called.
        """
        ours = os.path.realpath(f"/proc/{pid}/exe") == os.path.realpath("/proc/self/exe")
        if ours and pid in (os.getpid(), os.getppid()):
            return True
        listening = [s for s in self._told(lambda sockets: sockets.listening()) if s.inode in held]
        at_home = all(one.address.is_loopback for one in listening)
        if (_PROC / str(pid) / "comm").read_text().strip() in ASKING_FOR_ITSELF:
            return at_home
        return ours and at_home and (not listening or _is_leeward(pid))

    def _told(self, ask: Callable[[Sockets], T]) -> T:
        """By the first who tells. OSError: nobody does."""
        for sockets in self._asked:
            with contextlib.suppress(OSError):
                return ask(sockets)
        raise OSError("nobody tells of sockets")


def _pids() -> Iterator[int]:
    for entry in _PROC.iterdir():
        if entry.name.isdigit():
            yield int(entry.name)


def _is_leeward(pid: int) -> bool:
    """By what was started: the module, or the script that pip makes of it."""
    words = (_PROC / str(pid) / "cmdline").read_bytes().split(b"\0")
    return b"server.commands.main" in words or any(
        Path(os.fsdecode(w)).name == "leeward" for w in words[:2]
    )


def _sockets(pid: int) -> set[int]:
    """Inodes of its sockets; of another user's process none can be read."""
    found = set()
    with contextlib.suppress(OSError):
        for entry in os.scandir(f"/proc/{pid}/fd"):  # four times as fast as by pathlib
            with contextlib.suppress(OSError):
                target = os.readlink(entry.path)  # noqa: PTH115
                if target.startswith("socket:["):
                    found.add(int(target[8:-1]))
    return found
