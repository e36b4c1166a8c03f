"""TNC2 monitor lines, as TNCs print them and as APRS-IS carries them.

    SENDER>DESTINATION,VIA,VIA*,qAR,GATE:information

"*" marks the last via that has repeated the packet (some TNCs mark every one). A q-construct and
what follows it were added by the internet servers. A line that starts with "#" is the server's own
remark. Internet callsigns may have nine characters and letters for an SSID, which AX.25 cannot
carry.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from .reports import DecodeError, Transmission

MAX_VIAS = 24  # eight on the air, the rest added by servers
MAX_NESTING = 4  # third-party packets inside third-party packets

_CALLSIGN = re.compile(r"(?=.{1,9}\Z)[A-Za-z0-9]{1,9}(?:-[A-Za-z0-9]{1,2})?")
# 32 hexadecimal digits: an IPv6 address that servers put after qAI
_VIA = re.compile(r"(?:(?=.{1,9}\*?\Z)[A-Za-z0-9]{1,9}(?:-[A-Za-z0-9]{1,2})?|[0-9A-F]{32})\*?")
_Q_CONSTRUCT = re.compile(r"qA[A-Za-z]")


@dataclass(frozen=True, slots=True)
class ServerComment:
    """What an APRS-IS server says about itself or the login; `text` without "#"."""

    text: str


def decode_line(line: bytes) -> Transmission | ServerComment:
    """One line, with or without its end. DecodeError says which part is not as expected."""
    line = line.rstrip(b"\r\n")
    if line.startswith(b"#"):
        return ServerComment(line[1:].decode("utf-8", "replace").strip())
    header, colon, information = line.partition(b":")
    if not colon:
        raise DecodeError("no ':' between header and information")
    sender, arrow, rest = header.decode("latin-1").partition(">")
    if not arrow:
        raise DecodeError("no '>' between sender and destination")
    destination, *vias = rest.split(",")
    for role, callsign in (("sender", sender), ("destination", destination)):
        if not _CALLSIGN.fullmatch(callsign):
            raise DecodeError(f"{role} {_short(callsign)} is not a callsign")
    if len(vias) > MAX_VIAS:
        raise DecodeError(f"{len(vias)} vias in the header, at most {MAX_VIAS} are read")
    for via in vias:
        if not _VIA.fullmatch(via):
            raise DecodeError(f"via {_short(via)} is not a callsign")
    return Transmission(
        sender=_normal(sender),
        destination=_normal(destination),
        path=tuple(via if _Q_CONSTRUCT.fullmatch(via) else _normal(via) for via in vias),
        information=information,
    )


def encode_line(transmission: Transmission) -> bytes:
    """The line of `transmission` without its end.

    ValueError for information that a line cannot carry: CR and LF would cut it.
    """
    if b"\r" in transmission.information or b"\n" in transmission.information:
        raise ValueError("information with CR or LF does not fit in a TNC2 line")
    header = ",".join((f"{transmission.sender}>{transmission.destination}", *transmission.path))
    return header.encode("ascii") + b":" + transmission.information


def unwrap(transmission: Transmission) -> Transmission:
    """The innermost packet of a third-party packet (information "}..."); others come back as given.

    The inner header says who sent it; the outer one only who passed it on, so of the outer path
    just the q-construct and what follows stay. DecodeError: an inner packet that cannot be read, or
    more than MAX_NESTING of them inside each other.
    """
    for _ in range(MAX_NESTING + 1):
        if not transmission.information.startswith(b"}"):
            return transmission
        inner = decode_line(transmission.information[1:])
        if isinstance(inner, ServerComment):
            raise DecodeError("third-party packet holds a server comment")
        fed = next((i for i, v in enumerate(transmission.path) if _Q_CONSTRUCT.fullmatch(v)), None)
        outer = transmission.path[fed:] if fed is not None else ()
        transmission = replace(inner, path=inner.path + outer)
    raise DecodeError(f"third-party packets nested more than {MAX_NESTING} deep")


def _normal(callsign: str) -> str:
    upper = callsign.upper()
    if upper.endswith("-0"):
        return upper[:-2]
    return upper[:-3] + "*" if upper.endswith("-0*") else upper


def _short(text: str) -> str:
    return repr(text if len(text) <= 20 else text[:20] + "...")
