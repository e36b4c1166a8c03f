"""Rules: what the crew must hear about, each alarm from its rise to its end.

A rule is a function of what the flight shows (`Evidence`) that yields alarms; `RULES` lists them. What
an alarm tells is numbers with units in their names. The page has sentences for the kinds that it knows
and shows any other kind by its name and its numbers.

**The alarms of the air end** when the landing is noticed, or when the crew says that it was found: what was
raised before has an end then and becomes a note, which nobody must acknowledge; what would begin later
(a tracker that falls silent on the ground) is none. That it is at rest (`landed`) ends when it is found.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import NamedTuple

from server.flight.landing.fall_signs import FallSigns
from server.flight.mission_state import Fact, Severity
from server.flight.packets.beacon_health import Silence
from server.flight.state import FlightState
from server.flight.times import moment
from server.flight.track.events import Event, Withdrawn


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


class Frozen(NamedTuple):
    """In the air every fix was the same to the last digit: nobody knows where it is."""

    since_s: float  # of the last fix that was used
    noticed_s: float
    until_s: float | None  # when one was used again
    altitude_m: float  # of the last one


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
    lost_from_s: float | None = None  # when contact was taken for lost

    @property
    def landed_s(self) -> float | None:
        """When the landing was noticed."""
        return next((e.noticed_s for e in reversed(self.events) if e.kind == "landing"), None)

    @property
    def found_s(self) -> float | None:
        """When the crew said that it was found."""
        found = self.shown.search.found
        return None if found is None else found.time.timestamp()


_OF_EVENTS: Mapping[str, tuple[str, Severity]] = {
    "launch": ("launch", "info"),
    "float": ("float", "warning"),
    "sink": ("sink", "warning"),
    "burst": ("burst", "urgent"),
    "landing": ("landed", "urgent"),
}


def of_events(evidence: Evidence) -> Iterable[Raised]:
    """Launch, float, sink, burst and landing; the id names the occurrence, by when it was noticed.

    An acknowledged burst that is withdrawn does not silence the next one. What the next event ends
    (a float, a sinking) has an end.
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
        name = f"{kind}-{round(event.noticed_s)}"
        yield Raised(name, kind, severity, event.noticed_s, until_s, facts)


def of_withdrawn(evidence: Evidence) -> Iterable[Raised]:
    """Events that turned out to be none, so that nobody goes on believing them."""
    for event, at_s in evidence.withdrawn:
        kind, _ = _OF_EVENTS[event.kind]
        name = f"{kind}-{round(event.noticed_s)}-withdrawn"
        facts: dict[str, Fact] = {"withdrawn": kind, "told": moment(event.noticed_s)}
        yield Raised(name, "withdrawn", "warning", at_s, None, facts)


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
            again_s = silence.heard_again_s
            yield Raised(
                f"lost-{name}-{round(silence.last_heard_s)}",
                "tracker_lost",
                "warning" if again_s is None else "info",
                silence.silent_from_s,
                again_s,
                facts,
            )


def of_frozen(evidence: Evidence) -> Iterable[Raised]:
    """All trackers at once: one that freezes alone is shown in its row, and the others go on."""
    for one in evidence.frozen:
        facts: dict[str, Fact] = {"last_good": moment(one.since_s), "altitude_m": one.altitude_m}
        name = f"frozen-{round(one.since_s)}"
        yield Raised(name, "frozen", "urgent", one.noticed_s, one.until_s, facts)


def of_contact(evidence: Evidence) -> Iterable[Raised]:
    """No tracker is heard any more in the air: it is to be searched for, from the last fix on."""
    search, track = evidence.shown.search, evidence.shown.track
    if search.contact not in ("lost", "lost as expected", "found") or track is None:
        return
    if evidence.lost_from_s is None or search.since is None or evidence.landed_s is not None:
        return
    if evidence.found_s is not None and evidence.found_s <= evidence.lost_from_s:
        return
    facts: dict[str, Fact] = {
        "last_heard": search.since,
        "latitude_deg": round(track.latitude_deg, 5),
        "longitude_deg": round(track.longitude_deg, 5),
        "altitude_m": track.altitude_m,
        "as_expected": "yes" if search.contact == "lost as expected" else "no",
    }
    name = f"contact-{round(search.since.timestamp())}"
    yield Raised(name, "contact_lost", "urgent", evidence.lost_from_s, None, facts)


def of_low_point(evidence: Evidence) -> Iterable[Raised]:
    """The descent is below the height of the plan: it will soon be out of hearing."""
    if evidence.low is not None:
        facts = {
            "limit_m": evidence.low_limit_m,
            "height_above_ground_m": evidence.low.height_m,
        }
        yield Raised("low", "low", "urgent", evidence.low.time_s, evidence.landed_s, facts)


def of_fall(evidence: Evidence) -> Iterable[Raised]:
    """Once for a fall that is not the planned one, and once for each way in which it changed."""
    off_plan = evidence.fall.off_plan
    if off_plan is not None:
        yield Raised(
            "fall-unplanned",
            "fall_unplanned",
            "warning",
            off_plan.noticed_s,
            evidence.landed_s,
            {"ratio": off_plan.ratio},
        )
    for step in evidence.fall.alarming:
        way = "faster" if step.ratio > 1.0 else "slower"
        facts: dict[str, Fact] = {
            "ratio": step.ratio,
            "since_altitude_m": step.since_m,
            "since": moment(step.since_s),
        }
        yield Raised(
            f"fall-{way}", "fall_changed", "warning", step.noticed_s, evidence.landed_s, facts
        )


RULES: tuple[Callable[[Evidence], Iterable[Raised]], ...] = (
    of_events,
    of_withdrawn,
    of_silences,
    of_frozen,
    of_contact,
    of_low_point,
    of_fall,
)


_OF_THE_GROUND = ("landed", "withdrawn")


def alarms(evidence: Evidence) -> list[Raised]:
    """All that the rules raise, in order of time, those of the air until it is over."""
    times = [time_s for time_s in (evidence.landed_s, evidence.found_s) if time_s is not None]
    over_s = min(times, default=None)
    raised = []
    for one in (one for rule in RULES for one in rule(evidence)):
        end_s = evidence.found_s if one.kind in _OF_THE_GROUND else over_s
        if end_s is None:
            raised.append(one)
        elif one.from_s < end_s or one.kind in _OF_THE_GROUND:
            raised.append(_ended(one, end_s))
    return sorted(raised, key=lambda one: (one.from_s, one.id))


def _ended(one: Raised, end_s: float) -> Raised:
    until_s = end_s if one.until_s is None else min(one.until_s, end_s)
    return one._replace(severity="info", until_s=max(until_s, one.from_s))
