"""What the terminal and the debrief say of events, alarms, rejections and problems, for `reader()`.

The page has sentences of its own, in the reader's units and zone (`web/words/`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Literal

from decoders.reports import BearingReport, ClaimReport, FoundReport, NoteReport, SearchedReport
from server.debrief.words import NONE, apart, at, climb, compass, duration, metres, moment
from server.flight.mission_state import Alarm, Fact, Problem, ProblemKind
from server.flight.physics.geodesy import distance_bearing
from server.flight.physics.lift import Lift
from server.flight.state import EventKind, WindBackground, WindSource
from server.flight.tracker_state import Rejection, RejectionKind

CAUTIONS = (
    "The driver does not operate this screen.",
    "Stay clear of power lines, water, railways and roads. Do not climb for it.",
    "Ask before you step on private land.",
    "Airspace and radio rules, and the licensed operator, decide. Local rules come first.",
    "No cellular phone transmits in the air.",
    "A prediction is not a promise: look up, and mind the road.",
)
_EVENTS: Mapping[EventKind, str] = {
    "launch": "Launched",
    "float": "Floats",
    "sink": "Sinks",
    "burst": "Burst",
    "landing": "At rest on the ground",
}
_REJECTIONS: Mapping[RejectionKind, str] = {
    RejectionKind.OFF_EARTH: "a position that is not on the earth",
    RejectionKind.NO_FIX: "the receiver says that it has no fix",
    RejectionKind.NULL_ISLAND: "position 0, 0: the receiver has no fix",
    RejectionKind.SWAPPED: "latitude and longitude are swapped",
    RejectionKind.TWO_TRANSMIT: "two transmit under its callsign",
    RejectionKind.FROZEN: "position unchanged to the last digit while it moves",
    RejectionKind.STUCK: "altitude unchanged to the last digit while it moves",
    RejectionKind.AGAINST_PRESSURE: "altitude does not agree with its own pressure",
    RejectionKind.NOT_COMPUTABLE: "numbers that cannot be computed with",
}
_PROBLEMS: Mapping[ProblemKind, str] = {
    ProblemKind.OWN_CLOCK: "this computer's clock is {span} GPS time; the times shown are put right",
    ProblemKind.OTHER_CLOCK: "the clock of {name} is {span} ours; its times are put right",
    ProblemKind.OWN_CLOCK_BEHIND: "all that other stations heard is later than now: this clock is behind",
    ProblemKind.UNDATED: "the clock of {name} shows another day; {count:,} packets are not used",
    ProblemKind.LATER_THAN_NOW: "{name} heard {count:,} packets later than now; they are not used",
    ProblemKind.TIMES_AHEAD: "{name}: the times of {count:,} positions are later than they were heard",
    ProblemKind.TIMES_BEHIND: "{name}: the times of {count:,} positions are much too early",
    ProblemKind.FAR_FROM_LAUNCH: "{name} is {distance_km:,.0f} km from the planned launch",
    ProblemKind.SWAPPED: "{name}: latitude and longitude of {count:,} positions are swapped; not used",
    ProblemKind.UNUSABLE: "{count:,} receptions could not be taken in ({detail})",
    ProblemKind.JOURNAL_READ: "the journal is being read, {count} %; until then not all is shown",
    ProblemKind.JOURNAL_ELSEWHERE: "the plan's folder cannot be written to: the journal lies in {detail}",
    ProblemKind.JOURNAL_REFUSES: "the journal cannot be written ({detail})",
    ProblemKind.DISK_FILLS: "only {count:,} MB were free on the journal's disk",
    ProblemKind.LANDING_FAILED: "the landing could not be worked out ({detail})",
    ProblemKind.FORECAST_UNUSED: "no forecast is used: {detail}",
    ProblemKind.WINDS_UNUSED: "measured winds are left out: {detail}",
    ProblemKind.MAP_UNUSED: "{detail}",
    ProblemKind.ROADS_READ: "Roads of {name} are being read, {count} %.",
    ProblemKind.ROADS_UNUSED: "{detail}. Drive times are as the crow flies.",
    ProblemKind.PACK_UNUSED: "{detail}",
    ProblemKind.JOURNAL_DAMAGED: "the journal was damaged; {count:,} receptions were saved ({detail})",
    ProblemKind.JOURNAL_UNSAVED: "the journal was damaged; its {count:,} receptions had no room ({detail})",
    ProblemKind.ENTRIES_ALTERED: "{count:,} entries of the journal were altered on the disk ({detail})",
    ProblemKind.NOT_CLOSED: "the run before was killed, or lost its power",
    ProblemKind.NAME_TWICE: "another station calls itself {name} too",
    ProblemKind.CLOCK_SET_BACK: "this computer's clock was set back",
    ProblemKind.PLAN_EDITED: "the plan was edited in flight",
    ProblemKind.PLAN_UNUSABLE: "the plan was edited in flight and cannot be used: {detail}",
    ProblemKind.REQUESTS_CUT: "{count:,} connections brought no whole request and were cut",
    ProblemKind.READERS_CUT: "{count:,} pages took nothing of what was sent and were cut",
    ProblemKind.TASK_FAILED: "{name} failed ({detail})",
}


def event_words(kind: EventKind, altitude_m: float, time_s: float) -> str:
    """E.g. Burst at 29,310 m, 15:36:10 UTC."""
    return f"{_EVENTS[kind]} at {metres(altitude_m)}, {moment(time_s)}"


def rejection_words(reason: Rejection) -> str:
    """E.g. 12.3 km from where N0CALL-11 puts it."""
    words = _REJECTIONS.get(reason.kind)
    if words is None:
        off_m = abs(reason.off_m or 0.0)
        off = apart(off_m)
        if reason.kind == RejectionKind.NEVER_FLEW:
            other = " and ".join(reason.against)
            words = f"has not left the ground, while {other} is {off} higher and climbs"
        elif reason.kind == RejectionKind.ALTITUDE_OFF:
            side = "above" if (reason.off_m or 0.0) > 0.0 else "below"
            words = f"altitude {off} {side} {_where(reason.against)}"
        else:
            words = f"{off} from {_where(reason.against)}"
    if reason.pressure_off_m is not None:
        side = "higher" if reason.pressure_off_m > 0.0 else "lower"
        words += f"; by its pressure it is {metres(abs(reason.pressure_off_m))} {side}"
    return words


def _where(against: tuple[str, ...]) -> str:
    if not against:
        return "where the track is"
    return f"where {' and '.join(against)} put{'s' if len(against) == 1 else ''} it"


def alarm_words(alarm: Alarm) -> str:
    """Kind and facts, e.g. Tracker lost: tracker Backup, last heard 15:03:12, interval 30 s."""
    told = ", ".join(_fact(name, value) for name, value in alarm.facts.items())
    title = alarm.kind.replace("_", " ").capitalize()
    return f"{title}: {told}" if told else title


def acknowledged_words(alarm: Alarm) -> str:
    """E.g. by Anna, on Car 1."""
    by = f"by {alarm.acknowledged_person}" if alarm.acknowledged_person else ""
    on = f"on {alarm.acknowledged_by}" if alarm.acknowledged_by else ""
    return ", ".join(filter(None, (by, on))) or ("yes" if alarm.acknowledged else "no")


_WRITTEN: Mapping[str, Callable[[float], str]] = {
    "m": metres,
    "ms": climb,
    "s": lambda value: f"{value:,.0f} s",
}


def _fact(name: str, value: Fact) -> str:
    if isinstance(value, datetime):
        return f"{name.replace('_', ' ')} {at(value.timestamp())}"
    if isinstance(value, str):
        return f"{name.replace('_', ' ')} {value}"
    stem, _, unit = name.rpartition("_")
    if stem and unit in _WRITTEN:
        return f"{stem.replace('_', ' ')} {_WRITTEN[unit](value)}"
    return f"{name.replace('_', ' ')} {value:.2f}"


def problem_words(problem: Problem) -> str:
    """One sentence without a full stop."""
    return _PROBLEMS[problem.kind].format(
        name=problem.name or "a station without a name",
        count=problem.count or 0,
        detail=problem.detail or "",
        distance_km=(problem.distance_m or 0.0) / 1_000.0,
        span="" if problem.ahead_s is None else _span(problem.ahead_s),
    )


def _span(ahead_s: float) -> str:
    side = "ahead of" if ahead_s > 0 else "behind"
    minutes, seconds = divmod(round(abs(ahead_s)), 60)
    if minutes < 120:
        return f"{minutes} min {seconds} s {side}"
    hours, minutes = divmod(minutes, 60)
    days, hours = divmod(hours, 24)
    return (
        f"{days:,} days {hours} h {minutes} min {side}"
        if days
        else f"{hours} h {minutes} min {side}"
    )


@dataclass(frozen=True)
class Course:
    """What a flight came to, for one sentence. Times in UTC seconds; None: not known."""

    name: str
    launched_s: float | None
    burst_altitude_m: float | None
    highest_m: float | None
    ended_s: float | None
    ended: Literal["at rest", "found", "predicted", "unknown"]
    found_by: str = ""
    distance_m: float | None = None  # of its end from the launch
    bearing_deg: float | None = None
    held: int = 0  # predictions whose 90 % area held the place where it ended
    judged: int = 0


def summary(course: Course) -> str:
    """The flight in one sentence."""
    parts = []
    if course.launched_s is not None:
        parts.append(f"was launched at {moment(course.launched_s)}")
    if course.burst_altitude_m is not None:
        parts.append(f"burst at {metres(course.burst_altitude_m)}")
    elif course.highest_m is not None:
        parts.append(f"was seen as high as {metres(course.highest_m)}")
    parts.append(_end_words(course))
    *first, last = parts
    words = f"{', '.join(first)} and {last}" if first else last
    if course.judged:
        words += f"; {course.held} of {course.judged} predictions had it inside their 90 % area"
    return f"{course.name} {words}."


def _end_words(course: Course) -> str:
    way = ""
    if course.distance_m is not None and course.bearing_deg is not None:
        way = f" {apart(course.distance_m)} {compass(course.bearing_deg)} of the launch"
    when = "" if course.ended_s is None else f" at {moment(course.ended_s)}"
    if course.ended == "at rest":
        return f"was at rest{way}{when}"
    if course.ended == "found":
        return f"was found by {course.found_by}{way}{when}"
    if course.ended == "predicted":
        return f"was not heard on the ground: it is expected{way}"
    return "was not followed to the ground"


_SURE = {"sharp": "sharp", "broad": "broad", "ahead": "strong, ahead"}
_GROUND = {"open": "open field", "crops": "crops", "wood": "wood"}


def note_words(note: NoteReport) -> str:
    """What a member of the crew noted while it searched; one sentence without a full stop."""
    if isinstance(note, BearingReport):
        place = f"{note.latitude_deg:.5f}, {note.longitude_deg:.5f}"
        return f"bearing {note.bearing_deg:.0f}° ({_SURE[note.sureness]}) from {place}"
    if isinstance(note, SearchedReport):
        ground = f"{_GROUND[note.ground]}, {metres(note.width_m)} wide"
        if note.closed:
            return f"searched the ground within {len(note.path)} corners ({ground})"
        legs = pairwise(note.path)
        length_m = sum(distance_bearing(*a, *b)[0] for a, b in legs)
        return f"searched along {metres(length_m)} ({ground})"
    if isinstance(note, FoundReport):
        place = f"{note.latitude_deg:.5f}, {note.longitude_deg:.5f}"
        return f"found at {place}{f': {note.note}' if note.note else ''}"
    if isinstance(note, ClaimReport):
        words = "goes there" if note.can else "cannot reach it"
        return f"{words}{f': {note.note}' if note.note else ''}"
    return f"took back note {note.of}"


def lift_words(lift: Lift) -> str:
    """What balloon and gas come to."""
    burst = "no burst diameter is given"
    if lift.burst_altitude_m is not None:
        burst = f"burst {lift.burst_altitude_m:,.0f} ± {lift.burst_altitude_sigma_m:,.0f} m"
    return (
        f"{lift.gas_volume_m3:.2f} m³ of gas, neck lift {lift.neck_lift_kg:.2f} kg, "
        f"free lift {lift.free_lift_kg:.2f} kg, climb {lift.ascent_rate_ms:.1f} ± "
        f"{lift.ascent_rate_sigma_ms:.1f} m/s, {burst}; "
        "the maker's table and a licensed or experienced hand decide"
    )


def wind_words(
    measured: Sequence[WindSource], background: WindBackground | None, now_s: float
) -> str:
    """E.g. own to 8,250 m; Lark 1, 25 min before; forecast, run 5 h 10 min before."""

    def before(time: datetime) -> str:
        return f"{duration(max(now_s - time.timestamp(), 0.0))} before"

    words = [
        f"own to {metres(one.top_altitude_m)}"
        if one.name == ""
        else f"{one.name}, {before(one.time)}"
        for one in measured
    ]
    if background is not None and background.kind == "season":
        words.append("else the season’s usual")
    elif background is not None:
        run = background.run
        words.append(
            "a forecast that tells no time" if run is None else f"forecast, run {before(run)}"
        )
    return "; ".join(words) or NONE
