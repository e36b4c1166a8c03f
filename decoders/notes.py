"""What a crew writes down while it searches: bearings, searched ground, claims, what was found.

One JSON object a reception, made by our own pages; `id` names it (a later one of the same id does not
count), `by` who wrote it, `time_ms` when (UTC milliseconds). Places are latitude and longitude in degrees
(WGS 84), bearings degrees of true north.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

import orjson
from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from decoders.reports import (
    BearingReport,
    CallOffReport,
    ClaimReport,
    DecodeError,
    FoundReport,
    NoteReport,
    SearchedReport,
)

MAX_BODY_BYTES = 64_000
MAX_CORNERS = 1_000
SOURCE = "notes"  # the name of their source; "car-1/notes" where stations share

_Latitude = Annotated[float, Field(ge=-90.0, le=90.0)]
_Longitude = Annotated[float, Field(ge=-180.0, le=180.0)]
_Text = Annotated[str, Field(max_length=300)]
_Name = Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[^\x00-\x1f\x7f]+$")]


class _Note(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    id: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{8,40}$")]
    by: _Name
    time_ms: Annotated[int, Field(ge=0, le=4_102_444_800_000)]
    flight: Annotated[str, Field(max_length=100)] = ""

    def common(self) -> dict[str, Any]:
        return {
            "name": self.by,
            "id": self.id,
            "time_s": self.time_ms / 1_000.0,
            "flight": self.flight,
        }


class _Bearing(_Note):
    """`sureness` is of one sigma; "ahead": strong, somewhere before whoever listens."""

    kind: Literal["bearing"]
    latitude_deg: _Latitude
    longitude_deg: _Longitude
    bearing_deg: Annotated[float, Field(ge=0.0, le=360.0)]
    sureness: Literal["sharp", "broad", "ahead"]


class _Searched(_Note):
    """A stretch that was walked or driven: a line with a width of sight; closed: the ground within."""

    kind: Literal["searched"]
    path: Annotated[
        tuple[tuple[_Latitude, _Longitude], ...], Field(min_length=1, max_length=MAX_CORNERS)
    ]
    closed: bool = False
    width_m: Annotated[float, Field(ge=1.0, le=2_000.0)]
    ground: Literal["open", "crops", "wood"]


class _Found(_Note):
    kind: Literal["found"]
    latitude_deg: _Latitude
    longitude_deg: _Longitude
    note: _Text = ""
    photo: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")] | None = None


class _Claim(_Note):
    """Who goes there, or why nobody can."""

    kind: Literal["claim", "unreachable"]
    note: _Text = ""


class _CallOff(_Note):
    """Takes an earlier note back."""

    kind: Literal["call off"]
    of: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{8,40}$")]


_ANY: TypeAdapter[_Bearing | _Searched | _Found | _Claim | _CallOff] = TypeAdapter(
    Annotated[_Bearing | _Searched | _Found | _Claim | _CallOff, Field(discriminator="kind")]
)


def decode_note(body: bytes) -> NoteReport:
    """DecodeError: not such an object, too large, or a value that cannot be."""
    if len(body) > MAX_BODY_BYTES:
        raise DecodeError(f"a note of {len(body)} bytes, at most {MAX_BODY_BYTES} are read")
    try:
        note = _ANY.validate_python(orjson.loads(body))
    except orjson.JSONDecodeError as error:
        raise DecodeError(f"a note is not JSON: {error}") from error
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False, include_input=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise DecodeError(f"a note's {where or 'kind'}: {first['msg']}") from error
    common = note.common()
    if isinstance(note, _Bearing):
        return BearingReport(
            **common,
            latitude_deg=note.latitude_deg,
            longitude_deg=note.longitude_deg,
            bearing_deg=note.bearing_deg % 360.0,
            sureness=note.sureness,
        )
    if isinstance(note, _Searched):
        return SearchedReport(
            **common, path=note.path, closed=note.closed, width_m=note.width_m, ground=note.ground
        )
    if isinstance(note, _Found):
        return FoundReport(
            **common,
            latitude_deg=note.latitude_deg,
            longitude_deg=note.longitude_deg,
            note=note.note,
            photo=note.photo,
        )
    if isinstance(note, _CallOff):
        return CallOffReport(**common, of=note.of)
    return ClaimReport(**common, can=note.kind == "claim", note=note.note)
