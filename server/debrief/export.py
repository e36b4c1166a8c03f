"""The flight in open formats: GPX 1.1, KML 2.2, GeoJSON (RFC 7946), CSV and the text log.

Each keeps the fused (smoothed) track and the raw fixes apart. Altitudes are metres above mean sea level.
"""

from __future__ import annotations

import itertools
import re
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from typing import Any

import orjson

from server.debrief.csv_tables import fixes_csv, predictions_csv, reason, track_csv
from server.debrief.record import FlightRecord, RawFix
from server.flight.times import rfc3339
from server.journal.text import format_line

GPX = "http://www.topografix.com/GPX/1/1"
KML = "http://www.opengis.net/kml/2.2"
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
FUSED = "Fused track"


def files(record: FlightRecord) -> dict[str, bytes]:
    """All exports by the end of their file names."""
    return {
        ".gpx": gpx(record),
        ".kml": kml(record),
        ".geojson": geojson(record),
        "-track.csv": track_csv(record),
        "-fixes.csv": fixes_csv(record),
        "-predictions.csv": predictions_csv(record),
        "-heard.log": text_log(record),
    }


def by_tracker(record: FlightRecord) -> dict[str, list[RawFix]]:
    """Raw fixes of each tracker, in order of time."""
    found: dict[str, list[RawFix]] = {}
    for raw in record.raw:
        found.setdefault(raw.fix.tracker, []).append(raw)
    return dict(sorted(found.items()))


def _add(parent: ET.Element, tag: str, text: str | None = None, **attributes: str) -> ET.Element:
    child = ET.SubElement(parent, tag, attributes)
    if text is not None:
        child.text = _NOT_XML.sub("\ufffd", text)
    return child


def _xml(root: ET.Element) -> bytes:
    packed: bytes = ET.tostring(root, encoding="utf-8", xml_declaration=True)
    return packed


def gpx(record: FlightRecord) -> bytes:
    """Events as waypoints, the fused track and each tracker's fixes as tracks."""
    root = ET.Element("gpx", {"xmlns": GPX, "version": "1.1", "creator": "Leeward"})
    about = _add(root, "metadata")
    _add(about, "name", record.name)
    for event in record.happenings:
        point = _gpx_point(
            root, "wpt", event.latitude_deg, event.longitude_deg, event.altitude_m, event.time_s
        )
        _add(point, "name", event.kind)
        _add(point, "desc", event.text)
    segment = _gpx_track(root, FUSED, "Smoothed from all trackers after the flight")
    for p in record.track:
        _gpx_point(segment, "trkpt", p.latitude_deg, p.longitude_deg, p.altitude_m, p.time_s)
    for name, fixes in by_tracker(record).items():
        segment = _gpx_track(root, f"Raw fixes of {name}", "As received")
        for fix, verdict in fixes:
            point = _gpx_point(
                segment, "trkpt", fix.latitude_deg, fix.longitude_deg, fix.altitude_m, fix.time_s
            )
            if not verdict.accepted:
                _add(point, "cmt", f"not used: {reason(verdict)}")
    return _xml(root)


def _gpx_track(root: ET.Element, name: str, description: str) -> ET.Element:
    track = _add(root, "trk")
    _add(track, "name", name)
    _add(track, "desc", description)
    return _add(track, "trkseg")


def _gpx_point(
    parent: ET.Element,
    tag: str,
    latitude_deg: float,
    longitude_deg: float,
    altitude_m: float | None,
    time_s: float,
) -> ET.Element:
    lon = f"{longitude_deg:.8f}"
    lon = lon.replace("180.00000000", "-180.00000000") if longitude_deg > 0 else lon  # its schema
    place = {"lat": f"{latitude_deg:.8f}", "lon": lon}
    point = _add(parent, tag, **place)
    if altitude_m is not None:
        _add(point, "ele", f"{altitude_m:.1f}")
    _add(point, "time", rfc3339(time_s))
    return point


def kml(record: FlightRecord) -> bytes:
    """A folder for the fused track, one for each tracker, one for events. Points carry their time."""
    root = ET.Element("kml", {"xmlns": KML})
    document = _add(root, "Document")
    _add(document, "name", record.name)
    events = _folder(document, "Events", opened=True)
    for event in record.happenings:
        _kml_point(
            events,
            event.kind,
            event.text,
            event.time_s,
            (event.longitude_deg, event.latitude_deg, event.altitude_m),
        )
    fused = _folder(document, FUSED)
    places = [(p.longitude_deg, p.latitude_deg, p.altitude_m) for p in record.track]
    _kml_line(fused, FUSED, [p.time_s for p in record.track], places)
    points = _folder(fused, "Points", shown=False)
    for p, place in zip(record.track, places, strict=True):
        _kml_point(points, None, None, p.time_s, place)
    for name, fixes in by_tracker(record).items():
        raw = _folder(document, f"Raw fixes of {name}", shown=False)
        for fix, verdict in fixes:
            words = None if verdict.accepted else f"not used: {reason(verdict)}"
            _kml_point(
                raw, None, words, fix.time_s, (fix.longitude_deg, fix.latitude_deg, fix.altitude_m)
            )
    return _xml(root)


