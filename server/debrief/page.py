"""The flight page: one HTML file that needs nothing else and asks nobody for anything."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from branca.element import Figure
from jinja2 import Environment
from markupsafe import Markup

from server.debrief import tables
from server.debrief.charts import Axes, Series, chart
from server.debrief.map import LANDING, PAYLOAD, TRACKERS, altitude_colour, bounds, draw
from server.debrief.record import FlightRecord
from server.debrief.sentences import CAUTIONS, note_words
from server.flight.state import AvoidChance
from server.flight.times import rfc3339
from server.journal.photos import Photo

_KEY_M = range(0, 36_001, 6_000)
_SENSOR_ROWS = 24  # a hostile sender cannot fill the page


@dataclass(frozen=True)
class Picture:
    title: str
    svg: Markup
    note: str = ""
    tall: bool = False  # as high as two others


def picture(title: str, svg: str, note: str = "", *, tall: bool = False) -> list[Picture]:
    """None where there is nothing to draw. `svg` comes from this room, which escapes its words."""
    return [Picture(title, Markup(svg), note, tall)] if svg else []


def flight_page(
    record: FlightRecord,
    sounding: Sequence[Picture] = (),
    note: str = "",
    photo: Photo | None = None,
) -> bytes:
    """The page of one flight; `sounding` are further pictures, with a note; `photo` of what was found."""
    heard = sorted(r.heard_at_s for r in record.recording.receptions)
    subtitle = "Nothing was heard."
    if heard:
        start, end = rfc3339(heard[0])[:16].replace("T", " "), rfc3339(heard[-1])[11:16]
        subtitle = f"{len(heard):,} receptions, {start} to {end}."
    cautions = [
        *CAUTIONS[1:3],
        *(f"{a.name}: marked by the crew as ground to avoid." for a in _avoid(record)),
        CAUTIONS[3],
    ]
    return render(
        [record],
        title=record.name,
        subtitle=subtitle,
        problems=record.problems,
        figures=tables.figure_cards(record),
        charts=_charts(record),
        chart_title="Over time",
        tables=tables.all_tables(record),
        cautions=cautions,
        sounding=sounding,
        sounding_note=note,
        found=None if record.found is None else note_words(record.found),
        photo="" if photo is None else _data(photo),
        photo_elsewhere=bool(record.photo) and photo is None,
    )


def _data(photo: Photo) -> str:
    """The page needs nothing else: the picture stands in it."""
    return f"data:{photo.media_type};base64,{base64.b64encode(photo.body).decode()}"


def _avoid(record: FlightRecord) -> list[AvoidChance]:
    landing = record.shown.landing
    return [a for a in landing.avoid if a.chance > 0.0] if landing else []


def render(records: Sequence[FlightRecord], **words: Any) -> bytes:
    """The page with a map of these flights; `words` fill page.html, which escapes them."""
    drawn = draw(records)
    figure = drawn.get_root()
    assert isinstance(figure, Figure)
    figure.render()
    template = Environment(autoescape=True).from_string(
        files("server.debrief").joinpath("page.html").read_text(encoding="utf-8")
    )
    text = template.render(
        map_head=Markup(figure.header.render()),
        map_body=Markup(figure.html.render()),
        map_script=Markup(figure.script.render()),
        map_name=drawn.get_name(),
        bounds=bounds(records),
        key=[altitude_colour(m) for m in _KEY_M] if len(records) == 1 else [],
        **words,
    )
    return text.encode("utf-8", "replace")


def _charts(record: FlightRecord) -> list[Picture]:
    marks = [(e.time_s, e.kind) for e in record.happenings]
    start_s, end_s = _aloft(record)
    track = [p for p in record.track if start_s <= p.time_s <= end_s]
    altitude = Series("smoothed", PAYLOAD, [(p.time_s, p.altitude_m) for p in track])
    climb = Series("smoothed", PAYLOAD, [(p.time_s, p.climb_ms) for p in track])
    speed = Series("smoothed", PAYLOAD, [(p.time_s, p.ground_speed_ms) for p in track])
    off = Series(
        "off by",
        LANDING,
        [(p.at_s, p.off_m / 1000) for p in record.predictions if p.off_m is not None],
    )
    radius = Series(
        "90 % radius",
        "#565044",
        [(p.at_s, p.radius_90_m / 1000) for p in record.predictions],
        dashed=True,
    )
    return [
        *picture("Altitude", chart(Axes("UTC", "m", True), [altitude], marks)),
        *picture("Climb", chart(Axes("UTC", "m/s", True), [climb], marks)),
        *picture("Ground speed", chart(Axes("UTC", "m/s", True), [speed], marks)),
        *picture(
            "Predicted landing: how far off", chart(Axes("UTC", "km", True), [off, radius], marks)
        ),
        *_sensors(record, start_s, end_s, marks),
    ]


def _aloft(record: FlightRecord) -> tuple[float, float]:
    """From shortly before the launch to shortly after the landing, or all that there is."""
    launch, landing = record.first("launch"), record.last("landing")
    times = [p.time_s for p in record.track] or [0.0]
    start_s = times[0] if launch is None else launch.time_s - 300.0
    return start_s, times[-1] if landing is None else landing.time_s + 300.0


def _sensors(
    record: FlightRecord, start_s: float, end_s: float, marks: Sequence[tuple[float, str]]
) -> list[Picture]:
    found = []
    for i, (name, series) in enumerate(sorted(record.history.sensors.items())[:_SENSOR_ROWS]):
        points = [(t, v) for t, v in series["points"] if start_s <= t <= end_s]
        unit = series["unit"].replace("degC", "°C") or "raw"
        line = Series(name, TRACKERS[i % len(TRACKERS)], points, dots=True)
        found += picture(name.replace("/", ": "), chart(Axes("UTC", unit, True), [line], marks))
    return found
