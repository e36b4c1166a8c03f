"""What a plan means for what is heard: names, comment formats, motion, and where the flight begins."""

from __future__ import annotations

from collections.abc import Mapping

from decoders.comments import CommentPattern
from decoders.reports import Decoding, PositionReport, Report
from server.flight.inputs import FlightPlan, Plan, TrackerPlan, VehiclePlan
from server.flight.track.constants import MotionConstants


def trackers_heard(plan: Plan) -> dict[str, TrackerPlan]:
    """By the name that is heard."""
    return {name: tracker for tracker in plan.trackers for name in tracker.names}


def vehicles_heard(plan: Plan) -> dict[str, VehiclePlan]:
    """By the name that is heard."""
    return {name: vehicle for vehicle in plan.vehicles for name in vehicle.names}


def motion_constants(plan: FlightPlan) -> MotionConstants:
    return MotionConstants(
        ascent_rate_ms=plan.balloon.ascent_rate_ms,
        ascent_rate_sigma_ms=max(plan.balloon.ascent_rate_sigma_ms, 1.5),
        ground_altitude_m=plan.launch.altitude_m,
        burst_from_m=plan.balloon.burst_altitude_m - 2.5 * plan.balloon.burst_altitude_sigma_m,
    )


def comment_patterns(plan: Plan) -> dict[str, CommentPattern]:
    return {
        name: CommentPattern(tracker.comment_pattern, tracker.comment_scales)
        for tracker in plan.trackers
        if tracker.comment_pattern is not None
        for name in tracker.names
    }


def launch_site(plan: FlightPlan) -> tuple[float, float] | None:
    launch = plan.launch
    if launch.latitude_deg is None or launch.longitude_deg is None:
        return None
    return launch.latitude_deg, launch.longitude_deg


def by_name(
    decoding: Decoding, patterns: Mapping[str, CommentPattern]
) -> dict[str, tuple[Report, ...]]:
    """Reports by whom they speak of, with what the patterns find in their comments.

    The sender is there even when it reports nothing readable.
    """
    if _alone(decoding) and decoding.reports[0].name not in patterns:  # as a rule
        return {decoding.reports[0].name: decoding.reports}
    found: dict[str, tuple[Report, ...]] = {}
    if decoding.transmission is not None:
        found[decoding.transmission.sender] = ()
    for report in decoding.reports:
        found[report.name] = (*found.get(report.name, ()), report)
        pattern = patterns.get(report.name)
        if pattern is not None and isinstance(report, PositionReport):
            sensors = pattern.read(report.name, report.comment, report.time_s)
            if sensors is not None:
                found[report.name] += (sensors,)
    return found


def _alone(decoding: Decoding) -> bool:
    """One report, of its sender."""
    if len(decoding.reports) != 1:
        return False
    sender = decoding.transmission
    return sender is None or sender.sender == decoding.reports[0].name
