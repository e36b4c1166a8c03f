"""A reception with what it says, read by the put-right time of its hearing."""

from __future__ import annotations

from typing import NamedTuple

from decoders.decode import decode
from decoders.readings import Reading
from decoders.reports import Decoding
from server.flight.inputs import Reception
from server.flight.packets.deduplication import Hearing


def decoded(reception: Reception, heard_at_s: float, reading: Reading | None) -> Decoding:
    """What it says, had it been heard then: a time without a date belongs to the day of hearing."""
    return decode(reception.wire, reception.payload, heard_at_s, reception.source, reading)


class Taken(NamedTuple):
    """`heard_at_ms` is put right; the reception keeps what its station's clock read."""

    heard_at_ms: int
    reception: Reception
    decoding: Decoding

    def order(self) -> tuple[int, Reception]:
        """The canonical order of what is taken in."""
        return self.heard_at_ms, self.reception

    def content_and_hearing(self) -> tuple[bytes, Hearing]:
        """What tells a transmission from another, and who heard it how."""
        source, transmission = self.reception.source, self.decoding.transmission
        if transmission is None:
            saved = self.reception.wire == "phone"
            return self.reception.payload, Hearing(self.heard_at_ms, source, (), "", saved)
        if not transmission.path:
            return transmission.information, Hearing(self.heard_at_ms, source, (), "")
        repeated_by, fed_by = transmission.repeated_by, transmission.fed_by or ""
        return transmission.information, Hearing(self.heard_at_ms, source, repeated_by, fed_by)

    def text(self) -> str:
        """For people, who are shown the packets of those whom they follow."""
        transmission = self.decoding.transmission
        if transmission is None:
            return self.reception.payload.decode("utf-8", "replace")
        via = "".join(f",{v}" for v in transmission.path)
        said = transmission.information.decode("latin-1")
        return f"{transmission.sender}>{transmission.destination}{via}:{said}"
