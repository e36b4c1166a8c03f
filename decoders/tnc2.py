"""TNC2 monitor lines, as TNCs print them and as APRS-IS carries them.

    SENDER>DESTINATION,VIA,VIA*,qAR,GATE:information

"*" marks the last via that has repeated the packet (some TNCs mark every one). A q-construct and
what follows it were added by the internet servers. A line that starts with "#" is the server's own
remark. Internet callsigns may have nine characters and letters for an SSID, which AX.25 cannot
carry; servers and gates call themselves what they like. The header is no part of the position: a
packet with a name that nobody expects is kept, and its `odd_names` tell.

Trackers on LoRa put three bytes before the line (common practice, no source).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from decoders import monitor
from decoders.reports import DecodeError, Transmission

LORA_PREFIX = b"<\xff\x01"
MAX_VIAS = 24  # eight on the air, the rest added by servers
MAX_NAME_CHARACTERS = 40
MAX_NESTING = 4  # third-party packets inside third-party packets

_USUAL = re.compile(r"(?=.{1,9}\Z)[A-Za-z0-9]{1,9}(?:-[A-Za-z0-9]{1,2})?")
_USUAL_VIA = re.compile(
    r"(?:(?=.{1,9}\*?\Z)[A-Za-z0-9]{1,9}(?:-[A-Za-z0-9]{1,2})?|[0-9A-F]{32})\*?"
)  # 32 hexadecimal digits: an IPv6 address that servers put after qAI
_READABLE = re.compile(rf"[A-Za-z0-9][A-Za-z0-9/_.-]{{0,{MAX_NAME_CHARACTERS - 1}}}")
_Q_CONSTRUCT = re.compile(r"qA[A-Za-z]")


@dataclass(frozen=True, slots=True)
class ServerComment:
    """What an APRS-IS server says about itself or the login; `text` without "#"."""

    text: str


def decode_line(line: bytes) -> Transmission | ServerComment:
    """One line, with or without its end, plain or as a TNC prints it for people (see monitor).

    DecodeError says which part is not as expected.
    """
    line = line.rstrip(b"\r\n").removeprefix(LORA_PREFIX)
    if line.startswith(b"#"):
        return ServerComment(line[1:].decode("utf-8", "replace").strip())
    try:
        return _plain(line)
    except DecodeError:
        printed = monitor.read(line.decode("latin-1"))
        if printed is None:
            raise
    return _transmission(
        printed.sender, printed.destination, printed.vias, printed.information.encode("latin-1")
    )


def awaits_information(line: bytes) -> bool:
    """Is the line a header alone? Its information then stands on the next one."""
    try:
        read = decode_line(line)
    except DecodeError:
        return False
    return isinstance(read, Transmission) and not read.information.strip()


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
        inner = _plain(transmission.information[1:])
        fed = next((i for i, v in enumerate(transmission.path) if _Q_CONSTRUCT.fullmatch(v)), None)
        outer = transmission.path[fed:] if fed is not None else ()
        odd = inner.odd_names + transmission.odd_names
        transmission = replace(inner, path=inner.path + outer, odd_names=odd)
    raise DecodeError(f"third-party packets nested more than {MAX_NESTING} deep")


def _plain(line: bytes) -> Transmission:
    header, colon, information = line.partition(b":")
    if not colon:
        raise DecodeError("no ':' between header and information")
    sender, arrow, rest = header.decode("latin-1").partition(">")
    if not arrow:
        raise DecodeError("no '>' between sender and destination")
    destination, *vias = rest.split(",")
    return _transmission(sender, destination, tuple(vias), information.lstrip(b"\r\n"))


def _transmission(
    sender: str, destination: str, vias: tuple[str, ...], information: bytes
) -> Transmission:
    odd: list[str] = []
    for role, callsign in (("sender", sender), ("destination", destination)):
        if not _READABLE.fullmatch(callsign):
            raise DecodeError(f"{role} {_short(callsign)} is not a callsign")
        if not _USUAL.fullmatch(callsign):
            odd.append(callsign)
    path = []
    for via in vias:
        if _USUAL_VIA.fullmatch(via):  # as a rule: printable, and short
            path.append(via if _Q_CONSTRUCT.fullmatch(via) else _normal(via))
            continue
        if any(character.isspace() for character in via):
            raise DecodeError(f"via {_short(via)} has a blank")
        odd.append(via[:MAX_NAME_CHARACTERS])
        if kept := _kept(via):
            path.append(kept)
    if len(path) > MAX_VIAS:
        odd.append(f"{len(path)} vias")
        path = _shortened(path)
    return Transmission(
        sender=_normal(sender),
        destination=_normal(destination),
        path=tuple(path),
        information=information,
        odd_names=tuple(odd),
    )


def _kept(via: str) -> str:
    """An odd via as the path keeps it: printable, of bounded length; "" for one that is empty."""
    name = re.sub(r"[^!-~]|[*>:]", "?", via.rstrip("*")[:MAX_NAME_CHARACTERS])
    return _normal(name + "*" if via.endswith("*") and name else name)


def _shortened(path: list[str]) -> list[str]:
    """Half of MAX_VIAS of what was on the air, and as much from the q-construct on."""
    half = MAX_VIAS // 2
    fed = next((i for i, via in enumerate(path) if _Q_CONSTRUCT.fullmatch(via)), len(path))
    return path[: min(fed, half)] + path[fed : fed + half]


def _normal(callsign: str) -> str:
    upper = callsign.upper()
    if upper.endswith("-0"):
        return upper[:-2]
    return upper[:-3] + "*" if upper.endswith("-0*") else upper


def _short(text: str) -> str:
    return repr(text if len(text) <= 20 else text[:20] + "...")
