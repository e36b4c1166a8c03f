"""Whose socket is at the other end of a connection of this machine, asked of Linux by sock_diag(7).

The kernel finds one connection by its two ends in a tenth of a millisecond; its tables in /proc/net are
walked whole, some 10 ms each time, while nothing else is done.
"""

from __future__ import annotations

import ipaddress
import socket
import struct
from collections.abc import Iterator
from typing import NamedTuple

_SOCK_DIAG = 4  # of the netlink families
_BY_FAMILY = 20  # the kind of a message, SOCK_DIAG_BY_FAMILY
_REQUEST, _ALL = 0x1, 0x300  # NLM_F_REQUEST, NLM_F_DUMP
_DONE, _ERROR = 3, 2
_NO_SUCH = -2  # ENOENT
_MESSAGE = struct.Struct("=IHHII")  # nlmsghdr: length, kind, flags, sequence, port
_ASKED = struct.Struct("=BBBBI")  # inet_diag_req_v2: family, protocol, extensions, padding, states
_ENDS = struct.Struct("!HH16s16s")  # inet_diag_sockid, then interface and cookie
_ANY = struct.pack("=III", 0, 0xFFFFFFFF, 0xFFFFFFFF)
_TOLD = struct.Struct("=BBBB")  # inet_diag_msg: family, state, timer, retransmits; then the ends
_OWNER = struct.Struct("=12xII")  # behind the ends: user and inode
_TOLD_SIZE = _TOLD.size + _ENDS.size + len(_ANY) + _OWNER.size
_ESTABLISHED, _LISTENS = 1, 10

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
End = tuple[str, int]  # address and port


class Socket(NamedTuple):
    """The user it belongs to, its inode, and its own address."""

    uid: int
    inode: int
    address: Address


def established(local: End, remote: End) -> Socket | None:
    """The connection from `local` to `remote`; None: there is no such.

    OSError: the system does not tell (another one than Linux, or a kernel without it).
    """
    ours, theirs = unmapped(local[0]), unmapped(remote[0])
    family = socket.AF_INET if ours.version == 4 else socket.AF_INET6
    ends = _ENDS.pack(
        local[1], remote[1], ours.packed.ljust(16, b"\0"), theirs.packed.ljust(16, b"\0")
    )
    found = _asked(family, _ESTABLISHED, _REQUEST, ends)
    return found[0] if len(found) == 1 else None


def listening() -> list[Socket]:
    """All sockets that take connections. OSError as for `established`."""
    none = _ENDS.pack(0, 0, bytes(16), bytes(16))
    families = socket.AF_INET, socket.AF_INET6
    return [one for of in families for one in _asked(of, _LISTENS, _REQUEST | _ALL, none)]


def _asked(family: int, state: int, flags: int, ends: bytes) -> list[Socket]:
    netlink = getattr(socket, "AF_NETLINK", None)
    if netlink is None:
        raise OSError("no netlink")
    body = _ASKED.pack(family, socket.IPPROTO_TCP, 0, 0, 1 << state) + ends + _ANY
    found = list[Socket]()
    with socket.socket(netlink, socket.SOCK_RAW, _SOCK_DIAG) as asking:
        asking.settimeout(1.0)
        asking.send(_MESSAGE.pack(_MESSAGE.size + len(body), _BY_FAMILY, flags, 1, 0) + body)
        while True:
            for kind, told in _messages(asking.recv(65_536)):
                if kind == _DONE:
                    return found
                if kind == _ERROR:
                    (code,) = struct.unpack_from("=i", told)
                    if code == _NO_SUCH:
                        return found
                    raise OSError(-code, "sock_diag")
                found += [_socket(told)] if _TOLD.unpack_from(told)[1] == state else []
            if not flags & _ALL:
                return found


def _messages(answer: bytes) -> Iterator[tuple[int, bytes]]:
    """Kind and content of each. OSError: one is cut."""
    at = 0
    while at < len(answer):
        if len(answer) - at < _MESSAGE.size:
            raise OSError("an answer that is cut")
        length, kind, *_ = _MESSAGE.unpack_from(answer, at)
        told = answer[at + _MESSAGE.size : at + length]
        least = _TOLD_SIZE if kind == _BY_FAMILY else 4
        if kind not in (_DONE, _ERROR, _BY_FAMILY) or len(told) < least:
            raise OSError("an answer that is cut")
        yield kind, told
        at += (length + 3) & ~3  # each begins at a multiple of four


def _socket(told: bytes) -> Socket:
    family = _TOLD.unpack_from(told)[0]
    _, _, ours, _ = _ENDS.unpack_from(told, _TOLD.size)
    address = ipaddress.ip_address(ours[:4] if family == socket.AF_INET else ours)
    uid, inode = _OWNER.unpack_from(told, _TOLD_SIZE - _OWNER.size)
    return Socket(uid, inode, getattr(address, "ipv4_mapped", None) or address)


def unmapped(text: str) -> Address:
    """OSError: no address."""
    try:
        address = ipaddress.ip_address(text)
    except ValueError as error:
        raise OSError(f"no address: {text}") from error
    return getattr(address, "ipv4_mapped", None) or address
