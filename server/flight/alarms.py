"""What the crew must hear about: burst, odd fall, tracker lost, low, landed. Of the flight alone."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Literal, NamedTuple

from server.flight.landing.fall_signs import FallSigns, times_words
from server.flight.packets.beacon_health import Silence
from server.flight.times import clock
from server.flight.track.events import Event, EventKind, Withdrawn

Kind = Literal["launch", "burst", "float", "tracker_lost", "low", "landed", "fall"]
Severity = Literal["info", "warning", "urgent"]


class Alarm(NamedTuple):
    """`id` stays the same as long as the alarm does, so that it can be acknowledged."""

    id: str
    kind: Kind
    severity: Severity
    time_s: float
    text: str


class LowPoint(NamedTuple):
    """First fix of the descent below the alarm height."""

    time_s: float
    height_m: float


def of_events(events: Sequence[Event], site_m: float | None) -> Iterable[Alarm]:
    """Launch, float, sink, burst and landing; the id names the occurrence, by when it was noticed.

    An acknowledged burst that is withdrawn does not silence the next one.
    """
    for event in events:
        number = round(event.noticed_s)
        above = ""
        if site_m is not None and event.kind in ("burst", "float", "sink"):
            above = f" ({event.altitude_m - site_m:,.0f} m above the launch site)"
        at = f"{event.altitude_m:,.0f} m{above} at {clock(event.time_s)}"
        if event.kind == "burst":
            yield Alarm(f"burst-{number}", "burst", "urgent", event.noticed_s, f"Burst at {at}.")
        elif event.kind == "float":
            text = f"No longer climbing: floats at {at}."
            yield Alarm(f"float-{number}", "float", "warning", event.noticed_s, text)
        elif event.kind == "sink":
            text = (
                f"Sinks since {at}, more slowly than under a parachute: a leak, a balloon that still "
                "carries it, or a wrong altitude."
            )
            yield Alarm(f"sink-{number}", "fall", "warning", event.noticed_s, text)
        elif event.kind == "landing":
            text = f"At rest on the ground, {at}."
            yield Alarm(f"landed-{number}", "landed", "urgent", event.noticed_s, text)
        elif event.kind == "launch":
            text = f"Launched at {clock(event.time_s)}."
            yield Alarm(f"launch-{number}", "launch", "info", event.noticed_s, text)


_WITHDRAWN: Mapping[EventKind, tuple[Kind, str]] = {
    "launch": ("launch", "The launch told before was none: it is on the ground."),
    "float": ("float", "The float told before was none."),
    "sink": ("fall", "The sinking told before was none."),
    "burst": ("burst", "The burst told before was none."),
    "landing": ("landed", "The landing told before was none: it is not at rest."),
}


def of_withdrawn(withdrawn: Sequence[Withdrawn]) -> Iterable[Alarm]:
    """Events that turned out to be none, so that nobody goes on believing them."""
    for event, at_s in withdrawn:
        kind, text = _WITHDRAWN[event.kind]
        told = f"{text} (It was told at {clock(event.noticed_s)}, and taken back at {clock(at_s)}.)"
        yield Alarm(f"{kind}-{round(event.noticed_s)}-withdrawn", kind, "warning", at_s, told)


def of_silences(
    name: str, label: str, silences: Iterable[Silence], interval_s: float | None
) -> Iterable[Alarm]:
    """One for each time that a tracker fell silent."""
    expected = f", expected every {interval_s:.0f} s" if interval_s is not None else ""
    for silence in silences:
        again = silence.heard_again_s
        ended = f" Heard again at {clock(again)}." if again is not None else ""
        yield Alarm(
            f"lost-{name}-{round(silence.last_heard_s)}",
            "tracker_lost",
            "warning" if again is None else "info",
            silence.silent_from_s,
            f"{label} is silent: last heard at {clock(silence.last_heard_s)}{expected}.{ended}",
        )


def of_low_point(low: LowPoint | None, limit_m: float) -> Iterable[Alarm]:
    if low is not None:
        text = (
            f"Below {limit_m:,.0f} m ({limit_m / 0.3048:,.0f} ft) above ground: "
            f"{low.height_m:,.0f} m at {clock(low.time_s)}. Listen, and take a bearing."
        )
        yield Alarm("low", "low", "urgent", low.time_s, text)


def of_fall(signs: FallSigns) -> Iterable[Alarm]:
    """Once for a fall that is not the planned one, and once for each way in which it changed."""
    if signs.off_plan is not None:
        ratio, noticed_s = signs.off_plan
        text = (
            f"It falls {times_words(ratio)} as planned, from the burst on. The landing is worked out "
            f"with that: look where it is now."
        )
        yield Alarm("fall-unplanned", "fall", "warning", noticed_s, text)
    for step in signs.alarming:
        way = "faster" if step.ratio > 1.0 else "slower"
        text = (
            f"The fall has changed: {times_words(step.ratio)} as before, below "
            f"{step.since_m:,.0f} m at {clock(step.since_s)}. The landing is worked out with that: "
            f"look where it is now."
        )
        yield Alarm(f"fall-{way}", "fall", "warning", step.noticed_s, text)
