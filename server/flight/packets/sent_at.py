"""When the content of a packet was true: by its own time where that can be, else by its hearing."""

from __future__ import annotations

from enum import Enum
from typing import NamedTuple

from decoders.reports import PositionReport
from server.flight.packets.deduplication import Packet

# Between a packet's own time and its hearing. On 50 real flights the lag is 1.9 s (median), 25.8 s (999
# of 1,000) and at most 405 s, and never below 0; a digipeater may repeat one after half an hour
_AHEAD_S = 60.0  # an error of the station's clock below NOTICED_S stays, and the tracker has one
_BEHIND_S = 3_660.0  # our choice: twice what is seen, and more than one pass of a buffer
_BEHIND_SAVED_S = 2 * 86_400.0


class TimeDoubt(Enum):
    """Why a packet's own time is not believed."""

    AHEAD = "later than it was heard"
    BEHIND = "earlier than its way explains"


class SentAt(NamedTuple):
    """When the content of a packet was true."""

    time_s: float
    own_time: bool
    doubt: TimeDoubt | None = None


class TimedReport(NamedTuple):
    """A position report with the time it is filed under."""

    time_s: float
    own_time: bool
    report: PositionReport
    doubt: TimeDoubt | None = None


def timed(packet: Packet) -> tuple[TimedReport, ...]:
    """The positions in a packet. One with no time, or with one that cannot be, has that of hearing."""
    newest_s = packet.newest_s
    found = []
    for r in packet.reports:
        if isinstance(r, PositionReport):
            time_s, own_time, doubt = sent_at(packet, r.time_s, newest_s)
            found.append(TimedReport(time_s, own_time, r, doubt))
    return tuple(found)


def sent_at(packet: Packet, own_s: float | None, newest_s: float | None) -> SentAt:
    """When a report of the packet was true, whose own time is `own_s`, and `newest_s` the
    latest that it carries.

    Nothing is sent later than it is heard, and a packet comes from the air within seconds, by a
    digipeater or the internet within half an hour. Otherwise the time of hearing counts. A phone may
    send what it saved hours ago: where its last position is ahead, all are put back by as much.
    """
    heard_s, first = packet.first_heard_s, packet.hearings[0]
    if own_s is None:
        return SentAt(heard_s, False)
    newest_s = own_s if newest_s is None else max(own_s, newest_s)
    if newest_s > heard_s + _AHEAD_S:
        put_back_s = own_s - (newest_s - heard_s)
        if not first.saved or put_back_s < heard_s - _BEHIND_SAVED_S:
            put_back_s = heard_s
        return SentAt(put_back_s, False, TimeDoubt.AHEAD)
    if own_s < heard_s - (_BEHIND_SAVED_S if first.saved else _BEHIND_S):
        return SentAt(heard_s, False, TimeDoubt.BEHIND)
    return SentAt(own_s, True)
