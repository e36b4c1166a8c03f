"""Which program of this machine is at the other end of a connection, and whether it may speak for others.

A proxy or tunnel on this machine connects from 127.0.0.1 like a browser here, and may hand on neither the
name that its reader typed nor for whom it asks. So whoever asks without a key must be a program that
speaks for nobody else: one of the same user, that does not listen to other machines, and is no program
whose work is to pass connections on. By Linux's /proc (proc(5): net/tcp, PID/fd, PID/comm); where that
cannot be read, it is not known, and a key is needed.
"""

from __future__ import annotations

import contextlib
import ipaddress
import os
import struct
from collections import OrderedDict
from collections.abc import Iterator
from pathlib import Path

# programs that pass connections on, as their processes are called (15 characters at most)
PASSING_ON = frozenset(
    (
        "nginx", "apache2", "httpd", "haproxy", "caddy", "traefik", "envoy", "lighttpd", "varnishd",
        "cache-main", "squid", "h2o", "hitch", "stunnel", "stunnel4", "socat", "ncat", "relayd", "pound",
        "ssh", "sshd", "sshd-session", "autossh", "cloudflared", "ngrok", "frpc", "rathole", "bore", "chisel",
        "tailscaled", "tor", "privoxy", "mitmproxy", "mitmweb", "kubectl", "docker-proxy", "rootlessport",
        "slirp4netns", "pasta",
    )
)  # fmt: skip
_LISTENS, _ESTABLISHED = "0A", "01"
_KEPT = 1_024  # connections that were looked at
_SEEN = 8  # processes that asked last
_PROC = Path("/proc")


class LocalProcesses:
    """Asked once for each connection; what was found holds while the connection lasts."""

    def __init__(self, tables: tuple[str, ...] = ("tcp", "tcp6")) -> None:
        self._tables = tables
        self._known: OrderedDict[tuple[int, int], bool] = OrderedDict()
        self._seen: list[int] = []

    def speaks_for_itself(self, client_port: int, server_port: int) -> bool:
        """False where the program is not known, is another user's, or may pass on what others ask."""
        key = client_port, server_port
        found = self._known.get(key)
        if found is None:
            found = self._known[key] = self._look(*key)
            while len(self._known) > _KEPT:
                self._known.popitem(last=False)
        return found

    def _look(self, client_port: int, server_port: int) -> bool:
        with contextlib.suppress(OSError, ValueError):
            rows = list(self._rows())
            ends = [
                (uid, inode)
                for local, remote, state, uid, inode in rows
                if state == _ESTABLISHED
                and local[1] == client_port
                and remote[1] == server_port
                and local[0].is_loopback
            ]
            if len(ends) != 1 or ends[0][0] != os.geteuid():
                return False
            abroad = {
                inode
                for local, _, state, _, inode in rows
                if state == _LISTENS and not local[0].is_loopback
            }
            return self._owner_is_plain(ends[0][1], abroad)
        return False

    def _owner_is_plain(self, inode: int, abroad: set[int]) -> bool:
        """Who asked before is looked at first: a browser opens many connections."""
        for pid in [*reversed(self._seen), *_pids()]:
            if inode in _sockets(pid):
                self._seen = [*(one for one in self._seen if one != pid), pid][-_SEEN:]
                return _is_plain(pid, abroad)
        return False

    def _rows(self) -> Iterator[tuple[_End, _End, str, int, int]]:
        for table in self._tables:
            for line in (_PROC / "net" / table).read_text().splitlines()[1:]:
                parts = line.split()
                if parts[3] in (_LISTENS, _ESTABLISHED):
                    yield _end(parts[1]), _end(parts[2]), parts[3], int(parts[7]), int(parts[9])


_Address = ipaddress.IPv4Address | ipaddress.IPv6Address
_End = tuple[_Address, int]


def _end(text: str) -> _End:
    """An address as the kernel writes it: words of four bytes in the machine's order, and the port."""
    host, port = text.split(":")
    words = [int(host[i : i + 8], 16) for i in range(0, len(host), 8)]
    packed = b"".join(struct.pack("=I", word) for word in words)
    address = ipaddress.ip_address(packed)
    mapped = getattr(address, "ipv4_mapped", None)
    return mapped or address, int(port, 16)


def _pids() -> Iterator[int]:
    for entry in _PROC.iterdir():
        if entry.name.isdigit():
            yield int(entry.name)


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


def _is_plain(pid: int, abroad: set[int]) -> bool:
    """No program that passes connections on; one that listens to others only if it is our own kind."""
    try:
        name = (_PROC / str(pid) / "comm").read_text().strip()
        own = os.path.realpath(f"/proc/{pid}/exe") == os.path.realpath("/proc/self/exe")
    except OSError:
        return False
    return name not in PASSING_ON and (own or not _sockets(pid) & abroad)
