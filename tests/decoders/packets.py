"""Short words for the decoder tests: packets in, reports out."""

from __future__ import annotations

from datetime import UTC, datetime

from decoders.aprs import decode_information
from decoders.reports import PositionReport, Report, SensorReport, Transmission

HEARD_S = datetime(2026, 6, 15, 12, 0, 0, tzinfo=UTC).timestamp()


def at(text: str) -> float:
    """UTC seconds of an ISO time without a zone."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


def packet(information: bytes | str, destination: str = "APRS") -> Transmission:
    data = information.encode("latin-1") if isinstance(information, str) else information
    return Transmission("N0CALL-11", destination, (), data)


def reports(
    information: bytes | str, destination: str = "APRS", heard_at_s: float = HEARD_S
) -> tuple[Report, ...]:
    return decode_information(packet(information, destination), heard_at_s)


def position(
    information: bytes | str, destination: str = "APRS", heard_at_s: float = HEARD_S
) -> PositionReport:
    first = reports(information, destination, heard_at_s)[0]
    assert isinstance(first, PositionReport), first
    return first


def sensors(information: bytes | str, destination: str = "APRS") -> SensorReport:
    found = [one for one in reports(information, destination) if isinstance(one, SensorReport)]
    assert len(found) == 1, found
    return found[0]
