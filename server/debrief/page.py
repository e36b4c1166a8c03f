"""The flight page: one HTML file that needs nothing else and asks nobody for anything."""

from __future__ import annotations

import base64
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any, Literal

from branca.element import Figure
from jinja2 import Environment
from markupsafe import Markup

from server.debrief import tables
from server.debrief.cards import figure_cards
from server.debrief.charts import Axes, Series, chart
from server.debrief.figures import figures
from server.debrief.map import (
    CARS,
    LANDING,
    PAYLOAD,
    QUIET,
    TRACKERS,
    altitude_colour,
    bounds,
    draw,
)
from server.debrief.reader import reader, temperature_scale
from server.debrief.record import FlightRecord, TrackPoint
from server.debrief.sentences import CAUTIONS, Course, note_words, summary
from server.debrief.words import metres
from server.flight.physics.geodesy import distance_bearing
from server.flight.state import AvoidChance
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
    charts, others = _charts(record)
    cautions = [
        *CAUTIONS[1:3],
        *(f"{a.name}: marked by the crew as ground to avoid." for a in _avoid(record)),
        CAUTIONS[3],
    ]
    return render(
        [record],
        title=record.name,
        summary=summary(course(record)),
        subtitle=_heard_words(record),
        problems=record.problems,
        figures=figure_cards(record),
        charts=charts,
        tables=tables.first_tables(record),
        cautions=cautions,
        more_charts=others,
        more_tables=tables.detail_tables(record),
        sounding=sounding,
        sounding_note=note,
        found=None if record.found is None else note_words(record.found),
        photo="" if photo is None else _data(photo),
        photo_elsewhere=bool(record.photo) and photo is None,
    )


def _heard_words(record: FlightRecord) -> str:
    heard = sorted(r.heard_at_s for r in record.recording.receptions)
    if not heard:
        return "Nothing was heard."
    start, end = reader().local(heard[0]), reader().local(heard[-1])
    zone = reader().zone_name(heard[0])
    utc = "" if zone.startswith("UTC") else f" (UTC{reader().offset(heard[0])})"
    return (
        f"{len(heard):,} receptions, {start:%Y-%m-%d %H:%M} to {end:%H:%M}. All times are {zone}{utc}, "
        "altitudes above mean sea level."
    )


def course(record: FlightRecord) -> Course:
    """What the flight came to."""
    launch, place, found = record.first("launch"), record.landing, figures(record)
    judged = [p for p in record.predictions if p.inside_90 is not None]
    bearing_deg = ended_s = None
    ended: Literal["at rest", "found", "predicted", "unknown"] = "unknown"
    if place is not None:
        ended = "at rest" if place.measured else "found" if place.found_by else "predicted"
        ended_s = place.time_s if place.measured else None
        if launch is not None:
            _, bearing_deg = distance_bearing(
                launch.latitude_deg, launch.longitude_deg, place.latitude_deg, place.longitude_deg
            )
    return Course(
        record.name,
        None if launch is None else launch.time_s,
        found.burst_altitude_m,
        found.highest_m,
        ended_s,
        ended,
        "" if place is None else place.found_by,
        found.distance_m,
        bearing_deg,
        sum(bool(p.inside_90) for p in judged),
        len(judged),
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
        key_words=f"0 to {metres(_KEY_M[-1])}",
        cars=[colour for colour, _ in CARS],
        **words,
    )
    return text.encode("utf-8", "replace")


def _charts(record: FlightRecord) -> tuple[list[Picture], list[Picture]]:
    """Those for everybody, and those of the details."""
    marks = [(e.time_s, e.kind) for e in record.happenings]
    start_s, end_s = _aloft(record)
    system = reader().system
    track = [p for p in record.track if start_s <= p.time_s <= end_s]

    def over_time(title: str, unit: str, *series: Series) -> list[Picture]:
        zone = reader().zone_name(start_s)
        return picture(title, chart(Axes(zone, unit, True), series, marks))

    def flown(value: Callable[[TrackPoint], float]) -> Series:
        return Series("smoothed", PAYLOAD, [(p.time_s, value(p)) for p in track])

    off = Series(
        "off by",
        LANDING,
        [(p.at_s, system.long.of(p.off_m)) for p in record.predictions if p.off_m is not None],
    )
    radius = Series(
        "90 % radius",
        QUIET,
        [(p.at_s, system.long.of(p.radius_90_m)) for p in record.predictions],
        dashed=True,
    )
    first = [
        *over_time("Altitude", system.height.unit, flown(lambda p: system.height.of(p.altitude_m))),
        *over_time("Predicted landing: how far off", system.long.unit, off, radius),
    ]
    others = [
        *over_time("Climb", system.climb.unit, flown(lambda p: system.climb.of(p.climb_ms))),
        *over_time(
            "Ground speed",
            system.speed.unit,
            flown(lambda p: system.speed.of(p.ground_speed_ms)),
        ),
        *_sensors(record, start_s, end_s, marks),
    ]
    return first, others


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
    zone = reader().zone_name(start_s)
    for i, (name, series) in enumerate(sorted(record.history.sensors.items())[:_SENSOR_ROWS]):
        points = [(t, v) for t, v in series["points"] if start_s <= t <= end_s]
        unit = series["unit"] or "raw"
        if unit == "degC":
            scaled, unit = temperature_scale()
            points = [(t, scaled(v)) for t, v in points]
        line = Series(name, TRACKERS[i % len(TRACKERS)], points, dots=True)
        found += picture(name.replace("/", ": "), chart(Axes(zone, unit, True), [line], marks))
    return found