def _folder(
    parent: ET.Element, name: str, *, shown: bool = True, opened: bool = False
) -> ET.Element:
    folder = _add(parent, "Folder")
    _add(folder, "name", name)
    if not shown:
        _add(folder, "visibility", "0")
    _add(folder, "open", "1" if opened else "0")
    return folder


def _kml_place(place: tuple[float, float, float | None]) -> str:
    longitude_deg, latitude_deg, altitude_m = place
    height = "" if altitude_m is None else f",{altitude_m:.1f}"
    return f"{longitude_deg:.8f},{latitude_deg:.8f}{height}"


def _kml_point(
    parent: ET.Element,
    name: str | None,
    words: str | None,
    time_s: float,
    place: tuple[float, float, float | None],
) -> None:
    mark = _add(parent, "Placemark")
    if name is not None:
        _add(mark, "name", name)
    if words is not None:
        _add(mark, "description", words)
    _add(_add(mark, "TimeStamp"), "when", rfc3339(time_s))
    point = _add(mark, "Point")
    _add(point, "altitudeMode", "clampToGround" if place[2] is None else "absolute")
    _add(point, "coordinates", _kml_place(place))


def _kml_line(
    parent: ET.Element,
    name: str,
    times: Sequence[float],
    places: Sequence[tuple[float, float, float | None]],
) -> None:
    if len(places) < 2:
        return
    mark = _add(parent, "Placemark")
    _add(mark, "name", name)
    span = _add(mark, "TimeSpan")
    _add(span, "begin", rfc3339(times[0]))
    _add(span, "end", rfc3339(times[-1]))
    line = _add(mark, "LineString")
    _add(line, "extrude", "0")
    _add(line, "altitudeMode", "absolute")
    _add(line, "coordinates", " ".join(map(_kml_place, places)))


def geojson(record: FlightRecord) -> bytes:
    """One FeatureCollection; each feature's `what` says what it is. Lines end at the antimeridian."""
    features = []
    if len(record.track) > 1:
        track = [[p.longitude_deg, p.latitude_deg, round(p.altitude_m, 1)] for p in record.track]
        times = [rfc3339(p.time_s) for p in record.track]
        features.append(_feature(line_geometry(track), what="fused track", times=times))
    for fix, verdict in record.raw:
        place = [fix.longitude_deg, fix.latitude_deg]
        if fix.altitude_m is not None:
            place.append(fix.altitude_m)
        features.append(
            _feature(
                _point(place),
                what="raw fix",
                tracker=fix.tracker,
                time=rfc3339(fix.time_s),
                used=verdict.accepted,
                altitude_used=verdict.altitude_used,
                reason=reason(verdict),
            )
        )
    for event in record.happenings:
        place = [event.longitude_deg, event.latitude_deg, round(event.altitude_m, 1)]
        features.append(
            _feature(
                _point(place),
                what="event",
                kind=event.kind,
                time=rfc3339(event.time_s),
                text=event.text,
            )
        )
    for p in record.predictions:
        ring = _counterclockwise(p.ring_90)
        features.append(
            _feature(
                {"type": "Polygon", "coordinates": [ring]},
                what="90 % area as predicted",
                time=rfc3339(p.at_s),
                landing=rfc3339(p.landing_s),
                off_m=p.off_m,
            )
        )
    return orjson.dumps({"type": "FeatureCollection", "features": features})


def _feature(geometry: dict[str, Any], **properties: Any) -> dict[str, Any]:
    return {"type": "Feature", "geometry": geometry, "properties": properties}


def _point(place: list[float]) -> dict[str, Any]:
    return {"type": "Point", "coordinates": place}


def line_geometry(places: list[list[float]]) -> dict[str, Any]:
    """RFC 7946, 3.1.9: a line that crosses the antimeridian is cut there."""
    parts = [[places[0]]]
    for before, here in itertools.pairwise(places):
        if abs(here[0] - before[0]) > 180.0:
            edge = 180.0 if before[0] > 0 else -180.0
            there = here[0] + 2 * edge
            share = (edge - before[0]) / (there - before[0])
            cut = [a + share * (b - a) for a, b in zip(before[1:], here[1:], strict=True)]
            parts[-1].append([edge, *cut])
            parts.append([[-edge, *cut]])
        parts[-1].append(here)
    if len(parts) == 1:
        return {"type": "LineString", "coordinates": parts[0]}
    return {"type": "MultiLineString", "coordinates": parts}


def _counterclockwise(ring: Sequence[tuple[float, float]]) -> list[list[float]]:
    """RFC 7946, 3.1.6: exterior rings run counterclockwise."""
    twice_area = sum((bx - ax) * (by + ay) for (ax, ay), (bx, by) in itertools.pairwise(ring))
    turned = reversed(ring) if twice_area > 0 else ring
    return [list(corner) for corner in turned]


def text_log(record: FlightRecord) -> bytes:
    """Every reception, in the form that `leeward replay` reads."""
    header = [
        f"# {key}: {value}" for key, value in record.recording.header.items() if key != "schema"
    ]
    lines = [*header, *(format_line(r) for r in record.recording.receptions)]
    return ("\n".join(lines) + "\n").encode("utf-8", "surrogateescape")
