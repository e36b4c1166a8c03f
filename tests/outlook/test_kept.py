"""The countdown: the landing of now against that of the evening before, kept beside the plan."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from server.commands.countdown import take_outlooks
from server.flight.inputs import FlightPlan, LaunchPlan, Plan, Tick, TrackerPlan
from server.flight.mission import Mission
from server.flight.physics.geodesy import distance_bearing
from server.flight.state import FlightState, Moved
from server.outlook.hours import Around, Site, hour
from server.outlook.kept import MOST_OUTLOOKS, KeptError, keep, kept, kept_beside
from server.session.session import Session
from tests.flight.test_wind_ahead import Growing
from tests.flights import LAUNCH, T0, made_flight

LAUNCH_S = T0 + 120.0
FLIGHT = FlightPlan(
    name="Tern 7",
    launch=LaunchPlan(*LAUNCH, time_s=LAUNCH_S),
    trackers=(TrackerPlan("Main", "N0CALL-11"),),
)
SITE = Site("the site", *LAUNCH)


def said_of(forecast: Growing, path: Path, hours_before: float) -> None:
    """An outlook of two hours, made so long before the launch."""
    around = Around(plan=FLIGHT, forecast=forecast)
    made = datetime.fromtimestamp(LAUNCH_S - hours_before * 3_600.0, UTC)
    hours = [hour(around, SITE, LAUNCH_S + later_s, members=200) for later_s in (0.0, 3_600.0)]
    keep(path, FLIGHT.name, made, hours)


def told(flight: FlightPlan, path: Path) -> Plan:
    """A plan with what lies beside it."""
    mission = Mission(Plan(flights=(flight,)))
    take_outlooks(mission, path)
    return mission.plan


def now(plan: Plan, forecast: Growing, now_s: float) -> tuple[Session, FlightState]:
    session = Session(Mission(plan, None, forecast))
    session.mission.apply(Tick(now_s))
    session.settle_landing()
    return session, session.state().flights[0]


def since(state: FlightState) -> Moved:
    assert state.moved is not None
    return state.moved


def test_it_tells_how_far_the_landing_has_moved(tmp_path: Path) -> None:
    plan_path = tmp_path / "tern.toml"
    said_of(Growing(T0 - 7_200.0), kept_beside(plan_path), 14.0)  # what was forecast came late
    plan = told(FLIGHT, plan_path)
    session, state = now(plan, Growing(T0), LAUNCH_S - 3_600.0)
    moved = since(state)
    was = plan.flights[0].outlook[0]
    assert state.landing is not None
    here = state.landing.latitude_deg, state.landing.longitude_deg
    distance_m, _ = distance_bearing(was.latitude_deg, was.longitude_deg, *here)
    assert moved.distance_m == pytest.approx(distance_m, abs=10.0)
    assert moved.distance_m > 2_000.0
    assert moved.since.timestamp() == LAUNCH_S - 14 * 3_600.0
    assert moved.launch_time.timestamp() == LAUNCH_S
    assert [one.launch_time.timestamp() - LAUNCH_S for one in state.outlook] == [0.0, 3_600.0]
    assert state.outlook[0].verdict == "fit"
    assert state.outlook[0].lands is not None

    session.mission.receive(list(made_flight(1_500.0)))  # it flies: there is nothing to decide
    session.settle_landing()
    assert session.state().flights[0].moved is None
    assert session.state().flights[0].outlook == ()


def test_the_same_winds_move_it_by_no_more_than_the_draws_differ(tmp_path: Path) -> None:
    plan_path = tmp_path / "tern.toml"
    said_of(Growing(T0), kept_beside(plan_path), 14.0)
    plan = told(FLIGHT, plan_path)
    _, state = now(plan, Growing(T0), LAUNCH_S - 3_600.0)
    assert since(state).distance_m < 0.2 * since(state).radius_90_m


def test_it_is_the_first_outlook_of_the_last_day_and_a_half(tmp_path: Path) -> None:
    path = kept_beside(tmp_path / "tern.toml")
    for hours_before in (60.0, 20.0, 2.0):
        said_of(Growing(T0), path, hours_before)
    plan = told(FLIGHT, tmp_path / "tern.toml")
    _, state = now(plan, Growing(T0), LAUNCH_S - 600.0)
    assert since(state).since.timestamp() == LAUNCH_S - 20 * 3_600.0
    other = replace(FLIGHT, launch=replace(FLIGHT.launch, time_s=LAUNCH_S + 9 * 3_600.0))
    of_other = told(other, tmp_path / "tern.toml")
    assert now(of_other, Growing(T0), LAUNCH_S)[1].moved is None, "no such hour was asked for"


def test_of_each_flight_the_latest_are_kept(tmp_path: Path) -> None:
    path = kept_beside(tmp_path / "tern.toml")
    found = hour(Around(plan=FLIGHT, forecast=Growing(T0)), SITE, LAUNCH_S, members=100)
    keep(path, "Tern 8", datetime.fromtimestamp(T0, UTC), [found])
    for number in range(MOST_OUTLOOKS + 3):
        keep(path, "Tern 7", datetime.fromtimestamp(T0 + number, UTC), [found])
    assert [one.made_s - T0 for one in kept(path, "Tern 7")] == list(range(3, MOST_OUTLOOKS + 3))
    assert len(kept(path, "Tern 8")) == 1
    assert kept(path, "Tern 9") == ()


@pytest.mark.parametrize("text", ["", "[]", '{"outlooks": [{"flight": "Tern 7"}]}', "\x00" * 40])
def test_another_file_of_that_name_is_left_out(tmp_path: Path, text: str) -> None:
    path = kept_beside(tmp_path / "tern.toml")
    path.write_text(text)
    with pytest.raises(KeptError, match="no outlook is read from it"):
        kept(path, "Tern 7")
    plan = told(FLIGHT, tmp_path / "tern.toml")
    assert plan.flights[0].outlook == ()
    said_of(Growing(T0), path, 1.0)
    assert len(kept(path, "Tern 7")) == 2


def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    with pytest.raises(KeptError, match="cannot be written"):
        keep(tmp_path / "gone" / "x.outlook.json", "Tern 7", datetime.fromtimestamp(T0, UTC), [])
