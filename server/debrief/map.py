"""The map of the page: folium with every script inside the file, on our own lines and towns."""

from __future__ import annotations

import base64
import html
from collections.abc import Sequence
from importlib.resources import files
from typing import Any

import folium
from branca.element import MacroElement
from jinja2 import Template

from server.debrief.export import by_tracker
from server.debrief.record import FlightRecord, TrackPoint
from server.debrief.sentences import event_words, rejection_words
from server.debrief.words import apart, metres, moment
from server.flight.tracker_state import Rejection
from server.geodata.world import near

LANDING, PAYLOAD, OWN_CAR, INK, QUIET = "#a33a12", "#0b5c6b", "#3b2f8f", "#1b1a17", "#565044"
TRACKERS = ("#1f6b3a", "#8a5a00", "#7a3b8f", "#a11d33", "#2b5c9e", "#565044")
# a car's colour and dash; the page's style has the colours of their names
CARS = ((OWN_CAR, "1 5"), ("#7a3f00", "7 5"), ("#1f5c3a", "2 7"), ("#8f2f5c", "10 4 2 4"))
CASING = (
    "#5d574b"  # that holds the track off the ground: bright colours have no contrast of their own
)
_MARGIN_DEG = 1.0
_TOWNS = 120  # the page shows those that have room
_LINES = {  # of the ground: colour and width
    "river": ("#557c87", 0.75),
    "shore": ("#557c87", 1.25),
    "county": ("#807562", 0.75),
    "state": ("#7b6e58", 1.5),
    "country": ("#6a5a4a", 2),
}
_BAND_M = 1_000.0
_TOP_M = 36_000.0
# cividis (Nuñez, Anderton and Renslow 2018, PLOS ONE 13(7) e0199239): the screen's polynomials
_CIVIDIS = (
    (-4.54, -35.34, 2381.73, -6402.7, 7024.72, -2710.57),
    (32.49, 170.73, 52.82, -131.46, 176.58, -67.37),
    (81.24, 442.36, -2482.43, 6167.24, -6614.94, 2475.67),
)


def _inlined(name: str, kind: str) -> str:
    """A file of the installed Leaflet wheel as a data URI."""
    content = files("js_lib_leaflet").joinpath("static", "js_lib_leaflet", name).read_bytes()
    return f"data:{kind};base64,{base64.b64encode(content).decode()}"


class OfflineMap(folium.Map):
    """A folium map that asks nobody for anything: no tiles, Leaflet from the wheel."""

    default_js = [("leaflet", _inlined("leaflet.js", "text/javascript"))]  # noqa: RUF012
    default_css = [("leaflet_css", _inlined("leaflet.css", "text/css"))]  # noqa: RUF012


class Dots(MacroElement):
    """Many small circles with words that come up. Words are set as text, never as markup."""

    _template = Template(
        "{% macro script(this, kwargs) %}"
        "{{ this.dots|tojson }}.forEach(([lat, lon, word, hollow]) => {"
        " const tip = document.createElement('span'); tip.textContent = word;"
        " L.circleMarker([lat, lon], {{ this.options|tojson }})"
        ".setStyle(hollow ? {fill: false, dashArray: '2 2'} : {}).bindTooltip(tip)"
        ".addTo({{ this._parent.get_name() }}); });"
        "{% endmacro %}"
    )

    def __init__(self, dots: Sequence[tuple[float, float, str, bool]], **options: Any) -> None:
        """`dots`: latitude, longitude, words, and whether it is hollow."""
        super().__init__()  # type: ignore[no-untyped-call]  # branca names no types here
        self._name = "Dots"
        self.dots = [list(dot) for dot in dots]
        self.options = {"weight": 1, "fillOpacity": 0.8} | options


class Words(MacroElement):
    """Names written on the map, as text."""

    _template = Template(
        "{% macro script(this, kwargs) %}"
        "{{ this.words|tojson }}.forEach(([lat, lon, word]) => {"
        " const name = document.createElement('span'); name.textContent = word;"
        " L.marker([lat, lon], {interactive: false, keyboard: false, icon: L.divIcon("
        "{className: {{ this.kind|tojson }}, html: name, iconSize: null})})"
        ".addTo({{ this._parent.get_name() }}); });"
        "{% endmacro %}"
    )

    def __init__(self, words: Sequence[tuple[float, float, str]], kind: str) -> None:
        super().__init__()  # type: ignore[no-untyped-call]  # branca names no types here
        self._name = "Words"
        self.words = [list(word) for word in words]
        self.kind = kind


