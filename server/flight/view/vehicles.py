"""Where the cars are, and how and when each gets to the landing point."""

from __future__ import annotations

from dataclasses import replace

from server.flight.chase.contact import Receiver
from server.flight.chase.vehicles import VehicleFix, drive
from server.flight.flight import Flight
from server.flight.inputs import VehiclePlan
from server.flight.mission_state import Vehicle
from server.flight.state import Landing
from server.flight.times import moment

LAUNCH_SITE = ""  # the receiver that stands there, where no car carries the station


def _launch_site(flight: Flight) -> tuple[float, float] | None:
    launch = flight.plan.launch
    if launch.latitude_deg is None or launch.longitude_deg is None:
        return None
    return launch.latitude_deg, launch.longitude_deg


def receivers(flight: Flight) -> list[Receiver]:
    """The own car first, then the others; the launch site where no car carries this station."""
    cars = [
        (not own, Receiver(name, fix.latitude_deg, fix.longitude_deg))
        for name, (own, _, fix) in sorted(_vehicle_latest(flight).items())
    ]
    cars.sort(key=lambda car: car[0])
    site = _launch_site(flight)
    if site is not None and not any(not other for other, _ in cars):
        cars.insert(0, (False, Receiver(LAUNCH_SITE, *site)))
    return [receiver for _, receiver in cars]


def vehicle_fixes(flight: Flight, name: str) -> list[VehicleFix]:
    """All positions of a vehicle that is heard under `name`, in order of time."""
    sender = flight.senders.get(name)
    if sender is None:
        return []
    return [
        VehicleFix(
            f.time_s, f.latitude_deg, f.longitude_deg, f.altitude_m, f.speed_ms, f.course_deg, name
        )
        for f in sender.all_fixes()
    ]


def _vehicle_latest(flight: Flight) -> dict[str, tuple[bool, str, VehicleFix]]:
    """By vehicle name: own, name heard, and its latest position from radio, gpsd or the crew."""
    found: dict[str, tuple[bool, str, VehicleFix]] = {}

    def offer(name: str, own: bool, heard: str, fix: VehicleFix) -> None:
        if name not in found or fix.time_s >= found[name][2].time_s:
            found[name] = (own, heard, fix)

    for heard, plan in flight.vehicles.items():
        sender = flight.senders.get(heard)
        f = sender.latest_fix() if sender is not None else None
        if f is not None:
            offer(plan.name, plan.own, heard, VehicleFix(
                f.time_s, f.latitude_deg, f.longitude_deg, f.altitude_m, f.speed_ms, f.course_deg,
                heard,
            ))  # fmt: skip
    own = {plan.name: plan.own for plan in flight.vehicles.values()}
    horizon_s = flight.horizon_s()
    for command in flight.commands:
        if command.kind == "vehicle" and command.latitude_deg is not None:
            assert command.longitude_deg is not None
            at_s = command.at_s - flight.clocks.ahead_s(command.station, command.at_s)
            if at_s > horizon_s:  # by a clock with a wrong date
                continue
            offer(command.name, own.get(command.name, False), command.name, VehicleFix(
                at_s, command.latitude_deg, command.longitude_deg, None, None, None, "crew",
            ))  # fmt: skip
    return found


def own_position(flight: Flight) -> tuple[float, float] | None:
    """Latitude and longitude of the own car; None while it has none."""
    for own, _, fix in _vehicle_latest(flight).values():
        if own:
            return fix.latitude_deg, fix.longitude_deg
    return None


def shown_vehicles(flight: Flight, landing: Landing | None) -> tuple[Vehicle, ...]:
    """By name, each with its way to `landing`."""
    plans = {plan.name: plan for plan in flight.plan.vehicles}
    return tuple(
        _with_way(
            Vehicle(
                name, own, fix.source, moment(fix.time_s), fix.latitude_deg, fix.longitude_deg,
                fix.speed_ms, fix.course_deg,
            ),
            plans.get(name, VehiclePlan(name)), fix, landing, flight.now_s,
        )
        for name, (own, _, fix) in sorted(_vehicle_latest(flight).items())
    )  # fmt: skip


def _with_way(
    shown: Vehicle, plan: VehiclePlan, fix: VehicleFix, landing: Landing | None, now_s: float
) -> Vehicle:
    if landing is None:
        return shown
    way = drive(plan, fix, landing.latitude_deg, landing.longitude_deg)
    arrives_s = max(now_s, fix.time_s) + way.drive_s
    return replace(
        shown,
        distance_m=way.distance_m,
        bearing_deg=way.bearing_deg,
        road_distance_m=way.road_distance_m,
        drive_s=way.drive_s,
        arrives=moment(arrives_s),
        arrives_before_landing_s=landing.time.timestamp() - arrives_s,
    )
