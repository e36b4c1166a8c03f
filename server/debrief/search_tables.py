"""The search minute by minute, and its areas against the place where it lay, as tables of the page."""

from __future__ import annotations

from server.debrief.record import FlightRecord
from server.debrief.searched import notes_of
from server.debrief.sentences import note_words
from server.debrief.table import Table
from server.debrief.words import NONE, apart, at, square_metres


def story_table(record: FlightRecord) -> Table:
    """Who noted what, when: bearings, searched ground, claims, where it was found."""
    rows = [(at(n.time_s), n.name, note_words(n)) for n in notes_of(record.flight)]
    note = "As the crew noted it; what was taken back is left out. Bearings from true north."
    return Table("The search", ("Time", "Who", "What"), rows, note=note, empty="")


def areas_table(record: FlightRecord) -> Table:
    """Each area that was shown while it was not heard."""
    rows = [
        (
            at(a.at_s),
            square_metres(a.result.area_90_m2),
            f"{100 * a.result.covered:.0f} %",
            NONE if a.off_m is None else apart(a.off_m),
            _yes(a.inside_50),
            _yes(a.inside_90),
        )
        for a in record.areas
    ]
    head = (
        "Worked out at",
        "90 % area",
        "Chance covered",
        "Likeliest place off by",
        "Inside 50 %",
        "Inside 90 %",
    )
    known = [a for a in record.areas if a.inside_90 is not None]
    note = "Where it lay is not known: nothing can be said of them."
    if known:
        half, ninety = sum(bool(a.inside_50) for a in known), sum(bool(a.inside_90) for a in known)
        by = "it was found" if record.found is not None else "it came to rest"
        note = (
            "As they stood after each note, and half-hourly. The place where "
            f"{by} lay inside the 50 % area in {half} of {len(known)}, inside the 90 % area in {ninety}."
        )
    return Table("Search areas against the truth", head, rows, frozenset({1, 2, 3}), note, empty="")


def _yes(inside: bool | None) -> str:
    return NONE if inside is None else "yes" if inside else "no"
