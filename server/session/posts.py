"""Bodies that phones posted: one that comes twice is one.

A phone that has not heard our answer posts again, hours later perhaps. A body without times is another
matter: the same words said again then mean that it is still there.
"""

from __future__ import annotations

import asyncio
import hashlib

from decoders.phone import decode_body
from decoders.reports import DecodeError
from server.flight.inputs import Reception


def post_key(source: str, body: bytes) -> bytes | None:
    """The same for the same body of the same phone; None for one that does not say its times."""
    try:
        reports, _ = decode_body(body, source)
    except DecodeError:
        return None
    if not all(report.time_s is not None for report in reports):
        return None
    return hashlib.sha256(source.encode() + b"\0" + body).digest()


class Posts:
    """Bodies that came: their numbers in the journal, or who will tell them."""

    def __init__(self) -> None:
        self._numbers: dict[bytes, int] = {}
        self._in_hand: dict[bytes, asyncio.Future[int]] = {}  # not on disk yet

    def number(self, key: bytes | None) -> int | None:
        return None if key is None else self._numbers.get(key)

    def in_hand(self, key: bytes | None) -> asyncio.Future[int] | None:
        return None if key is None else self._in_hand.get(key)

    def hold(self, key: bytes | None, stored: asyncio.Future[int]) -> None:
        """It is being written down."""
        if key is not None:
            self._in_hand[key] = stored

    def remember(self, reception: Reception, number: int) -> None:
        """A post that is on disk now: the same again is the same."""
        if reception.wire != "phone":
            return
        key = post_key(reception.source, reception.payload)
        if key is not None:
            self._numbers.setdefault(key, number)
            self._in_hand.pop(key, None)
