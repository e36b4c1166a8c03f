"""Who knows the key and means harm: `python -m tests.bench._faults_harm PORT SEED`, a process of its own."""

from __future__ import annotations

import asyncio
import contextlib
import json
import random
import sys
from collections.abc import Iterator

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from websockets.asyncio.client import ClientConnection, connect
from websockets.exceptions import WebSocketException

from server.flight.inputs import Reception
from server.sync.entry import Chunk, Lane, beginning, link, pack_chunk, sign
from server.sync.keys import stretched
from server.sync.talk import Caller, Have, Identity, Sealed, TalkError, unpack_have
from tests.bench._faults_watch import FLIGHT
from tests.sync.made import KEY

KINDS = 8
STAYS_S = 1.0
ENTRIES = 3_000


async def harm(port: int, chance: random.Random) -> None:
    """Each kind once."""
    for kind in range(KINDS):
        with contextlib.suppress(TalkError, WebSocketException, OSError, TimeoutError):
            address = f"ws://127.0.0.1:{port}/peer"
            async with connect(address, compression=None, max_size=None) as websocket:
                await _harm(websocket, kind, chance)
                await asyncio.sleep(STAYS_S)


async def _harm(websocket: ClientConnection, kind: int, chance: random.Random) -> None:
    key = Ed25519PrivateKey.generate()
    name = f"car-{chance.randrange(10, 99)}"
    lane = Lane(key.public_key().public_bytes_raw(), f"{name}/tnc")
    caller = Caller(stretched(KEY))
    await websocket.send(caller.hello())
    sealed = caller.accept(await websocket.recv())
    said = sealed.introduce(Identity(key, name, FLIGHT))
    if kind == 0:  # poses as another: every station's key is known to all
        said = json.dumps(json.loads(said) | {"name": "car-2", "station": "01" * 32}).encode()
    await _say(websocket, sealed, b"I" + said)
    if kind == 1:  # unpacks to a thousand times its size
        await _say(websocket, sealed, b"H" + bytes(7_900_000))
    elif kind == 2:  # many entries, signed as they should be
        for chunk in _signed(key, lane, 1_000):
            await _say(websocket, sealed, b"C" + pack_chunk(chunk))
    elif kind == 3:  # the same in one chunk
        for chunk in _signed(key, lane, ENTRIES):
            await _say(websocket, sealed, b"C" + pack_chunk(chunk))
    elif kind == 4:  # lanes and names that nobody has
        lanes = [[chance.randbytes(32).hex(), "x", 5] for _ in range(2_500)]
        names = {one[0]: f"made-{n}" for n, one in enumerate(lanes[:997])}
        listed = {"lanes": lanes, "names": names, "lacks": []}
        await _say(websocket, sealed, b"H" + json.dumps(listed).encode())
    elif kind == 5:  # another's lane, bent
        theirs, last = next(iter((await _have(websocket, sealed)).lanes.items()))
        bent = Chunk(theirs, last + 1, (Reception(1, theirs.source, "tnc2", b"x"),), bytes(64))
        await _say(websocket, sealed, b"C" + pack_chunk(bent))
    elif kind == 6:  # asks for all, again and again
        theirs, last = next(iter((await _have(websocket, sealed)).lanes.items()))
        lacks = [[theirs.station.hex(), theirs.source, n] for n in range(1, min(last, 900))]
        for _ in range(200):
            listed = {"lanes": [], "names": {}, "lacks": lacks}
            await _say(websocket, sealed, b"H" + json.dumps(listed).encode())
    else:  # records of noise
        for _ in range(50):
            await websocket.send(chance.randbytes(chance.randrange(1, 60_000)))


async def _have(websocket: ClientConnection, sealed: Sealed) -> Have:
    """What it says that it has."""
    async with asyncio.timeout(10.0):
        while True:
            record = await websocket.recv()
            assert isinstance(record, bytes)
            message = sealed.open(record)
            if message is not None and message[:1] == b"H":
                have = unpack_have(message[1:])
                if have.lanes:
                    return have


async def _say(websocket: ClientConnection, sealed: Sealed, message: bytes) -> None:
    for record in sealed.seal(message):
        await websocket.send(record)


def _signed(key: Ed25519PrivateKey, lane: Lane, each: int) -> Iterator[Chunk]:
    entries = [Reception(n, lane.source, "tnc2", b"x %d" % n) for n in range(ENTRIES)]
    chain = beginning(lane)
    for first in range(0, ENTRIES, each):
        part = entries[first : first + each]
        for one in part:
            chain = link(chain, one)
        yield Chunk(lane, first + 1, tuple(part), sign(key, lane, first + len(part), chain))


if __name__ == "__main__":
    asyncio.run(harm(int(sys.argv[1]), random.Random(sys.argv[2])))
