"""A live station's ways to other stations, put together as its plan says."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Iterable
from pathlib import Path
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from fastapi import FastAPI

from server.flight.mission_state import Problem, ProblemKind
from server.journal.database import Journal
from server.plan.file import PlanFile
from server.plan.network import MqttSection, PeerSection
from server.session.side_tasks import SideTask
from server.session.station import Station
from server.sources.probe import ProbeResult
from server.sources.spec import SourceState
from server.sync.broker import Broker
from server.sync.entry import Lane
from server.sync.incoming import add_peer_route
from server.sync.keys import stretched
from server.sync.ledger import Ledger
from server.sync.mqtt import BrokerSpec, greet_broker
from server.sync.peers import Peer, Peers, greet
from server.sync.talk import Party, TalkError


def open_ledger(plan: PlanFile, journal: Journal) -> Ledger | None:
    """The books of who heard what; None where the plan names no station. JournalError.

    Each run signs with a key of its own, which nobody keeps: a copied folder or a journal that was set back
    begins lanes of its own.
    """
    if plan.station is None:
        return None
    return Ledger(journal, Ed25519PrivateKey.generate(), plan.station.name)


class Peering:
    """Peers and broker of one station."""

    def __init__(
        self,
        plan: PlanFile,
        folder: Path,
        ledger: Ledger,
        station: Station,
        clock: Callable[[], float],
    ) -> None:
        """`folder` is the plan's. Call within the event loop."""
        flight = plan.name
        peers = [_peer(peer) for peer in plan.peers]
        self.peers = Peers(ledger, station, flight, peers, clock=clock)
        self.broker = (
            None
            if plan.mqtt is None
            else Broker(ledger, station, flight, _spec(plan.mqtt, folder), clock=clock)
        )
        self._loop = asyncio.get_running_loop()
        ledger.on_growth = self._on_growth
        station.links, station.link_problems = self.states, self.problems
        self._ledger = ledger

    @property
    def work(self) -> tuple[SideTask, ...]:
        """What runs beside the station: one peer that fails takes no other along."""
        work = [SideTask(f"The link to {name}", run) for name, run in self.peers.calls()]
        if self.broker is not None:
            work.append(SideTask("The link to the broker", self.broker.run))
        return tuple(work)

    def states(self) -> Iterable[SourceState]:
        yield from self.peers.states.values()
        if self.broker is not None:
            yield self.broker.state

    def problems(self) -> Iterable[Problem]:
        if self._ledger.twice:
            yield Problem(ProblemKind.NAME_TWICE, self._ledger.name)

    def add_peer_route(self, app: FastAPI) -> None:
        add_peer_route(app, self.peers)

    def _on_growth(self, _: dict[Lane, int]) -> None:
        """Called in the journal's thread."""
        self._loop.call_soon_threadsafe(self._stir)

    def _stir(self) -> None:
        self.peers.stir()
        if self.broker is not None:
            self.broker.stir()


def _peer(asked: PeerSection) -> Peer:
    return Peer(asked.name, stretched(asked.key), asked.url())


def _spec(asked: MqttSection, folder: Path) -> BrokerSpec:
    ca_file = None if asked.ca_file is None else str(folder / asked.ca_file)
    port = asked.port or (8883 if asked.tls else 1883)  # registered for MQTT
    return BrokerSpec(
        asked.host,
        port,
        asked.topic,
        stretched(asked.key),
        asked.user,
        asked.password,
        asked.tls,
        ca_file,
    )


async def try_links(plan: PlanFile, folder: Path) -> list[ProbeResult]:
    """Try every peer that has an address, and the broker, and say what came of it."""
    if plan.station is None:
        return []
    me = Party(
        Ed25519PrivateKey.generate().public_key().public_bytes_raw(),
        plan.station.name,
        plan.name,
    )
    tries = [
        _try(f"peer {peer.name}", greet(_peer(peer), me))
        for peer in plan.peers
        if peer.address is not None
    ]
    if plan.mqtt is not None:
        tries.append(_try("broker", greet_broker(_spec(plan.mqtt, folder))))
    return list(await asyncio.gather(*tries))


async def _try(name: str, greeting: Coroutine[Any, Any, Party | None]) -> ProbeResult:
    try:
        met = await greeting
    except (TalkError, OSError) as error:
        return ProbeResult(name, False, str(error) or type(error).__name__)
    return ProbeResult(name, True, "answers" if met is None else f"{met.name} answers")
