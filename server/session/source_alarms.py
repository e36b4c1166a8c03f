"""A receiver that fails is an alarm: unplugged, out of power, its program ended.

It is this station's own matter and lasts as long as the failure: it is in no journal, and neither a replay
nor a debrief knows it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from server.flight.inputs import Command
from server.flight.mission_state import Alarm, Fact
from server.flight.times import moment
from server.flight.view.alarms import Seen, acknowledgements
from server.sources.spec import SourceState

_FAILED_S = 10.0  # a line that is pulled and put back at once is no alarm; our choice


def source_alarms(
    sources: Iterable[SourceState], commands: Sequence[Command], now_s: float
) -> tuple[Alarm, ...]:
    """Of each source that has failed and is not open again."""
    failed = [one for one in sources if one.state == "failed" and now_s - one.since_s >= _FAILED_S]
    if not failed:
        return ()
    seen = acknowledgements(commands)
    found = []
    for one in failed:
        name = f"source-{one.name}-{round(one.since_s)}"
        since = moment(one.since_s)
        facts: dict[str, Fact] = {"source": one.name, "since": since}
        told = name in seen, *seen.get(name, Seen("", ""))
        found.append(Alarm(name, "source_failed", "warning", "", since, None, *told, facts))
    return tuple(found)
