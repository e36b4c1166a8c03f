"""Plans with something else in their only flight."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from server.flight.inputs import Plan


def with_flight(plan: Plan, **changes: Any) -> Plan:
    """The plan of one flight, with these fields of that flight changed."""
    (flight,) = plan.flights
    return replace(plan, flights=(replace(flight, **changes),))