def altitude_colour(altitude_m: float) -> str:
    t = 0.88 * min(max(altitude_m, 0.0), _TOP_M) / _TOP_M
    rgb = [min(max(sum(c * t**i for i, c in enumerate(k)), 0.0), 255.0) for k in _CIVIDIS]
    return "#" + "".join(f"{round(c):02x}" for c in rgb)


def bands(track: Sequence[TrackPoint]) -> list[tuple[str, list[tuple[float, float]]]]:
    """The track in pieces of one colour, a colour for each kilometre."""
    pieces: list[tuple[str, list[tuple[float, float]]]] = []
    for p in track:
        colour = altitude_colour(p.altitude_m // _BAND_M * _BAND_M)
        here = (p.latitude_deg, p.longitude_deg)
        if not pieces or pieces[-1][0] != colour:
            before = [pieces[-1][1][-1]] if pieces else []
            pieces.append((colour, before))
        pieces[-1][1].append(here)
    return [(colour, places) for colour, places in pieces if len(places) > 1]


def bounds(records: Sequence[FlightRecord]) -> tuple[tuple[float, float], tuple[float, float]]:
    """South-west and north-east corner (latitude, longitude) of all tracks; of one with predictions."""
    places = [(p.latitude_deg, p.longitude_deg) for record in records for p in record.track]
    if len(records) == 1:
        places += [(p.latitude_deg, p.longitude_deg) for p in records[0].predictions]
    lat, lon = zip(*(places or [(0.0, 0.0)]), strict=True)
    return (min(lat), min(lon)), (max(lat), max(lon))


def draw(records: Sequence[FlightRecord]) -> OfflineMap:
    """One flight with all that is known of it, or several by their tracks alone."""
    (south, west), (north, east) = bounds(records)
    drawn = OfflineMap(
        location=((south + north) / 2, (west + east) / 2),
        tiles=None,
        prefer_canvas=True,
        control_scale=True,
        width="100%",
        height="100%",
        zoom_snap=0.25,
        max_zoom=18,
    )
    one = records[0] if len(records) == 1 else None
    _land(drawn, south, west, north, east)
    if one is not None:
        _one(drawn, one)
    else:
        for i, record in enumerate(records):
            colour = TRACKERS[i % len(TRACKERS)]
            group = folium.FeatureGroup(name=_label(record.name, colour))
            group.add_to(drawn)
            _track_of(group, record, colour, dashed=i >= len(TRACKERS))
    folium.LayerControl(collapsed=False).add_to(drawn)
    return drawn


def _marks(record: FlightRecord) -> list[tuple[float, float, str]]:
    """Events by their word, and the landing where no fix tells of it: as found, or as predicted."""
    marks = [(e.latitude_deg, e.longitude_deg, str(e.kind)) for e in record.happenings]
    place = record.landing
    if place is not None and not place.measured:
        word = "found" if place.found_by else "landing, predicted"
        marks.append((place.latitude_deg, place.longitude_deg, word))
    return marks


def _label(text: str, colour: str = "") -> str:
    """For the layer list, which Leaflet writes as markup; with a swatch of the layer's colour."""
    swatch = f'<i style="background:{colour}"></i>' if colour else ""
    return swatch + html.escape(text)


def _land(drawn: OfflineMap, south: float, west: float, north: float, east: float) -> None:
    edges = (-_MARGIN_DEG, -_MARGIN_DEG, _MARGIN_DEG, _MARGIN_DEG)
    box = (west + edges[0], south + edges[1], east + edges[2], north + edges[3])
    surface = near(box)
    land = folium.FeatureGroup(name="Lines and towns").add_to(drawn)
    for kind, (colour, weight) in _LINES.items():
        lines = [
            [(round(lat, 4), round(lon, 4)) for lat, lon in line]
            for its, line in surface.lines
            if its == kind
        ]
        if lines:
            folium.PolyLine(lines, interactive=False, color=colour, weight=weight).add_to(land)
    names = [(t.latitude_deg, t.longitude_deg, t.name) for t in surface.towns[:_TOWNS]]
    land.add_child(Words(names, "town"))


def _track_of(
    group: folium.FeatureGroup, record: FlightRecord, colour: str, *, dashed: bool
) -> None:
    line = [(p.latitude_deg, p.longitude_deg) for p in record.track]
    if len(line) > 1:
        dash = "8 6" if dashed else None
        folium.PolyLine(line, color=colour, weight=3, dash_array=dash).add_to(group)
    if record.landing is not None:
        at = (record.landing.latitude_deg, record.landing.longitude_deg)
        word = f"{record.name}: landing"
        group.add_child(Dots([(*at, word, False)], radius=6, color=colour, fill=True))


def _one(drawn: OfflineMap, record: FlightRecord) -> None:
    _areas(drawn, record)
    track = folium.FeatureGroup(name="Smoothed track").add_to(drawn)
    whole = [(p.latitude_deg, p.longitude_deg) for p in record.track]
    if len(whole) > 1:
        folium.PolyLine(whole, color=CASING, weight=7, opacity=1).add_to(track)
    for colour, places in bands(record.track):
        folium.PolyLine(places, color=colour, weight=5, opacity=1).add_to(track)
    for i, (name, raw) in enumerate(by_tracker(record).items()):
        colour = TRACKERS[i % len(TRACKERS)]
        label = _label(f"Fixes of {name}", colour)
        group = folium.FeatureGroup(name=label, show=False).add_to(drawn)
        dots = [
            (
                f.latitude_deg,
                f.longitude_deg,
                _fix_words(f.tracker, f.time_s, f.altitude_m, v.reason),
                not v.accepted,
            )
            for f, v in raw
        ]
        group.add_child(Dots(dots, radius=3, color=colour, fill=True))
    for i, (name, points) in enumerate(record.history.vehicles.items()):
        if len(points) > 1:
            colour, dash = CARS[i % len(CARS)]
            group = folium.FeatureGroup(name=_label(name, colour)).add_to(drawn)
            line = [(lat, lon) for _, lat, lon in points]
            folium.PolyLine(line, color=colour, weight=2.5, dash_array=dash).add_to(group)
            group.add_child(Words([(*line[-1], name)], f"vehicle car-{i % len(CARS)}"))
    events = folium.FeatureGroup(name="Events").add_to(drawn)
    dots = [
        (e.latitude_deg, e.longitude_deg, event_words(e.kind, e.altitude_m, e.time_s), False)
        for e in record.happenings
    ]
    events.add_child(Dots(dots, radius=6, color=INK, fillColor="#fffdf8", weight=2, fill=True))
    events.add_child(Words(_marks(record), "event"))


def _areas(drawn: OfflineMap, record: FlightRecord) -> None:
    predictions = folium.FeatureGroup(name=_label("Predictions, every 5 min", LANDING)).add_to(
        drawn
    )
    path = [(p.latitude_deg, p.longitude_deg) for p in record.predictions]
    if len(path) > 1:
        folium.PolyLine(path, color=LANDING, weight=1, dash_array="4 4").add_to(predictions)
    dots = [
        (
            p.latitude_deg,
            p.longitude_deg,
            f"Predicted at {moment(p.at_s)}"
            + ("" if p.off_m is None else f": {apart(p.off_m)} off"),
            False,
        )
        for p in record.predictions
    ]
    predictions.add_child(Dots(dots, radius=4, color=LANDING, fill=True))
    group = folium.FeatureGroup(name="90 % areas as predicted", show=False).add_to(drawn)
    for p in record.predictions:
        ring = [(lat, lon) for lon, lat in p.ring_90]
        folium.PolyLine(ring, color=LANDING, weight=1, dash_array="6 4").add_to(group)
    landing = record.shown.landing
    if landing is not None:
        group = folium.FeatureGroup(name="Landing").add_to(drawn)
        for part, fill in ((landing.search_area.p90, False), (landing.search_area.p50, True)):
            ring = [(lat, lon) for lon, lat in part.coordinates[0]]
            folium.Polygon(
                ring, color=LANDING, weight=2, fill=fill, fill_opacity=0.2, dash_array="6 4"
            ).add_to(group)


def _fix_words(
    tracker: str, time_s: float, altitude_m: float | None, reason: Rejection | None
) -> str:
    height = "no altitude" if altitude_m is None else metres(altitude_m)
    unused = f". Not used: {rejection_words(reason)}" if reason else ""
    return f"{tracker}, {moment(time_s)}, {height}{unused}"
