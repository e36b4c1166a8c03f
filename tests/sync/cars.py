"""Stations of one process with links over real sockets."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator

from fastapi import FastAPI

from server.sources.pacing import Backoff
from server.sync.incoming import add_peer_route
from server.sync.ledger import Ledger
from server.sync.line import Line
from server.sync.peers import Peer, Peers
from tests.screen.serving import serving
from tests.sync.made import Host, contents

FLIGHT = "two cars"
OTHER = "quite another shared key"
QUICK = Backoff(0.05, 0.2)


class Car:
    """A station of this process: its ledger, its links."""

    def __init__(self, held: Ledger, *peers: Peer, flight: str = FLIGHT) -> None:
        self.ledger, self.host = held, Host(held)
        self.know(*peers, flight=flight)
        held.on_growth = lambda _: self.peers.stir()

    def know(self, *peers: Peer, flight: str = FLIGHT) -> None:
        self.peers = Peers(self.ledger, self.host, flight, peers, clock=lambda: 0.0, backoff=QUICK)

    async def accept(self, line: Line) -> None:
        await self.peers.accept(line)

    @contextlib.asynccontextmanager
    async def listening(self) -> AsyncIterator[int]:
        app = FastAPI()
        add_peer_route(app, self)  # type: ignore[arg-type]
        async with serving(app) as port:
            yield port


def address(port: int) -> str:
    return f"ws://127.0.0.1:{port}/peer"


def same(*cars: Car) -> bool:
    return all(contents(car.ledger) == contents(cars[0].ledger) for car in cars)
