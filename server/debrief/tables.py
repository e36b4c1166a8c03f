"""The tables of the page: rows of words, ready to be escaped and shown."""

from __future__ import annotations

from collections.abc import Sequence

from server.debrief.chase import When, chases, whereabouts
from server.debrief.figures import TrackerShare, tracker_shares, uncertain
from server.debrief.lesson_tables import lessons_table, losses_table
from server.debrief.receivers import Far, farthest, receiver_counts
from server.debrief.record import FlightRecord
from server.debrief.search_tables import areas_table, story_table
from server.debrief.sentences import acknowledged_words, alarm_words, rejection_words, wind_words
from server.debrief.table import Table
from server.debrief.words import NONE, apart, at, duration, kilometres, metres

_TOLD_AS_EVENTS = {"launch", "burst", "float", "landed"}


def first_tables(record: FlightRecord) -> list[Table]:
    """What is read by everybody: short."""
    return _told([_events(record), lessons_table(record)])


def detail_tables(record: FlightRecord) -> list[Table]:
    shares = tracker_shares(record)
    return _told(
        [
            _predictions(record),
            _alarms(record),
            story_table(record),
            areas_table(record),
            _chase(record),
            _whereabouts(record),
            _trackers(shares),
            _receivers(record, shares),
            losses_table(record),
            _uncertain(record),
        ]
    )


def _told(tables: Sequence[Table]) -> list[Table]:
    return [table for table in tables if table.rows or table.empty]


def _events(record: FlightRecord) -> Table:
    rows = [
        (
            e.kind.capitalize(),
            at(e.time_s),
            metres(e.altitude_m),
            f"{e.latitude_deg:.5f}, {e.longitude_deg:.5f}",
        )
        for e in record.happenings
    ]
    head = ("Event", "Time", "Altitude", "Place")
    return Table("Events", head, rows, frozenset({2}), empty="None was heard.")


def _alarms(record: FlightRecord) -> Table:
    rows = [
        (at(alarm.time.timestamp()), acknowledged_words(alarm), alarm_words(alarm))
        for alarm in record.state.alarms
        if alarm.kind not in _TOLD_AS_EVENTS
    ]
    return Table("Alarms", ("Time", "Acknowledged", "What"), rows, empty="None.")


def _predictions(record: FlightRecord) -> Table:
    rows = []
    for p in record.predictions:
        inside = NONE if p.inside_90 is None else ("yes" if p.inside_90 else "no")
        late = (
            NONE if p.off_s is None else f"{duration(p.off_s)} {'early' if p.off_s < 0 else 'late'}"
        )
        rows.append(
            (
                at(p.at_s),
                p.phase,
                metres(p.altitude_m),
                at(p.landing_s),
                kilometres(p.radius_90_m),
                kilometres(p.off_m),
                late,
                inside,
                wind_words(p.winds, p.background, p.at_s),
            )
        )
    judged = [p for p in record.predictions if p.inside_90 is not None]
    note = "Where it came down is not known well enough to judge them."
    if judged and record.landing is not None:
        held = sum(bool(p.inside_90) for p in judged)
        truth = (
            "The true time is that of the first fix at rest, which may come after the touchdown."
            if record.landing.measured
            else f"No fix on the ground: they are judged by where {record.landing.found_by} found it."
            if record.landing.found_by
            else "No fix on the ground: they are judged by the last prediction, whose own 90 % "
            f"radius is {metres(record.landing.radius_90_m)}."
        )
        note = (
            "As they stood every five minutes. The box lay inside the 90 % area in "
            f"{held} of {len(judged)}. {truth}"
        )
    head = (
        "Made at",
        "Phase",
        "Altitude",
        "Landing at",
        "90 % radius",
        "Off by",
        "In time",
        "Inside 90 %",
        "Winds",
    )
    return Table(
        "Predictions against the truth",
        head,
        rows,
        frozenset({2, 4, 5, 6}),
        note,
        "No prediction was made.",
    )


def _turned(
    head: Sequence[str], rows: Sequence[Sequence[str]]
) -> tuple[Sequence[str], list[Sequence[str]]]:
    """A table of few things with much to say of each: the things side by side, which fits a phone."""
    if not rows:
        return head, []
    first, *others = zip(head, *rows, strict=True)
    return first, list(others)


