"""Rules: what the crew must hear about, each alarm from its rise to its end.

A rule is a function of what the flight shows (`Evidence`) that yields alarms; `RULES` lists them. What
an alarm tells is numbers with units in their names. The page has sentences for the kinds that it knows
and shows any other kind by its name and its numbers.

Grades by what one must do: urgent, act now; warning, look; info, news (what is expected: a launch, a
burst about where it was planned, a landing). Each has an end: what it told is over, or the air is. From
the landing, the find, or the loss of all contact on, nobody can act on an alarm of the air: it has an end
then and becomes a note, and what would begin later (a tracker that falls silent on the ground) is none.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Literal, NamedTuple

from server.flight.landing.fall_signs import FallSigns
from server.flight.mission_state import Fact, Severity
from server.flight.packets.beacon_health import Silence
from server.flight.state import FlightState
from server.flight.times import moment
from server.flight.track.events import Event, Withdrawn
from server.flight.track.two_transmitters import TwoTransmitters


class Raised(NamedTuple):
    """`id` stays the same as long as the alarm does, so that it can be acknowledged."""

    id: str
    kind: str
    severity: Severity
    from_s: float
    until_s: float | None
    facts: Mapping[str, Fact]


class LowPoint(NamedTuple):
    """First fix of the descent below the alarm height."""

    time_s: float
    height_m: float


class Beacon(NamedTuple):
    """One tracker's silences, past and present."""

    name: str
    label: str
    interval_s: float | None
    silences: Sequence[Silence]


Repeats = Literal["position", "place", "altitude", "nothing"]


class Frozen(NamedTuple):
    """In the air all trackers told the same to the last digit, or nothing: nobody knows where it is."""

    repeats: Repeats  # place: latitude and longitude alone; nothing: no position that could be one
    since_s: float  # of the last fix that was used
    noticed_s: float
    until_s: float | None  # when one was used again
    altitude_m: float  # of the last one


class Doubled(NamedTuple):
    """Fixes of one tracker came from two places by turns; each place: latitude, longitude, altitude."""

    name: str
    label: str
    told: TwoTransmitters
    until_s: float | None  # when it was over, if it is
    places: tuple[tuple[float, float, float | None], ...]


class Evidence(NamedTuple):
    """All that the rules look at: the flight as it is shown, and what the state does not hold.

    `site_m`: altitude of the launch site, where it is known.
    """

    shown: FlightState
    events: Sequence[Event]
    withdrawn: Sequence[Withdrawn]
    site_m: float | None
    fall: FallSigns
    low: LowPoint | None
    low_limit_m: float
    beacons: Sequence[Beacon]
    frozen: Sequence[Frozen] = ()
    doubled: Sequence[Doubled] = ()
    lost_from_s: float | None = None  # when contact was taken for lost
    least_burst_m: float = 0.0  # a burst below is earlier than the plan leaves room for

    @property
    def found_s(self) -> float | None:
        """When the crew said that it was found."""
        found = self.shown.search.found
        return None if found is None else found.time.timestamp()

    def over_s(self, from_s: float) -> float | None:
        """When the first landing, find or loss of all contact after that moment was noticed."""
        ends = [e.noticed_s for e in self.events if e.kind == "landing"]
        ends += [end_s for end_s in (self.found_s, self.lost_s) if end_s is not None]
        return min((end_s for end_s in ends if end_s > from_s), default=None)

    @property
    def lost_s(self) -> float | None:
        """When contact was lost: it is still, or was until it was found."""
        search, lost_s, found_s = self.shown.search, self.lost_from_s, self.found_s
        if lost_s is None or search.since is None or search.contact not in (*_LOST, "found"):
            return None
        landed = any(e.kind == "landing" and e.noticed_s <= lost_s for e in self.events)
        return None if landed or (found_s is not None and found_s <= lost_s) else lost_s

    def is_down(self, at_s: float) -> bool:
        """Whether it had landed or was found by then, and was not launched again."""
        last = [e for e in self.events if e.kind in ("launch", "landing") and e.noticed_s <= at_s]
        found = self.found_s is not None and self.found_s <= at_s
        return found or (bool(last) and last[-1].kind == "landing")


_LOST = ("lost", "lost as expected")
_TAKEN_BACK_S = 900.0  # that long a withdrawn event is told; common practice, no source

_OF_EVENTS: Mapping[str, tuple[str, Severity]] = {
    "launch": ("launch", "info"),
    "float": ("float", "warning"),
    "sink": ("sink", "warning"),
    "burst": ("burst", "info"),
    "landing": ("landed", "info"),
}


def of_events(evidence: Evidence) -> Iterable[Raised]:
    """Launch, float, sink, burst and landing; the id names the occurrence, by when it was noticed.

    An acknowledged burst that is withdrawn does not silence the next one. What the next event ends
    (a float, a sinking) has an end. A burst far below the planned one is a warning.
    """
    for event, after in zip(evidence.events, [*evidence.events, None][1:], strict=True):
        kind, severity = _OF_EVENTS[event.kind]
        facts: dict[str, Fact] = {
            "happened": moment(event.time_s),
            "altitude_m": event.altitude_m,
        }
        if evidence.site_m is not None and event.kind in ("burst", "float", "sink"):
            facts["above_launch_m"] = event.altitude_m - evidence.site_m
        until_s = after.noticed_s if after is not None and kind in ("float", "sink") else None
        if kind == "burst" and event.altitude_m < evidence.least_burst_m:
            severity = "warning"
        name = f"{kind}-{round(event.noticed_s)}"
        yield Raised(name, kind, severity, event.noticed_s, until_s, facts)


