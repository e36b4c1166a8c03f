"""What the system says when a source fails, in words that tell what to do."""

from __future__ import annotations

import errno
import re
import socket

from server.sources.spec import SourceSpec

_NO_WAY = (errno.ENETUNREACH, errno.EHOSTUNREACH, errno.ENETDOWN)


def open_failed(spec: SourceSpec, error: OSError) -> str:
    """Why the source did not open."""
    if spec.transport == "serial":
        return _serial(spec, error)
    if isinstance(error, TimeoutError):
        return f"{spec.place} did not answer; is it switched on and on this network?"
    number = _number(error)
    if number == errno.ECONNREFUSED:
        return (
            f"{spec.place} refused the connection; start the program that serves it there, or"
            " correct host and port in the plan"
        )
    if isinstance(error, socket.gaierror):
        return f"no address for the name {spec.address[0]}; check its spelling and the network"
    if number in _NO_WAY:
        return f"no way to {spec.place}; is this laptop on the right network?"
    if number == errno.EADDRINUSE:
        return f"{spec.place} is in use by another program; close it, or take another port"
    if number == errno.EADDRNOTAVAIL:
        return f"{spec.address[0]} is not an address of this laptop; correct host in the plan"
    if isinstance(error, PermissionError):
        return f"the system forbids {spec.place}; take a port above 1023"
    return f"{spec.place} did not open: {_plain(error)}"


def broken(spec: SourceSpec, error: OSError) -> str:
    """Why the source ended while it was open."""
    if spec.transport == "serial":
        return f"{spec.device} is gone ({_plain(error)}); plug it in again"
    return f"the connection to {spec.place} broke: {_plain(error)}"


def ended(spec: SourceSpec, remark: str | None) -> str:
    """The other side has closed; `remark` is the last thing it said of itself."""
    if spec.transport == "serial":
        return f"{spec.device} is gone; plug it in again"
    said = f"; its last remark: {remark}" if remark else ""
    return f"{spec.place} closed the connection{said}"


def _serial(spec: SourceSpec, error: OSError) -> str:
    device = spec.device
    if isinstance(error, TimeoutError):
        return f"{device} does not open; unplug it and plug it in again"
    if error.errno in (errno.ENOENT, errno.ENXIO, errno.ENODEV):
        return f"no device {device}; plug it in, or correct the device in the plan"
    if error.errno in (errno.EACCES, errno.EPERM):
        return (
            f"no permission for {device}; add yourself to the group dialout"
            " (sudo usermod -aG dialout $USER), then log out and in again"
        )
    if error.errno in (errno.EBUSY, errno.EAGAIN):
        return f"{device} is in use by another program; close that program"
    # pyserial leaves the number out where what it opened is no terminal, and was told so
    no_terminal = type(error.__context__).__module__ == "termios"
    if no_terminal or error.errno in (errno.ENOTTY, errno.EINVAL, errno.EISDIR):
        return f"{device} is not a serial port; correct the device in the plan"
    return f"{device} did not open: {_plain(error)}"


def _number(error: OSError) -> int | None:
    """asyncio hides the number in the text where a name has several addresses."""
    if error.errno is None and (match := re.search(r"\[Errno (\d+)\]", str(error))):
        return int(match[1])
    return error.errno


def _plain(error: OSError) -> str:
    return error.strerror or str(error) or type(error).__name__
