"""Names as the plan writes them, whatever the wire makes of them.

Callsigns go over the air in capitals, servers and gates leave "-0" out, and a tracker on another wire
is called as its maker pleased. Two spellings of one name are one tracker.
"""

from __future__ import annotations

from dataclasses import replace

from decoders.reports import Decoding
from server.flight.inputs import Plan


def heard_as(name: str) -> str:
    """The same for all spellings of a name."""
    return name.strip().casefold().removesuffix("-0")


class PlannedNames:
    """The callsigns of a plan, found by any of their spellings."""

    def __init__(self, plan: Plan) -> None:
        planned = [tracker.callsign for tracker in plan.trackers]
        planned += [vehicle.callsign for vehicle in plan.vehicles]
        self._planned = {heard_as(name): name for name in planned if name is not None}

    def spelled(self, decoding: Decoding) -> Decoding:
        """The same decoding with planned names spelled as in the plan."""
        transmission = decoding.transmission
        if transmission is not None and (name := self._other(transmission.sender)):
            decoding = replace(decoding, transmission=replace(transmission, sender=name))
        if any(self._other(report.name) for report in decoding.reports):
            decoding = replace(
                decoding,
                reports=tuple(
                    replace(report, name=self._other(report.name) or report.name)
                    for report in decoding.reports
                ),
            )
        return decoding

    def _other(self, name: str) -> str | None:
        """The plan's spelling where it differs; None otherwise."""
        planned = self._planned.get(heard_as(name))
        return planned if planned != name else None
