"""A packet heard at another time says the same or is decoded again: whichever stamp it has."""

from __future__ import annotations

from hypothesis import event, given
from hypothesis import strategies as st

from server.flight.inputs import Reception
from server.flight.intake import says_the_same
from server.flight.packets.heard import decoded
from tests.flights import T0

POSITION = b"3821.00N/09812.00WO090/010/A=012345"
DAY_S = 86_400.0


@st.composite
def stamps(draw: st.DrawFn) -> bytes:
    """A time of day, a day of the month with a time, local time, some that are impossible, or none."""
    first, second, third = (draw(st.integers(0, most)) for most in (31, 61, 61))
    form = draw(st.sampled_from(["h", "z", "/", ""]))
    return f"{first:02d}{second:02d}{third:02d}{form}".encode() if form else b""


@given(
    stamp=stamps(),
    kind=st.sampled_from([b"/", b"@", b"!", b";BOX      *", b">"]),
    more=st.sampled_from([b"", b"!W12!", b" t=-12.5C", b"|ss11|"]),
    heard_s=st.floats(-400 * DAY_S, 400 * DAY_S),
    ahead_s=st.one_of(
        st.floats(-2 * DAY_S, 2 * DAY_S), st.floats(-DAY_S / 2 - 300.0, DAY_S / 2 + 300.0)
    ),
)
def test_what_is_taken_for_the_same_is(
    stamp: bytes, kind: bytes, more: bytes, heard_s: float, ahead_s: float
) -> None:
    payload = b"N0CALL-11>APZLWD:" + kind + stamp + POSITION + more
    reception = Reception(round(1_000 * (T0 + heard_s)), "tnc", "tnc2", payload)
    first = decoded(reception, reception.heard_at_s, None)
    then_s = reception.heard_at_s - ahead_s
    same = says_the_same(first, then_s)
    event(f"taken for the same: {same}")
    if same:
        assert first == decoded(reception, then_s, None)


def test_an_hour_decodes_nothing_again_and_a_day_does() -> None:
    payload = b"N0CALL-11>APZLWD:/130000h" + POSITION
    reception = Reception(round(1_000 * T0), "tnc", "tnc2", payload)
    first = decoded(reception, T0, None)
    assert says_the_same(first, T0 - 3_600.0)
    assert not says_the_same(first, T0 - DAY_S)
