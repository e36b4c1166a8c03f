"""Predictions as they stood while it flew, held against where it came down."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from decoders.reports import FoundReport
from server.debrief.searched import covers
from server.flight.landing.beside import told_to_each_other
from server.flight.landing.predict import Landing, predict
from server.flight.landing.question import LandingQuestion
from server.flight.mission import Mission
from server.flight.physics.geodesy import distance_bearing
from server.flight.state import WindBackground, WindSource
from server.flight.view.landing import wind_background, wind_sources

_KNOWN_M = 1_000.0
FLYING = ("ascent", "float", "descent")


class Place(NamedTuple):
    time_s: float
    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    measured: bool  # from fixes on the ground; otherwise the last prediction
    radius_90_m: float
    found_by: str = ""  # who found it there; "": nobody noted it

    @property
    def known(self) -> bool:
        """Well enough to judge predictions by: at rest, or followed nearly to the ground."""
        return self.measured or self.radius_90_m <= _KNOWN_M


class Prediction(NamedTuple):
    """A landing as it was predicted at `at_s`, and how far off it was (None: landing not seen)."""

    at_s: float
    latitude_deg: float
    longitude_deg: float
    landing_s: float
    radius_90_m: float
    ring_90: tuple[tuple[float, float], ...]  # longitude, latitude, closed
    phase: str
    altitude_m: float
    off_m: float | None
    off_s: float | None  # predicted minus true time
    inside_90: bool | None
    winds: tuple[WindSource, ...]
    background: WindBackground | None


class Stood(NamedTuple):
    at_s: float
    phase: str
    altitude_m: float
    question: LandingQuestion
    landing: Landing


def note(mission: Mission, stood: list[list[Stood]]) -> None:
    """Keep the predictions as they stand, but those for which nothing new was heard since the last."""
    questions = [
        flight.landing_question() if flight.track.phase() in FLYING else None
        for flight in mission.flights
    ]
    for question, before in zip(told_to_each_other(questions), stood, strict=True):
        if question is None or (before and question.at_s <= before[-1].question.at_s):
            continue
        landing = predict(question)
        if landing is not None:
            altitude_m = question.motion.z.position
            before.append(Stood(mission.now_s, question.phase, altitude_m, question, landing))


def landing_place(question: LandingQuestion, landing: Landing, found: FoundReport | None) -> Place:
    """Where it came to rest; where it was found, if it was not heard there; else as predicted."""
    if found is not None and landing.basis != "landed fix":
        return Place(
            landing.time_s,
            found.latitude_deg,
            found.longitude_deg,
            landing.altitude_m,
            False,
            0.0,
            found.name,
        )
    latitude_deg, longitude_deg = question.frame.to_latlon(landing.x_m, landing.y_m)
    return Place(
        landing.time_s,
        float(latitude_deg),
        float(longitude_deg),
        landing.altitude_m,
        landing.basis == "landed fix",
        landing.nine_tenths.radius_m,
    )


def ahead(stood: Stood, place: Place | None) -> bool:
    """A prediction that still stood after the landing, before it was noticed, predicts nothing."""
    return place is None or not place.measured or stood.at_s < place.time_s


def judge(stood: Stood, place: Place | None) -> Prediction:
    question, landing = stood.question, stood.landing
    latitude_deg, longitude_deg = map(float, question.frame.to_latlon(landing.x_m, landing.y_m))
    ring = np.asarray(landing.nine_tenths.ring_m)
    lat, lon = question.frame.to_latlon(ring[:, 0], ring[:, 1])
    corners = [(float(o), float(a)) for o, a in zip(lon, lat, strict=True)]
    corners[-1] = corners[0]
    off_m = off_s = inside = None
    if place is not None and place.known:
        off_m, _ = distance_bearing(
            latitude_deg, longitude_deg, place.latitude_deg, place.longitude_deg
        )
        off_s = None if place.found_by else landing.time_s - place.time_s  # nobody saw it come down
        inside = covers([[corners]], place.latitude_deg, place.longitude_deg)
    return Prediction(
        stood.at_s,
        latitude_deg,
        longitude_deg,
        landing.time_s,
        landing.nine_tenths.radius_m,
        tuple(corners),
        stood.phase,
        stood.altitude_m,
        off_m,
        off_s,
        inside,
        wind_sources(question),
        wind_background(question, landing),
    )
