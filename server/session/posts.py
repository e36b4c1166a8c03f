"""Bodies that phones posted: one that comes twice is one.

A phone that has not heard our answer posts again, hours later perhaps. A body without times is another
matter: the same words said again then mean that it is still there.
"""

from __future__ import annotations

import hashlib

from decoders.phone import decode_body
from decoders.reports import DecodeError


def post_key(source: str, body: bytes) -> bytes | None:
    """The same for the same body of the same phone; None for one that does not say its times."""
    try:
        reports, _ = decode_body(body, source)
    except DecodeError:
        return None
    if not all(report.time_s is not None for report in reports):
        return None
    return hashlib.sha256(source.encode() + b"\0" + body).digest()