def _trackers(shares: Sequence[TrackerShare]) -> Table:
    rows = [
        (
            s.label,
            s.name,
            s.role,
            f"{s.sent:,}",
            f"{s.heard:,}",
            f"{s.missed:,}",
            f"{s.copies:,}",
            NONE if s.interval_s is None else f"{s.interval_s:.0f} s",
            NONE
            if s.longest_gap_s is None or s.gap_from_s is None
            else f"{duration(s.longest_gap_s)} from {at(s.gap_from_s)}",
            f"{s.used:,} of {s.fixes:,}",
            f"{100 * s.share:.0f} %",
            _far(s.farthest, "by {0.station}"),
            "; ".join(f"{rejection_words(reason)} ({n})" for reason, n in s.reasons[:3]) or NONE,
        )
        for s in shares
    ]
    head = (
        "Tracker",
        "Heard as",
        "Role",
        "Packets sent",
        "Heard",
        "Missed",
        "Copies",
        "Interval",
        "Longest gap in the air",
        "Fixes used",
        "Share of the track",
        "Farthest heard directly",
        "Why not used",
    )
    note = "Sent and missed are inferred from the beacon interval that was learned."
    return Table("Trackers", *_turned(head, rows), note=note, empty="No tracker.")


def _far(far: Far | None, other: str) -> str:
    """`other`: a format for the one at the other end."""
    if far is None:
        return NONE
    side = "above" if far.elevation_deg >= 0 else "below"
    return (
        f"{kilometres(far.distance_m)} {other.format(far)}, at {metres(far.altitude_m)}, bearing "
        f"{far.bearing_deg:.0f}°, {abs(far.elevation_deg):.1f}° {side} the horizontal"
    )


def _receivers(record: FlightRecord, shares: Sequence[TrackerShare]) -> Table:
    total = max(sum(s.heard for s in shares), 1)
    best: dict[str, Far] = {}
    for far in sorted(farthest(record).values()):
        best[far.station] = far
    rows = [
        (
            station,
            *(f"{n:,}" for n in by_tracker),
            f"{count:,}",
            f"{100 * count / total:.0f} %",
            _far(best.get(station), "from {0.tracker}"),
        )
        for station, by_tracker, count in receiver_counts(shares)
    ]
    head = (
        "Receiver",
        *(s.label for s in shares),
        "In all",
        "Of all packets",
        "Farthest heard directly",
    )
    return Table(
        "Receivers",
        head,
        rows,
        frozenset(range(1, len(shares) + 3)),
        "One packet may be heard by several. The elevation is from an antenna at a car's height, "
        "over an earth of 4/3 radius as radio waves see it (ITU-R P.310).",
        "No receiver.",
    )


def _chase(record: FlightRecord) -> Table:
    rows = [
        (
            c.name,
            f"{c.reports:,}",
            f"{at(c.first_s)} to {at(c.last_s)}",
            kilometres(c.driven_m),
            _when(c.nearest),
            _when(c.farthest),
            _when(c.nearest_to_landing),
        )
        for c in chases(record)
    ]
    head = (
        "Vehicle",
        "Reports heard",
        "Heard",
        "Driven, at least",
        "Nearest to the payload in the air",
        "Farthest from it",
        "Nearest to the landing",
    )
    note = (
        "Distances along the ground. Driven is straight from report to report: the road was longer."
    )
    if record.landing is not None and not record.landing.measured:
        by = record.landing.found_by
        note += (
            f" The landing is where {by} found it."
            if by
            else " The landing is the last prediction."
        )
    return Table(
        "Chase vehicles", *_turned(head, rows), note=note, empty="No vehicle of the crew was heard."
    )


def _when(found: When | None) -> str:
    return NONE if found is None else f"{apart(found.distance_m)} at {at(found.time_s)}"


def _whereabouts(record: FlightRecord) -> Table:
    rows = [
        (
            w.event.kind.capitalize(),
            w.name,
            f"{w.fix.latitude_deg:.5f}, {w.fix.longitude_deg:.5f}",
            at(w.fix.time_s),
            apart(w.distance_m),
            f"{w.bearing_deg:.0f}°",
        )
        for w in whereabouts(record)
    ]
    head = ("Event", "Vehicle", "Was at", "At", "To the payload", "Bearing")
    note = "By the report nearest in time, within ten minutes. Bearings from true north."
    return Table("Who was where", head, rows, frozenset({4, 5}), note, empty="")


def _uncertain(record: FlightRecord) -> Table:
    rows = [(at(u.from_s), at(u.to_s), u.words) for u in uncertain(record)]
    return Table(
        "Where the estimate was uncertain",
        ("From", "To", "Why"),
        rows,
        empty="Nowhere in the air: no gap above 3 min, no standard deviation above 100 m.",
    )
