"""What the crew must hear about: burst, tracker lost, low, landed. A function of the flight alone."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal, NamedTuple

from server.flight.health import Silence
from server.flight.times import clock
from server.flight.track.phase import Event

Kind = Literal["launch", "burst", "float", "tracker_lost", "low", "landed"]
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
    """Launch, float, burst and landing, numbered by kind."""
    seen: dict[str, int] = {}
    for event in events:
        number = seen[event.kind] = seen.get(event.kind, 0) + 1
        above = ""
        if site_m is not None and event.kind in ("burst", "float"):
            above = f" ({event.altitude_m - site_m:,.0f} m above the launch site)"
        at = f"{event.altitude_m:,.0f} m{above} at {clock(event.time_s)}"
        if event.kind == "burst":
            yield Alarm(f"burst-{number}", "burst", "urgent", event.noticed_s, f"Burst at {at}.")
        elif event.kind == "float":
            text = f"No longer climbing: floats at {at}."
            yield Alarm(f"float-{number}", "float", "warning", event.noticed_s, text)
        elif event.kind == "landing":
            text = f"At rest on the ground, {at}."
            yield Alarm(f"landed-{number}", "landed", "urgent", event.noticed_s, text)
        elif event.kind == "launch":
            text = f"Launched at {clock(event.time_s)}."
            yield Alarm(f"launch-{number}", "launch", "info", event.noticed_s, text)


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
