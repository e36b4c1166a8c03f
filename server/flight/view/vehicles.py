"""Where the cars are, whose flight each follows, and how and when each gets to a landing point."""

from __future__ import annotations

import numpy as np

from server.flight.chase.contact import Receiver
from server.flight.chase.question import Car, CarDrive, Chase, ChaseQuestion
from server.flight.chase.vehicles import VehicleFix, drive
from server.flight.flight import Flight
from server.flight.inputs import VehiclePlan
from server.flight.mission import Mission
from server.flight.mission_state import UnplacedVehicle, Vehicle
from server.flight.road_state import RoadWay
from server.flight.state import Landing, Way
from server.flight.times import moment
from server.flight.view.answer import Answer
from server.flight.view.roads import shown_roads

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
        for name, (own, _, fix) in sorted(vehicle_latest(flight.mission).items())
    ]
    cars.sort(key=lambda car: car[0])
    site = _launch_site(flight)
    if site is not None and not any(not other for other, _ in cars):
        cars.insert(0, (False, Receiver(LAUNCH_SITE, *site)))
    return [receiver for _, receiver in cars]


def vehicle_fixes(mission: Mission, name: str) -> list[VehicleFix]:
    """All positions of a vehicle that is heard under `name`, in order of time."""
    sender = mission.senders.get(name)
    if sender is None:
        return []
    return [
        VehicleFix(
            f.time_s, f.latitude_deg, f.longitude_deg, f.altitude_m, f.speed_ms, f.course_deg, name
        )
        for f in sender.all_fixes()
    ]


def vehicle_latest(mission: Mission) -> dict[str, tuple[bool, str, VehicleFix]]:
    """By vehicle name: own, name heard, and its latest position from radio, gpsd or the crew."""
    found: dict[str, tuple[bool, str, VehicleFix]] = {}

    def offer(name: str, own: bool, heard: str, fix: VehicleFix) -> None:
        if name not in found or fix.time_s >= found[name][2].time_s:
            found[name] = (own, heard, fix)

    for heard, plan in mission.vehicles.items():
        sender = mission.senders.get(heard)
        f = sender.latest_fix() if sender is not None else None
        if f is not None:
            offer(
                plan.name,
                plan.own,
                heard,
                VehicleFix(
                    f.time_s,
                    f.latitude_deg,
                    f.longitude_deg,
                    f.altitude_m,
                    f.speed_ms,
                    f.course_deg,
                    heard,
                ),
            )
    own = {plan.name: plan.own for plan in mission.vehicles.values()}
    horizon_s = mission.horizon_s()
    for command in mission.commands:
        if command.kind == "vehicle" and command.latitude_deg is not None:
            assert command.longitude_deg is not None
            at_s = command.at_s - mission.clocks.ahead_s(command.station, command.at_s)
            if at_s > horizon_s:  # by a clock with a wrong date
                continue
            offer(
                command.name,
                own.get(command.name, False),
                command.name,
                VehicleFix(
                    at_s,
                    command.latitude_deg,
                    command.longitude_deg,
                    None,
                    None,
                    None,
                    "crew",
                ),
            )
    return found


def own_position(mission: Mission) -> tuple[float, float] | None:
    """Latitude and longitude of the own car; None while it has none."""
    for own, _, fix in vehicle_latest(mission).values():
        if own:
            return fix.latitude_deg, fix.longitude_deg
    return None


def assigned(mission: Mission) -> dict[str, str]:
    """The flight that each vehicle follows, by names; "" any. The crew's last word holds."""
    known = {"", *(flight.name for flight in mission.plan.flights)}
    found = {plan.name: plan.flight for plan in mission.plan.vehicles}
    for command in mission.commands:
        if command.kind == "assign" and command.flight in known:
            found[command.name] = command.flight
    return found


