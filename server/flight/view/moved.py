"""Until the launch: what the outlook said of each hour, and how the landing has moved since."""

from __future__ import annotations

from server.flight.flight import Flight
from server.flight.inputs import OutlookLanding
from server.flight.physics.geodesy import distance_bearing
from server.flight.state import Landing, Moved, OutlookHour
from server.flight.times import maybe_moment, moment

# our choices: the evening before is as far back as anybody looks, and an outlook's hours stand one apart
OLDEST_S = 36 * 3_600.0
NEAREST_HOUR_S = 5_400.0


def moved(flight: Flight, landing: Landing | None) -> Moved | None:
    """None after the launch, and where no outlook of the last day and a half told this hour."""
    launch_s, now_s = flight.plan.launch.time_s, flight.mission.now_s
    if landing is None or launch_s is None or flight.events():
        return None
    recent = [
        one
        for one in flight.plan.outlook
        if now_s - OLDEST_S <= one.made_s <= now_s
        and abs(one.launch_s - launch_s) <= NEAREST_HOUR_S
    ]
    if not recent:
        return None

    def order(one: OutlookLanding) -> tuple[float, float]:
        return one.made_s, abs(one.launch_s - launch_s)

    first = min(recent, key=order)
    distance_m, bearing_deg = distance_bearing(
        first.latitude_deg, first.longitude_deg, landing.latitude_deg, landing.longitude_deg
    )
    return Moved(
        since=moment(first.made_s),
        launch_time=moment(first.launch_s),
        distance_m=round(distance_m, -1),
        bearing_deg=round(bearing_deg, 1),
        radius_90_m=round(first.radius_90_m, -1),
    )


def outlook_hours(flight: Flight) -> tuple[OutlookHour, ...]:
    """Hours to come, as the latest outlook told them; none after the launch."""
    now_s = flight.mission.now_s
    if flight.events() or not flight.plan.outlook:
        return ()
    made_s = max(one.made_s for one in flight.plan.outlook)
    return tuple(
        OutlookHour(
            made=moment(one.made_s),
            launch_time=moment(one.launch_s),
            lands=maybe_moment(one.lands_s),
            latitude_deg=one.latitude_deg,
            longitude_deg=one.longitude_deg,
            radius_90_m=round(one.radius_90_m, -1),
            verdict=one.verdict,
        )
        for one in flight.plan.outlook
        if one.made_s == made_s and one.launch_s > now_s - NEAREST_HOUR_S
    )
