"""The crew's notes: what is read, and what is refused with a reason."""

from __future__ import annotations

import json
from typing import Any

import pytest

from decoders.decode import decode
from decoders.notes import MAX_BODY_BYTES, decode_note
from decoders.reports import (
    BearingReport,
    CallOffReport,
    ClaimReport,
    DecodeError,
    FoundReport,
    SearchedReport,
)

COMMON = {"id": "note-0001", "by": "Car 1", "time_ms": 1_780_000_000_000}
BEARING = {"kind": "bearing", "latitude_deg": 38.4, "longitude_deg": -98.2, "bearing_deg": 360.0}


def body(**note: Any) -> bytes:
    return json.dumps(COMMON | note).encode()


def test_each_kind_is_read() -> None:
    read = decode_note(body(**BEARING, sureness="broad"))
    assert isinstance(read, BearingReport)
    assert (read.name, read.bearing_deg, read.time_s) == ("Car 1", 0.0, 1_780_000_000.0)
    path = [[38.4, -98.2], [38.41, -98.2]]
    stretch = decode_note(body(kind="searched", path=path, width_m=30, ground="wood"))
    assert isinstance(stretch, SearchedReport)
    assert stretch.path == ((38.4, -98.2), (38.41, -98.2))
    found = decode_note(body(kind="found", latitude_deg=1, longitude_deg=2, note="in a ditch"))
    assert isinstance(found, FoundReport)
    assert isinstance(decode_note(body(kind="claim")), ClaimReport)
    cannot = decode_note(body(kind="unreachable", note="across the river"))
    assert isinstance(cannot, ClaimReport)
    assert not cannot.can
    assert isinstance(decode_note(body(kind="call off", of="note-0002")), CallOffReport)


@pytest.mark.parametrize(
    ("note", "words"),
    [
        (b"{", "not JSON"),
        (b"[]", "a note's"),
        (b"null", "a note's"),
        (body(kind="dance"), "a note's"),
        (body(**BEARING), "sureness"),
        (body(**BEARING | {"bearing_deg": 361.0}, sureness="sharp"), "bearing_deg"),
        (body(**BEARING | {"latitude_deg": 91.0}, sureness="sharp"), "latitude_deg"),
        (body(**BEARING, sureness="sharp", more=1), "more"),
        (body(**BEARING, sureness="sharp").replace(b"38.4", b"NaN"), "not JSON"),
        (body(kind="searched", path=[], width_m=30, ground="open"), "path"),
        (body(kind="searched", path=[[0, 0]] * 1_001, width_m=30, ground="open"), "path"),
        (body(kind="found", latitude_deg=0, longitude_deg=0, photo="../x"), "photo"),
        (body(kind="claim", by="a\nb"), "by"),
        (body(kind="claim", id="short"), "id"),
        (b" " * (MAX_BODY_BYTES + 1), "at most"),
    ],
)
def test_what_cannot_be_is_refused(note: bytes, words: str) -> None:
    with pytest.raises(DecodeError, match=words):
        decode_note(note)
    assert decode("note", note, 0.0, "notes").problem is not None