def shown_vehicles(mission: Mission) -> tuple[Vehicle, ...]:
    """By name."""
    follows = assigned(mission)
    return tuple(
        Vehicle(
            name,
            own,
            follows.get(name, ""),
            fix.source,
            moment(fix.time_s),
            fix.latitude_deg,
            fix.longitude_deg,
            fix.speed_ms,
            fix.course_deg,
        )
        for name, (own, _, fix) in sorted(vehicle_latest(mission).items())
    )


def unplaced_vehicles(mission: Mission) -> tuple[UnplacedVehicle, ...]:
    """Those of the plan that are nowhere yet, by name."""
    placed = vehicle_latest(mission)
    cars = sorted((one.name, one.own) for one in mission.plan.vehicles if one.name not in placed)
    return tuple(UnplacedVehicle(*one) for one in cars)


def chase_cars(mission: Mission, flight: Flight) -> tuple[Car, ...]:
    """The cars as a question of the chase wants them."""
    follows = assigned(mission)
    return tuple(
        Car(
            name,
            own,
            follows.get(name, "") in ("", flight.plan.name),
            fix.time_s,
            fix.latitude_deg,
            fix.longitude_deg,
        )
        for name, (own, _, fix) in sorted(vehicle_latest(mission).items())
    )


def chase_question(flight: Flight, answer: Answer) -> ChaseQuestion | None:
    """What is asked of the roads after a landing was worked out; None: no car has a position."""
    question, landing = answer.question, answer.landing
    cars = chase_cars(flight.mission, flight)
    if not cars:
        return None
    frame = question.frame
    if landing.members is None:
        x_m, y_m = np.array([landing.x_m]), np.array([landing.y_m])
        landing_s = np.array([landing.time_s])
    else:
        x_m, y_m = landing.members.x_m, landing.members.y_m
        after_s = landing.members.after_s
        landing_s = landing.time_s + after_s - float(np.median(after_s))
    latitude_deg, longitude_deg = frame.to_latlon(x_m, y_m)
    point = frame.to_latlon(landing.x_m, landing.y_m)
    return ChaseQuestion(
        flight=flight.plan.name,
        basis=landing.basis,
        as_of_s=landing.as_of_s,
        now_s=flight.mission.now_s,
        latitude_deg=float(point[0]),
        longitude_deg=float(point[1]),
        member_latitude_deg=np.asarray(latitude_deg),
        member_longitude_deg=np.asarray(longitude_deg),
        member_landing_s=landing_s,
        cars=cars,
        before=answer.chase,
    )


def ways(mission: Mission, landing: Landing, chase: Chase | None) -> tuple[Way, ...]:
    """Of each car to that landing, whatever flight it follows, by the car's name."""
    plans = {plan.name: plan for plan in mission.plan.vehicles}
    by_road = {} if chase is None else shown_roads(chase, landing, mission.terrain)
    return tuple(
        _way(
            plans.get(name, VehiclePlan(name)),
            fix,
            landing,
            mission.now_s,
            by_road.get(name),
            chase is not None and name in chase.no_way,
        )
        for name, (_, _, fix) in sorted(vehicle_latest(mission).items())
    )


def _way(
    plan: VehiclePlan,
    fix: VehicleFix,
    landing: Landing,
    now_s: float,
    road: tuple[CarDrive, RoadWay] | None,
    no_road: bool,
) -> Way:
    way = drive(plan, fix, landing.latitude_deg, landing.longitude_deg)
    if road is not None:
        way = way._replace(road_distance_m=road[0].way.length_m, drive_s=road[0].way.time_s)
    arrives_s = max(now_s, fix.time_s) + way.drive_s
    return Way(
        vehicle=plan.name,
        distance_m=way.distance_m,
        bearing_deg=way.bearing_deg,
        road_distance_m=way.road_distance_m,
        drive_s=way.drive_s,
        arrives=moment(arrives_s),
        arrives_before_landing_s=landing.time.timestamp() - arrives_s,
        no_road=no_road,
        road=None if road is None else road[1],
    )
