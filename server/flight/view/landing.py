"""The landing as the crew sees it: point, areas, path, contact."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from server.flight.chase.contact import Contact, Receiver, contact_of
from server.flight.inputs import AvoidArea
from server.flight.landing.predict import Landing
from server.flight.landing.question import LandingQuestion
from server.flight.times import rfc3339
from server.flight.view.landing_words import landing_text

_ALOFT = ("ascent", "float", "descent")


def describe_landing(
    question: LandingQuestion,
    landing: Landing,
    now_s: float,
    receivers: Sequence[Receiver],
    lost_after_s: float,
) -> dict[str, Any]:
    """`receivers`: whose contact is told, the first of them foremost. A payload that is aloft and was
    not heard for `lost_after_s` is looked for from its last contact."""
    frame = question.frame
    latitude_deg, longitude_deg = map(float, frame.to_latlon(landing.x_m, landing.y_m))
    silent_s = now_s - landing.as_of_s
    basis = landing.basis
    if basis == "prediction" and question.phase in _ALOFT and silent_s > lost_after_s:
        basis = "last contact"
    path = landing.path[_shown(len(landing.path))]
    path_lat, path_lon = frame.to_latlon(path[:, 1], path[:, 2])
    contacts = []
    if basis != "landed fix":
        contacts = [_contact(contact_of(question, landing, receiver)) for receiver in receivers]
    return {
        "time": rfc3339(landing.time_s),
        "time_early": rfc3339(landing.early_s),
        "time_late": rfc3339(landing.late_s),
        "latitude_deg": latitude_deg,
        "longitude_deg": longitude_deg,
        "altitude_m": landing.altitude_m,
        "search_area": {
            "p50": _polygon(question, landing.half.ring_m),
            "p90": _polygon(question, landing.nine_tenths.ring_m),
        },
        "radius_90_m": landing.nine_tenths.radius_m,
        "as_of": rfc3339(landing.as_of_s),
        "basis": basis,
        "text": landing_text(basis, question, landing, now_s),
        "path": [
            [rfc3339(t), round(lat, 5), round(lon, 5), round(z, 1)]
            for t, lat, lon, z in zip(
                path[:, 0].tolist(), path_lat.tolist(), path_lon.tolist(), path[:, 3].tolist(),
                strict=True,
            )
        ],
        "fall_speed_sea_level_ms": landing.fall_speed_sea_level_ms,
        "avoid": [{"name": name, "chance": chance} for name, chance in landing.avoid],
        "contact_lost": contacts[0]["lost"] if contacts else None,
        "contacts": contacts,
    }  # fmt: skip


def _shown(rows: int) -> list[int]:
    """Every second row of the path and its end: it is sent anew with each prediction."""
    return [*range(0, rows - 1, 2), rows - 1] if rows else []


def _contact(contact: Contact) -> dict[str, Any]:
    loss = contact.lost
    return {
        "receiver": contact.receiver,
        "lowest_altitude_m": contact.lowest_altitude_m,
        "lost": None
        if loss is None
        else {
            "time": rfc3339(loss.time_s),
            "altitude_m": loss.altitude_m,
            "height_above_ground_m": loss.height_above_ground_m,
        },
    }


def describe_area(area: AvoidArea) -> dict[str, Any]:
    """Every ring a polygon of its own: holes are rare here, and hatched all the same."""
    return {
        "type": "Feature",
        "properties": {"name": area.name},
        "geometry": {
            "type": "MultiPolygon",
            "coordinates": [[[list(corner) for corner in ring]] for ring in area.rings],
        },
    }


def _polygon(question: LandingQuestion, ring_m: Any) -> dict[str, Any]:
    latitude_deg, longitude_deg = question.frame.to_latlon(ring_m[:, 0], ring_m[:, 1])
    ring = [
        [round(lon, 6), round(lat, 6)]
        for lon, lat in zip(longitude_deg.tolist(), latitude_deg.tolist(), strict=True)
    ]
    ring[-1] = ring[0]
    return {"type": "Polygon", "coordinates": [ring]}
