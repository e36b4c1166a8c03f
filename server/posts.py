"""Bodies that phones posted: one that comes twice is one.

A phone that has not heard our answer posts again, hours later perhaps. A body without times is another
matter: the same words said again then mean that it is still there.
"""

from __future__ import annotations

import hashlib

from decoders.phone import decode_body
from decoders.reports import DecodeError
from server.flight.inputs import Reception


class Posts:
    """What was posted, by what it says."""

    def __init__(self) -> None:
        self._numbers: dict[bytes, int] = {}

    def number_of(self, source: str, body: bytes) -> int | None:
        """The journal's number of the same body of the same phone; None when it is new."""
        return self._numbers.get(_digest(source, body))

    def remember(self, reception: Reception, number: int) -> None:
        """It is in the journal now."""
        if reception.wire == "phone" and _says_its_times(reception):
            self._numbers.setdefault(_digest(reception.source, reception.payload), number)


def _says_its_times(reception: Reception) -> bool:
    try:
        reports, _ = decode_body(reception.payload, reception.source)
    except DecodeError:
        return False
    return all(report.time_s is not None for report in reports)


def _digest(source: str, body: bytes) -> bytes:
    return hashlib.sha256(source.encode() + b"\0" + body).digest()
