"""JSON from a topic of a real broker (Debian's mosquitto)."""

from __future__ import annotations

import asyncio
import contextlib
import os
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import aiomqtt
import orjson

from decoders.decode import decode
from decoders.readings import JsonNames
from decoders.reports import PositionReport
from server.sources import SourceSpec, probe
from tests.machine import require
from tests.screen.serving import answering
from tests.session.running import free_port
from tests.sources.listening import listening
from tests.sync.mosquitto import PASSWORD, USER, mosquitto

NAMES = JsonNames("decoded.lat", "decoded.lon", "decoded.alt", callsign="device.id")
TOPIC = "up/+/position"


def message(altitude_m: float) -> bytes:
    return orjson.dumps(
        {"device": {"id": "balloon a"}, "decoded": {"lat": 46.5, "lon": -100.8, "alt": altitude_m}}
    )


@contextlib.asynccontextmanager
async def broker(folder: Path, port: int, more: str = "") -> AsyncIterator[None]:
    program = require("mosquitto")
    text = f"listener {port} 127.0.0.1\nallow_anonymous {'false' if more else 'true'}\n{more}"
    (folder / "mosquitto.conf").write_text(text + "user root\n" * (os.geteuid() == 0))
    process = await asyncio.create_subprocess_exec(
        program,
        "-c",
        str(folder / "mosquitto.conf"),
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.DEVNULL,
    )
    try:
        await answering(port, lambda: process.returncode is not None)
        yield
    finally:
        with contextlib.suppress(ProcessLookupError):
            process.terminate()
        await process.wait()


def spec(port: int, **more: Any) -> SourceSpec:
    return SourceSpec("web", "json-mqtt", port=port, topic=TOPIC, names=NAMES, **more)


async def test_messages_of_a_topic_and_a_broker_that_comes_back(tmp_path: Path) -> None:
    port = free_port()
    async with listening(spec(port)) as heard:
        await heard.until_state("failed", "refused")
        for count in (1, 2):
            async with broker(tmp_path, port):
                await heard.until_state("open")
                async with aiomqtt.Client("127.0.0.1", port) as sender:
                    await sender.publish("up/elsewhere", b"not ours")
                    await sender.publish("up/a/position", b"")
                    await sender.publish("up/a/position", message(1000.0 * count), qos=1)
                await heard.until_heard(count)
            await heard.until_state("failed")
    assert heard.payloads == [message(1000.0), message(2000.0)]
    one = heard.receptions[0]
    (report,) = decode(one.wire, one.payload, 1.78e9, one.source, NAMES).reports
    assert isinstance(report, PositionReport)
    assert (report.name, report.altitude_m) == ("balloon a", 1000.0)


async def test_what_was_retained_from_before_is_not_taken_for_now(tmp_path: Path) -> None:
    port = free_port()
    async with broker(tmp_path, port), aiomqtt.Client("127.0.0.1", port) as sender:
        await sender.publish("up/a/position", message(1.0), qos=1, retain=True)
        async with listening(spec(port)) as heard:
            await heard.until_state("open")
            await sender.publish("up/a/position", message(2.0), qos=1)
            await heard.until_heard(1)
    assert heard.payloads == [message(2.0)]


async def test_silence_and_much_at_once(tmp_path: Path) -> None:
    port = free_port()
    async with (
        broker(tmp_path, port),
        aiomqtt.Client("127.0.0.1", port) as sender,
        listening(spec(port, quiet_after_s=0.05)) as heard,
    ):
        await heard.until_state("quiet", "nothing comes on up/+/position")
        for number in range(200):
            await sender.publish("up/a/position", message(float(number)), qos=1)
        await heard.until_heard(200)
    assert heard.payloads == [message(float(number)) for number in range(200)]


async def test_a_broker_with_tls_and_a_certificate_of_its_own(tmp_path: Path) -> None:
    made = mosquitto(tmp_path)
    told = {"user": USER, "password": PASSWORD, "tls": True}
    async with made.running():
        trusting = spec(made.port, ca_file=str(tmp_path / "tls.certificate.pem"), **told)
        async with listening(trusting) as heard:
            await heard.until_state("open")


async def test_who_is_not_let_in_is_told(tmp_path: Path) -> None:
    port = free_port()
    passwords = tmp_path / "passwords"
    made = await asyncio.create_subprocess_exec(
        require("mosquitto_passwd"), "-b", "-c", str(passwords), "crew", "a password"
    )
    await made.wait()
    async with broker(tmp_path, port, f"password_file {passwords}\n"):
        result = await probe(spec(port, user="crew", password="a wrong one"), 10.0)
        assert not result.ok
        assert "ot authori" in result.words
        async with listening(spec(port, user="crew", password="a password")) as heard:
            await heard.until_state("open")
