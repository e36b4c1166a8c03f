"""Packets of hearings, one by one and in any order, against the division of the whole set at once."""

from __future__ import annotations

import random
from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.flight.packets.beacon_health import TrackerHealth
from server.flight.packets.deduplication import Deduplication, Hearing
from server.flight.packets.senders import Sender

NAME, CONTENT = "N0CALL-11", b"the same bytes"
WINDOW_MS, LATE_MS = 12_000, 30 * 60_000  # as in the product: what is a copy is a decision

HEARINGS = st.lists(
    st.builds(
        Hearing,
        st.integers(0, 300).map(lambda n: 2_000 * n),
        st.sampled_from(["tnc", "internet"]),
        st.sampled_from([(), ("N0CALL-3",)]),
        st.sampled_from(["", "N0CALL-4"]),
    ),
    min_size=1,
    max_size=40,
)


def whole(hearings: list[Hearing]) -> list[list[Hearing]]:
    """By walking once through all of them in order: the definition."""
    packets: list[list[Hearing]] = []
    for hearing in sorted(hearings):
        since_ms = hearing.heard_at_ms - packets[-1][0].heard_at_ms if packets else 0
        roundabout = bool(hearing.repeated_by or hearing.fed_by)
        if packets and (since_ms <= WINDOW_MS or (roundabout and since_ms <= LATE_MS)):
            packets[-1].append(hearing)
        else:
            packets.append([hearing])
    return packets


def sender_of(hearings: list[Hearing]) -> Sender:
    heard, sender = Deduplication(), Sender(NAME, TrackerHealth(4.0))
    for hearing in hearings:
        sender.apply(heard.take(NAME, CONTENT, hearing, (), "text"))
    return sender


@given(HEARINGS, st.randoms(use_true_random=False))
@settings(max_examples=400, deadline=None)
def test_any_order_gives_the_packets_of_the_whole_set(
    hearings: list[Hearing], chance: random.Random
) -> None:
    mixed = hearings[:]
    chance.shuffle(mixed)
    sender, wanted = sender_of(mixed), whole(hearings)
    assert [packet.hearings for packet in sender.packets] == wanted
    health = sender.health
    assert health.copies == sum(len(packet) - 1 for packet in wanted)
    assert health.direct == sum(any(h.direct for h in packet) for packet in wanted)
    stations = Counter(station for p in wanted for station in {h.heard_from for h in p})
    assert +health.heard_by == stations
    assert health.heard == len(wanted)


class Counting(int):
    """A time of hearing that counts how often it is compared with another."""

    compared = 0

    def __lt__(self, other: object) -> bool:
        Counting.compared += 1
        return int.__lt__(self, other)  # type: ignore[operator]

    def __eq__(self, other: object) -> bool:
        Counting.compared += 1
        return int.__eq__(self, other)

    __hash__ = int.__hash__


def comparisons(count: int, every_ms: int) -> float:
    """For each of so many equal packets, one after the other."""
    Counting.compared = 0
    heard = Deduplication()
    for n in range(count):
        heard.take(NAME, CONTENT, Hearing(Counting(n * every_ms), "tnc", (), ""), (), "text")
    return Counting.compared / count


def test_ever_new_gates_cost_what_they_cost_at_first(monkeypatch: pytest.MonkeyPatch) -> None:
    """One packet by thousands of gates of an internet feed: who had it before is not looked through."""
    asked = 0
    heard_from = Hearing.__dict__["heard_from"].fget

    def counting(self: Hearing) -> str:
        nonlocal asked
        asked += 1
        return str(heard_from(self))

    monkeypatch.setattr(Hearing, "heard_from", property(counting))
    heard = Deduplication()
    copies = [
        heard.take(NAME, CONTENT, Hearing(n, "internet", (), f"GATE-{n}"), (), "text").copy
        for n in range(3_000)
    ]
    assert asked < 3 * 3_000
    assert all(copy is not None and copy.new_receiver for copy in copies[1:])
    again = heard.take(NAME, CONTENT, Hearing(3_000, "internet", (), "GATE-7"), (), "text").copy
    assert again is not None
    assert not again.new_receiver
    direct = heard.take(NAME, CONTENT, Hearing(3_001, "tnc", (), ""), (), "text").copy
    assert direct is not None
    assert direct.new_direct


def test_the_same_bytes_for_an_hour_cost_what_they_cost_at_first() -> None:
    """Each second from a receiver that repeats itself, each half minute from a box at rest, in a flood."""
    for every_ms in (1_000, 30_000, 2):
        assert comparisons(4_000, every_ms) < 3.0 * comparisons(200, every_ms) + 10.0, every_ms
