"""The ordinary plan that a station needs to follow a scenario."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from server.rehearsal.balloon import Balloon
from server.rehearsal.scenario import Scenario, Tracker
from server.rehearsal.terrain import ground_m

PHONE_TOKEN = "rehearsal-phone-token"
_BURST_SIGMA_M = 1_200
_CAR_KINDS = {"gpsd": "gpsd-tcp", "gpsd-real": "gpsd-tcp"}


def plan_text(scenario: Scenario, addresses: Mapping[str, Mapping[str, Any]] | None = None) -> str:
    """TOML. `addresses`: source name -> host, port or device; None: a plan for a log alone."""
    launch = scenario.launch
    place = (launch.latitude_deg, launch.longitude_deg)
    lines = [f"# {scenario.title}: the plan of a made flight. Everything in it is invented.", ""]
    if len(scenario.flights) == 1:
        lines += _section("[flight]", name=scenario.flight)
        lines += _flight(scenario, "", place, launch.time, scenario.trackers)
    else:
        lines += _section("[[flights]]", name=scenario.flight)
        lines += _flight(scenario, "flights.", place, launch.time, scenario.trackers)
    for other in scenario.others:
        if other.flight:
            lines += _section("[[flights]]", name=other.flight)
            later = launch.time + timedelta(seconds=other.launch_after_s)
            its = (other.latitude_deg, other.longitude_deg)
            lines += _flight(scenario, "flights.", its, later, other.trackers)
    for name, values in sources(scenario, addresses or {}).items():
        lines += _section("[[sources]]", name=name, **values)
    for car in scenario.cars:
        lines += _section(
            "[[vehicles]]",
            name=car.name,
            callsign=car.callsign,
            source=None if scenario.feed.car == "none" else car.source,
            own=car.own or None,
            flight=car.flight or None,
            road_speed_ms=car.road_speed_ms,
        )
    if scenario.road_files:
        lines += _section("[roads]", files=list(scenario.road_files))
    return "\n".join(lines).rstrip() + "\n"


def _flight(
    scenario: Scenario,
    prefix: str,
    place: tuple[float, float],
    time: datetime,
    trackers: Sequence[Tracker],
) -> list[str]:
    """Launch, balloon, fall and trackers; `prefix` of their headings: "" or "flights."."""
    lines = [
        *_section(
            f"[{prefix}launch]",
            latitude_deg=place[0],
            longitude_deg=place[1],
            altitude_m=round(ground_m(*place), 1),
            time=f"{time.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}",
        ),
        *_section(f"[{prefix}balloon]", **_balloon(scenario)),
        *_section(
            f"[{prefix}descent]",
            mass_kg=scenario.balloon.payload_kg,
            parachute_diameter_m=scenario.parachute.diameter_m,
        ),
    ]
    for tracker in trackers:
        token = PHONE_TOKEN if tracker.format == "phone" else None
        lines += _section(
            f"[[{prefix}trackers]]",
            name=tracker.name,
            role=tracker.role,
            callsign=tracker.callsign,
            source=tracker.source,
            token=token,
        )
    return lines


def sources(
    scenario: Scenario, addresses: Mapping[str, Mapping[str, Any]]
) -> dict[str, dict[str, Any]]:
    """The sources by name as the plan has them."""
    feed = scenario.feed
    found: dict[str, dict[str, Any]] = {}
    if feed.tnc != "none":
        found["tnc"] = {"kind": feed.tnc}
        if feed.tnc == "kiss-serial":
            found["tnc"]["device"] = "/dev/ttyUSB0"
    if feed.internet:
        launch = scenario.launch
        found["internet"] = {
            "kind": "aprs-is",
            "host": "127.0.0.1",
            "callsign": "N0CALL",
            "filter": f"r/{launch.latitude_deg:.1f}/{launch.longitude_deg:.1f}/300",
        }
        if "internet" in addresses:
            found["internet"]["enabled"] = True
    for car in scenario.cars:
        if car.source is not None and feed.car != "none":
            found[car.source] = {"kind": _CAR_KINDS.get(feed.car, feed.car)}
            if feed.car == "nmea-serial":
                found[car.source]["device"] = "/dev/ttyACM0"
    others = (tracker for other in scenario.others if other.flight for tracker in other.trackers)
    for tracker in (*scenario.trackers, *others):
        if tracker.source is not None:
            found[tracker.source] = {"kind": "phone" if tracker.format == "phone" else "nmea-udp"}
    for name, values in addresses.items():
        if name in found:
            found[name].update(values)
    return found


def _balloon(scenario: Scenario) -> dict[str, Any]:
    """What the makers' table would have told: round figures of the design, not of this day."""
    lift = scenario.balloon
    launch_m = ground_m(scenario.launch.latitude_deg, scenario.launch.longitude_deg)
    balloon = Balloon(lift.balloon_kg, lift.payload_kg, lift.free_lift_kg, lift.burst_diameter_m)
    burst_m = balloon.burst_altitude_m(launch_m)
    climb_ms = balloon.climb_ms(np.arange(launch_m, burst_m, 250.0), launch_m)
    return {
        "burst_altitude_m": round(burst_m / 500) * 500,
        "burst_altitude_sigma_m": _BURST_SIGMA_M,
        "ascent_rate_ms": round(float(1 / np.mean(1 / climb_ms)), 1),  # height over time
        "ascent_rate_sigma_ms": 0.8,
    }


def _section(heading: str, **values: Any) -> list[str]:
    lines = [heading]
    for key, value in values.items():
        if value is None:
            continue
        if isinstance(value, bool):
            text = str(value).lower()
        elif isinstance(value, int | float):
            text = f"{value}"
        elif key == "time":
            text = value
        elif isinstance(value, list):
            text = "[" + ", ".join(f'"{one}"' for one in value) + "]"
        else:
            text = '"' + str(value).replace("\\", "\\\\").replace('"', '\\"') + '"'
        lines.append(f"{key} = {text}")
    return [*lines, ""]
