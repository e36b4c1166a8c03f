"""Connections that hold a place for nothing: cut, and told once they are many."""

from __future__ import annotations

import asyncio
import contextlib

import pytest

from server.flight.mission_state import Problem, ProblemKind
from server.screen import protocol, serve
from server.screen.app import create_app
from server.screen.cut import MANY, TOLD_MIN, Cuts
from server.screen.protocol import PatientSocket
from tests.screen.demo_feed import DemoFeed
from tests.screen.serving import HOST, mute, serving, until


def test_a_few_are_nobodys_news_and_many_are_told_for_ten_minutes() -> None:
    now_s = 6_000.0
    cuts = Cuts(lambda: now_s)
    for _ in range(MANY - 1):
        cuts.note(ProblemKind.REQUESTS_CUT)
        cuts.note(ProblemKind.READERS_CUT)
    assert not cuts.problems
    cuts.note(ProblemKind.REQUESTS_CUT)
    assert cuts.problems == (Problem(ProblemKind.REQUESTS_CUT, count=MANY),)
    now_s += 60.0 * (TOLD_MIN - 1)
    cuts.note(ProblemKind.REQUESTS_CUT)
    assert cuts.problems == (Problem(ProblemKind.REQUESTS_CUT, count=MANY + 1),)
    now_s += 60.0
    assert not cuts.problems


def test_of_many_pages_some_always_fall_asleep() -> None:
    cuts = Cuts(lambda: 0.0)
    cuts.pages = lambda: 200
    for _ in range(49):
        cuts.note(ProblemKind.READERS_CUT)
    assert not cuts.problems
    cuts.note(ProblemKind.READERS_CUT)
    assert cuts.problems == (Problem(ProblemKind.READERS_CUT, count=50),)


@pytest.mark.parametrize(("begun", "told"), [(b"GET / HTTP/1.1\r\nX: a", True), (b"", False)])
async def test_heads_that_never_end_are_told_and_spare_connections_are_not(
    begun: bytes, told: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A browser opens one or two more than it needs, and says nothing over them."""
    monkeypatch.setattr(protocol, "HEAD_WITHIN_S", 0.3)
    app = create_app(DemoFeed(since_launch_s=6_700))
    async with serving(app) as port:
        held = [await asyncio.open_connection(HOST, port) for _ in range(MANY)]
        for _, writer in held:
            writer.write(begun)
        for reader, writer in held:
            with contextlib.suppress(ConnectionError):
                await asyncio.wait_for(reader.read(), 30.0)  # until it is cut
            writer.close()
    cut = Problem(ProblemKind.REQUESTS_CUT, count=MANY)
    assert app.state.cuts.problems == ((cut,) if told else ())


@pytest.mark.parametrize("pinged", [True, False])
async def test_pages_that_never_read_are_cut_and_hold_nothing(
    pinged: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Their sockets are full, so that a closing that waits for what was sent would wait for ever. By the
    ping, or by what waits for them."""
    monkeypatch.setattr(serve, "PING_EVERY_S", 0.5 if pinged else 60.0)
    monkeypatch.setattr(serve, "PONG_WITHIN_S", 0.5)
    monkeypatch.setattr(protocol, "CLOSED_WITHIN_S", 0.5)
    made: list[PatientSocket] = []

    class Seen(PatientSocket):
        def connection_made(self, transport: asyncio.BaseTransport) -> None:
            made.append(self)
            super().connection_made(transport)

    monkeypatch.setattr(serve, "PatientSocket", Seen)
    feed = DemoFeed(since_launch_s=6_700)
    app = create_app(feed)
    async with serving(app) as port, contextlib.AsyncExitStack() as stack:
        for _ in range(MANY):
            await stack.enter_async_context(mute(port))
        hub = app.state.hub
        await until(lambda: hub.clients == MANY)
        feed.comment = "x" * 8_000_000  # more than the kernel holds for them
        hub.publish()
        for number in range(0 if pinged else 100):
            feed.comment = str(number)
            hub.publish()
        await until(lambda: hub.clients == 0)
        await until(lambda: all(one.disconnected for one in made))
    assert len(made) == MANY
    assert app.state.cuts.problems == (Problem(ProblemKind.READERS_CUT, count=MANY),)
