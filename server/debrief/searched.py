"""The search of a flight that was not heard any more: its areas as they stood, and what the crew noted."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import NamedTuple

from decoders.reports import (
    BearingReport,
    ClaimReport,
    FoundReport,
    NoteReport,
    SearchedReport,
)
from server.flight.flight import Flight
from server.flight.landing.predict import Landing
from server.flight.landing.question import LandingQuestion
from server.flight.physics.geodesy import distance_bearing
from server.flight.search_state import SearchResult
from server.flight.view.flight import silent_after_s
from server.flight.view.search import searched
from server.flight.view.searching import silent_flight

_QUIET_S = 1_800.0  # without a new note an area is asked for again after so long; our choice
MOST_AREAS = 60  # that are kept of one flight


class AreaStood(NamedTuple):
    """What a search came to at `at_s`; the last three None: where it lay was never known.

    `off_m`: of the likeliest place.
    """

    at_s: float
    result: SearchResult
    off_m: float | None = None
    inside_50: bool | None = None
    inside_90: bool | None = None


class Areas:
    """Of one flight, asked for as the replay goes on."""

    def __init__(self) -> None:
        self.stood: list[AreaStood] = []
        self._asked_s, self._noted = 0.0, 0

    def note(self, flight: Flight, question: LandingQuestion, landing: Landing) -> None:
        """`question` and `landing`: the last that were predicted. Nothing while it is heard."""
        if len(self.stood) >= MOST_AREAS:
            return
        silent = silent_flight(flight, question, landing, silent_after_s(flight, landing.as_of_s))
        if silent is None or found_of(flight) is not None:
            return
        noted = len(silent.bearings) + len(silent.searched)
        if noted == self._noted and silent.at_s < self._asked_s + _QUIET_S:
            return
        self._asked_s, self._noted = silent.at_s, noted
        found = searched(silent)
        if found is not None:
            self.stood.append(AreaStood(silent.at_s, found.result))


def areas_beside(
    stood: Sequence[AreaStood], latitude_deg: float, longitude_deg: float
) -> list[AreaStood]:
    """Each beside the place where it lay."""
    return [
        one._replace(
            off_m=distance_bearing(
                one.result.best_latitude_deg,
                one.result.best_longitude_deg,
                latitude_deg,
                longitude_deg,
            )[0],
            inside_50=covers(one.result.p50.coordinates, latitude_deg, longitude_deg),
            inside_90=covers(one.result.p90.coordinates, latitude_deg, longitude_deg),
        )
        for one in stood
    ]


def found_of(flight: Flight) -> FoundReport | None:
    """The crew's last word of where it lay."""
    found = flight.books.notes.of(FoundReport, flight.plan.name, first=flight.number == 0)
    return found[-1] if found else None


def notes_of(flight: Flight) -> list[NoteReport]:
    """All that was noted and not taken back, in order of time."""
    notes, name, first = flight.books.notes, flight.plan.name, flight.number == 0
    every: list[NoteReport] = [
        *notes.of(BearingReport, name, first=first),
        *notes.of(SearchedReport, name, first=first),
        *notes.of(FoundReport, name, first=first),
        *notes.of(ClaimReport, name, first=first),
    ]
    return sorted(every, key=lambda note: (note.time_s, note.id))


def covers(
    polygons: Sequence[Sequence[Sequence[tuple[float, float]]]],
    latitude_deg: float,
    longitude_deg: float,
) -> bool:
    """Even-odd over all outlines, holes among them; corners are longitude, latitude, closed."""
    odd = False
    for ring in (ring for polygon in polygons for ring in polygon):
        for (ax, ay), (bx, by) in itertools.pairwise(ring):
            if (ay > latitude_deg) != (by > latitude_deg):
                odd ^= longitude_deg < (bx - ax) * (latitude_deg - ay) / (by - ay) + ax
    return odd
