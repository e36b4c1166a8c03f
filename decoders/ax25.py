"""AX.25 2.2 UI frames: addresses, digipeaters, control, PID, and the FCS of raw HDLC.

Layout (AX.25 2.2, section 3): destination, source and up to eight repeater addresses of seven bytes
each, the last one marked by its lowest bit; control; PID; information; FCS where the TNC leaves it
on. A frame that was cut can only be seen here: KISS has no check of its own.
"""

from __future__ import annotations

import re

from decoders.reports import DecodeError, Transmission

UI_CONTROLS = (0x03, 0x13)  # UI with the poll/final bit clear and set
NO_LAYER_3 = 0xF0
MAX_DIGIPEATERS = 8
_ADDRESS_BYTES = 7
_CALLSIGN = re.compile(r"([A-Z0-9]{1,6})(?:-(\d{1,2}))?(\*?)")


def _crc_table() -> tuple[int, ...]:
    table = []
    for byte in range(256):
        value = byte
        for _ in range(8):
            value = value >> 1 ^ 0x8408 if value & 1 else value >> 1
        table.append(value)
    return tuple(table)


_CRC_TABLE = _crc_table()  # polynomial x^16 + x^12 + x^5 + 1, lowest bit first (ISO/IEC 13239)


def fcs(data: bytes) -> int:
    """Frame check sequence, CRC-16/X-25; on the air its low byte goes first."""
    crc = 0xFFFF
    for byte in data:
        crc = crc >> 8 ^ _CRC_TABLE[(crc ^ byte) & 0xFF]
    return crc ^ 0xFFFF


def decode_ui(frame: bytes, fcs: bool = False) -> Transmission:
    """One UI frame, unescaped; `fcs` says that the two check bytes are still on it.

    Destination and digipeaters are no part of the position: a name there with characters that
    AX.25 does not allow has "?" in their place and stands in `odd_names`, as does a sender in lower
    case. DecodeError: cut short, wrong check, no sender, more than eight digipeaters, or not a UI
    frame without layer 3.
    """
    if fcs:
        frame = _without_fcs(frame)
    addresses, rest = _split_addresses(frame)
    if len(rest) < 2:
        raise DecodeError("AX.25 frame ends before its control and PID bytes")
    control, pid = rest[0], rest[1]
    if control not in UI_CONTROLS:
        raise DecodeError(f"not a UI frame: control 0x{control:02X}, expected 0x03 or 0x13")
    if pid != NO_LAYER_3:
        raise DecodeError(f"PID 0x{pid:02X}, expected 0xF0 (no layer 3)")
    destination, sender, *vias = addresses
    odd: list[str] = []
    return Transmission(
        sender=_sender(sender, odd),
        destination=_callsign(destination, odd),
        path=tuple(_callsign(via, odd) + ("*" if via[6] & 0x80 else "") for via in vias),
        information=rest[2:],
        odd_names=tuple(odd),
    )


def encode_ui(transmission: Transmission, *, fcs: bool = False) -> bytes:
    """The UI frame of `transmission` (command, poll bit clear), with its check bytes if asked.

    ValueError: a callsign that AX.25 cannot carry (internet names), or more than eight digipeaters.
    """
    if len(transmission.path) > MAX_DIGIPEATERS:
        raise ValueError(f"{len(transmission.path)} digipeaters; AX.25 carries at most eight")
    addresses = [
        _address(transmission.destination, high_bit=True),  # command frame: 1 here, 0 at the source
        _address(transmission.sender, high_bit=False),
        *(_address(via, high_bit=via.endswith("*")) for via in transmission.path),
    ]
    addresses[-1][6] |= 0x01
    frame = b"".join(addresses) + bytes([UI_CONTROLS[0], NO_LAYER_3]) + transmission.information
    return frame + _fcs_bytes(frame) if fcs else frame


def _fcs_bytes(frame: bytes) -> bytes:
    return fcs(frame).to_bytes(2, "little")


def _without_fcs(frame: bytes) -> bytes:
    body, check = frame[:-2], frame[-2:]
    if len(check) < 2:
        raise DecodeError("AX.25 frame too short for its check bytes")
    if _fcs_bytes(body) != check:
        raise DecodeError(f"FCS is 0x{check.hex()}, expected 0x{_fcs_bytes(body).hex()}")
    return body


def _split_addresses(frame: bytes) -> tuple[list[bytes], bytes]:
    addresses: list[bytes] = []
    for start in range(0, _ADDRESS_BYTES * (2 + MAX_DIGIPEATERS), _ADDRESS_BYTES):
        address = frame[start : start + _ADDRESS_BYTES]
        if len(address) < _ADDRESS_BYTES:
            raise DecodeError(f"AX.25 frame of {len(frame)} bytes ends inside its addresses")
        addresses.append(address)
        if address[6] & 0x01:
            if len(addresses) < 2:
                raise DecodeError("AX.25 address field ends before the source")
            return addresses, frame[start + _ADDRESS_BYTES :]
    raise DecodeError("AX.25 address field has no end after eight digipeaters")


def _sender(address: bytes, odd: list[str]) -> str:
    letters = _letters(address)
    if not re.fullmatch(r"[A-Za-z0-9]{1,6}", letters):
        raise DecodeError(f"AX.25 callsign {letters!r}, expected one to six letters and digits")
    return _callsign(address, odd)


def _callsign(address: bytes, odd: list[str]) -> str:
    """Upper case, with "?" for what cannot be; `odd` takes a name that is not as it should be."""
    letters = _letters(address)
    ssid = address[6] >> 1 & 0x0F
    suffix = f"-{ssid}" if ssid else ""
    if not re.fullmatch(r"[A-Z0-9]{1,6}", letters):
        odd.append(letters + suffix)
        letters = re.sub(r"[^A-Z0-9]", "?", letters.upper()) or "?"
    return letters + suffix


def _letters(address: bytes) -> str:
    if any(byte & 0x01 for byte in address[:6]):
        raise DecodeError(f"AX.25 address 0x{address.hex()} ends inside a callsign")
    return bytes(byte >> 1 for byte in address[:6]).decode("ascii").rstrip(" ")


def _address(callsign: str, high_bit: bool) -> bytearray:
    match = _CALLSIGN.fullmatch(callsign)
    if match is None or int(match[2] or 0) > 15:
        raise ValueError(f"AX.25 cannot carry the callsign {callsign!r}")
    address = bytearray(ord(letter) << 1 for letter in match[1].ljust(6))
    address.append(0x60 | int(match[2] or 0) << 1 | (0x80 if high_bit else 0))
    return address
