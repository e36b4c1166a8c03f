"""The state of a mission at one moment, made from the books and the last predictions."""

from __future__ import annotations

from collections.abc import Sequence

from server.flight.mission import Mission
from server.flight.mission_state import Receptions, Sender, State
from server.flight.times import maybe_moment, moment
from server.flight.view.answer import Answer
from server.flight.view.flight import shown_flight
from server.flight.view.landing import shown_area
from server.flight.view.problems import problems
from server.flight.view.vehicles import shown_vehicles, unplaced_vehicles


def snapshot(mission: Mission, answers: Sequence[Answer | None] = ()) -> State:
    """The state as of now. `answers`: the last prediction of each flight, in their order; () for none.

    What a session adds (mode, sources, links, a replay's place) is empty.
    """
    given = answers or [None] * len(mission.flights)
    shown = [shown_flight(one, answer) for one, answer in zip(mission.flights, given, strict=True)]
    raised = sorted((a for one in shown for a in one.alarms), key=lambda a: (a.time, a.id))
    return State(
        now=moment(mission.now_s),
        number=mission.counts.total,
        mode="replay",
        station=mission.plan.station,
        units="metric",
        flights=tuple(one.state for one in shown),
        vehicles=shown_vehicles(mission),
        unplaced=unplaced_vehicles(mission),
        senders=_senders(mission),
        alarms=tuple(raised),
        sources=(),
        links=(),
        receptions=Receptions(
            total=mission.counts.total,
            undecodable=mission.counts.undecodable,
            rejected=sum(one.rejected for one in shown)
            + sum(len(s.impossible) for s in mission.senders.values()),
            copies=sum(s.health.copies for s in mission.senders.values()),
        ),
        problems=problems(mission),
        avoid=tuple(shown_area(area) for area in mission.plan.avoid),
        replay=None,
    )


def _senders(mission: Mission) -> tuple[Sender, ...]:
    """Whoever is heard and is neither a tracker nor a vehicle."""
    shown = []
    own = {*mission.trackers, *mission.vehicles}
    for name, sender in sorted(mission.senders.items()):
        if name in own:
            continue
        fix = sender.latest_fix()
        place: tuple[float | None, float | None, float | None] = (None, None, None)
        if fix is not None:
            place = (fix.latitude_deg, fix.longitude_deg, fix.altitude_m)
        heard = maybe_moment(sender.health.last_heard_s)
        shown.append(Sender(name, heard, *place, sender.health.heard))
    return tuple(shown)
