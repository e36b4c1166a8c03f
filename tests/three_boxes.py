"""The rehearsal's three boxes of one morning: what was heard, the plan, and what is true."""

from __future__ import annotations

from functools import cache

from server.flight.inputs import Plan, Reception
from server.plan.file import parse
from server.rehearsal.flight import Flown, fly
from server.rehearsal.plan_text import plan_text
from server.rehearsal.scenario import load

NAMES = ("Lark 11", "Lark 12", "Lark 13")


@cache
def three_flown() -> Flown:
    return fly(load("three-boxes"))


@cache
def three_plan() -> Plan:
    flown = three_flown()
    return parse(plan_text(flown.scenario)).for_flight()


@cache
def three_heard() -> tuple[Reception, ...]:
    """In order of hearing."""
    return tuple(sorted(Reception(*heard) for heard in three_flown().receptions))


def heard_until(time_s: float) -> list[Reception]:
    return [one for one in three_heard() if one.heard_at_s <= time_s]
