"""The same as `socket_diag` from the kernel's tables (proc(5), net/tcp), where it answers no questions.

Walking them takes some 10 ms each time.
"""

from __future__ import annotations

import ipaddress
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from server.screen.socket_diag import Address, End, Socket, unmapped

_TABLES = Path("/proc/net/tcp"), Path("/proc/net/tcp6")
_LISTENS, _ESTABLISHED = "0A", "01"


class _Row(NamedTuple):
    local: str
    remote: str
    state: str
    uid: str
    inode: str


def established(local: End, remote: End) -> Socket | None:
    """The connection from `local` to `remote`; None: there is no such. OSError: the tables do not tell."""
    ports = f":{local[1]:04X}", f":{remote[1]:04X}"
    ends = unmapped(local[0]), unmapped(remote[0])
    found = [
        _socket(row)
        for row in _rows(_ESTABLISHED)
        if row.local.endswith(ports[0])
        and row.remote.endswith(ports[1])
        and (_address(row.local), _address(row.remote)) == ends
    ]
    return found[0] if len(found) == 1 else None


def listening() -> list[Socket]:
    """All sockets that take connections. OSError as for `established`."""
    return [_socket(row) for row in _rows(_LISTENS)]


def _rows(state: str) -> Iterator[_Row]:
    for table in _TABLES:
        for line in table.read_text().splitlines()[1:]:
            column = line.split(maxsplit=10)
            if len(column) < 10:
                raise OSError(f"{table}: a line that is cut")
            row = _Row(column[1], column[2], column[3], column[7], column[9])
            if row.state == state:
                yield row


def _socket(row: _Row) -> Socket:
    return Socket(int(row.uid), int(row.inode), _address(row.local))


def _address(text: str) -> Address:
    """As the kernel writes it: words of four bytes in the machine's order, and the port."""
    host, _ = text.split(":")
    words = [int(host[i : i + 8], 16) for i in range(0, len(host), 8)]
    address = ipaddress.ip_address(b"".join(struct.pack("=I", word) for word in words))
    return getattr(address, "ipv4_mapped", None) or address