def of_withdrawn(evidence: Evidence) -> Iterable[Raised]:
    """Events that turned out to be none, so that nobody goes on believing them."""
    for event, at_s in evidence.withdrawn:
        kind, _ = _OF_EVENTS[event.kind]
        name = f"{kind}-{round(event.noticed_s)}-withdrawn"
        facts: dict[str, Fact] = {"withdrawn": kind, "told": moment(event.noticed_s)}
        yield Raised(name, "withdrawn", "warning", at_s, at_s + _TAKEN_BACK_S, facts)


def of_silences(evidence: Evidence) -> Iterable[Raised]:
    """One for each time that a tracker fell silent."""
    for name, label, interval_s, silences in evidence.beacons:
        for silence in silences:
            facts: dict[str, Fact] = {
                "tracker": label,
                "last_heard": moment(silence.last_heard_s),
            }
            if interval_s is not None:
                facts["interval_s"] = interval_s
            if silence.heard_again_s is not None:
                facts["heard_again"] = moment(silence.heard_again_s)
            yield Raised(
                f"lost-{name}-{round(silence.last_heard_s)}",
                "tracker_lost",
                "warning" if silence.heard_again_s is None else "info",
                silence.silent_from_s,
                silence.heard_again_s,
                facts,
            )


def of_frozen(evidence: Evidence) -> Iterable[Raised]:
    """All trackers at once: one that freezes alone is shown in its row, and the others go on."""
    for one in evidence.frozen:
        facts: dict[str, Fact] = {
            "repeats": one.repeats,
            "last_good": moment(one.since_s),
            "altitude_m": one.altitude_m,
        }
        name = f"frozen-{round(one.since_s)}"
        severity: Severity = "warning" if one.repeats == "altitude" else "urgent"
        yield Raised(name, "frozen", severity, one.noticed_s, one.until_s, facts)


def of_doubled(evidence: Evidence) -> Iterable[Raised]:
    """Two transmitters under one callsign: which of them flies, the crew must find out."""
    for name, label, told, until_s, places in evidence.doubled:
        facts: dict[str, Fact] = {"tracker": label, "apart_m": told.apart_m}
        for which, (latitude_deg, longitude_deg, altitude_m) in zip(
            ("one", "other"), places, strict=True
        ):
            facts[f"{which}_latitude_deg"] = round(latitude_deg, 5)
            facts[f"{which}_longitude_deg"] = round(longitude_deg, 5)
            if altitude_m is not None:
                facts[f"{which}_altitude_m"] = altitude_m
        alarm = f"doubled-{name}-{round(told.since_s)}"
        yield Raised(alarm, "two_transmit", "urgent", told.noticed_s, until_s, facts)


def of_contact(evidence: Evidence) -> Iterable[Raised]:
    """No tracker is heard any more in the air: it is to be searched for, from the last fix on."""
    search, track, lost_s = evidence.shown.search, evidence.shown.track, evidence.lost_s
    if track is None or lost_s is None or search.since is None:
        return
    facts: dict[str, Fact] = {
        "last_heard": search.since,
        "latitude_deg": round(track.latitude_deg, 5),
        "longitude_deg": round(track.longitude_deg, 5),
        "altitude_m": track.altitude_m,
        "as_expected": "yes" if search.contact == "lost as expected" else "no",
    }
    name = f"contact-{round(search.since.timestamp())}"
    yield Raised(name, "contact_lost", "urgent", lost_s, None, facts)


def of_low_point(evidence: Evidence) -> Iterable[Raised]:
    """The descent is below the height of the plan: it will soon be out of hearing."""
    if evidence.low is not None:
        facts = {
            "limit_m": evidence.low_limit_m,
            "height_above_ground_m": evidence.low.height_m,
        }
        yield Raised("low", "low", "urgent", evidence.low.time_s, None, facts)


def of_fall(evidence: Evidence) -> Iterable[Raised]:
    """Once for a fall that is not the planned one, and once for each way in which it changed."""
    off_plan = evidence.fall.off_plan
    if off_plan is not None:
        yield Raised(
            "fall-unplanned",
            "fall_unplanned",
            "warning",
            off_plan.noticed_s,
            None,
            {"ratio": off_plan.ratio},
        )
    for step in evidence.fall.alarming:
        way = "faster" if step.ratio > 1.0 else "slower"
        facts: dict[str, Fact] = {
            "ratio": step.ratio,
            "since_altitude_m": step.since_m,
            "since": moment(step.since_s),
        }
        yield Raised(f"fall-{way}", "fall_changed", "warning", step.noticed_s, None, facts)


RULES: tuple[Callable[[Evidence], Iterable[Raised]], ...] = (
    of_events,
    of_withdrawn,
    of_silences,
    of_frozen,
    of_doubled,
    of_contact,
    of_low_point,
    of_fall,
)


_OF_THE_GROUND = ("landed", "withdrawn")


def alarms(evidence: Evidence) -> list[Raised]:
    """All that the rules raise, in order of time, those of the air until it is over."""
    raised = []
    for one in (one for rule in RULES for one in rule(evidence)):
        if one.kind in _OF_THE_GROUND:
            raised.append(one)
        elif not evidence.is_down(one.from_s):
            raised.append(_ended(one, evidence))
    return sorted(raised, key=lambda one: (one.from_s, one.id))


def _ended(one: Raised, evidence: Evidence) -> Raised:
    """With the end of the air; a tracker that fell silent as the last one is no alarm of its own."""
    lost_s = evidence.lost_s
    if one.kind == "tracker_lost" and lost_s is not None and lost_s <= one.from_s:
        return one._replace(severity="info", until_s=one.from_s)
    ends = [end_s for end_s in (one.until_s, evidence.over_s(one.from_s)) if end_s is not None]
    if not ends:
        return one
    return one._replace(severity="info", until_s=min(ends))
