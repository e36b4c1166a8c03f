"""Every wire that crews own through the real station: heard, kept, read again with the plan."""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import tty
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import aiomqtt
import httpx
import orjson
import pytest

from decoders import agw
from decoders.ax25 import encode_ui
from decoders.fields import sentence
from decoders.kiss import encode_frame
from decoders.reports import Transmission
from decoders.tnc2 import decode_line
from server.flight.inputs import Reception
from server.flight.mission import Mission
from server.journal.database import Journal
from server.journal.recording import inferred_plan, read_recording
from server.journal.text import format_line, parse_line
from server.plan.file import load
from tests.seen import seen_at
from tests.session.running import Running, checked, free_port, leeward
from tests.sources.direwolf import direwolf
from tests.sources.listening import tcp_counterpart
from tests.sources.test_mqtt import broker
from tests.sync.made import carry, ledger

ROOT = Path(__file__).parent.parent.parent
HEAD = '[flight]\nname = "wires"\n[launch]\nlatitude_deg = 46.5\nlongitude_deg = -100.8\naltitude_m = 500\n'
FIELDS = 'fields = ["callsign", "latitude_deg", "longitude_deg", "altitude_m", "outside_degC"]\n'
NAMES = """[sources.names]
latitude_deg = "decoded.lat"
longitude_deg = "decoded.lon"
altitude_m = "decoded.alt"
callsign = "device.id"
sensors = { outside = ["decoded.temp", "degC"] }
"""
POSITION = "!4630.00N/10048.00WO/A=001640 on the pad"


def source(name: str, kind: str, **told: object) -> str:
    lines = "".join(f"{key} = {orjson.dumps(value).decode()}\n" for key, value in told.items())
    return f'[[sources]]\nname = "{name}"\nkind = "{kind}"\n{lines}'


def trackers(*callsigns: str) -> str:
    return "".join(f'[[trackers]]\nname = "{c}"\ncallsign = "{c}"\n' for c in callsigns)


def line(callsign: str) -> bytes:
    return f"{callsign}>APZLWD:{POSITION}".encode()


def frame(callsign: str) -> bytes:
    sent = decode_line(line(callsign))
    assert isinstance(sent, Transmission)
    return encode_ui(sent)


def json_object(name: str) -> bytes:
    return orjson.dumps(
        {"device": {"id": name}, "decoded": {"lat": 46.5, "lon": -100.8, "alt": 500, "temp": 21}}
    )


async def until_heard(
    running: Running, say: Callable[[], object], names: set[str]
) -> dict[str, Any]:
    """Say it, and again while somebody has not been heard: a socket may just have been opened."""

    async def saying() -> None:
        while True:
            said = say()
            if asyncio.iscoroutine(said):
                await said
            await asyncio.sleep(1.0)

    task = asyncio.create_task(saying())
    try:
        return await running.until(
            lambda s: names <= {t["name"] for t in s["trackers"] if t["fixes"] and t["fixes"] > 0}
        )
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


@contextlib.asynccontextmanager
async def serial_line() -> AsyncIterator[tuple[int, str]]:
    master, slave = os.openpty()
    tty.setraw(slave)
    try:
        yield master, os.ttyname(slave)
    finally:
        os.close(master)
        os.close(slave)


def at_the_end(plan: Path) -> dict[str, Any]:
    return seen_at(_receptions(plan), load(plan).for_flight(), None)


def _receptions(plan: Path) -> list[Reception]:
    with Journal(plan.with_suffix(".sqlite3"), read_only=True) as journal:
        return [reception for _, reception in journal.receptions()]


def fixes(state: dict[str, Any]) -> dict[str, int]:
    return {t["name"]: t["fixes"] for t in state["trackers"]}


async def test_all_local_wires_live_after_a_restart_and_in_a_replay(tmp_path: Path) -> None:
    plan = tmp_path / "wires.toml"
    kiss_port, lora_port, fields_port, json_port, nmea_port = (free_port() for _ in range(5))
    names = ["N0CALL-1", "N0CALL-2", "N0CALL-3", "N0CALL-4", "N0CALL-5"]
    names += ["balloon f", "Balloon U", "balloon t", "balloon h"]
    async with (
        tcp_counterpart() as tnc,
        tcp_counterpart() as feed,
        serial_line() as (line_end, device),
    ):
        plan.write_text(
            HEAD
            + trackers(*names)
            + source("serial", "tnc2-serial", device=device)
            + source("agw", "agw-tcp", port=tnc.port)
            + source("kiss", "kiss-udp", port=kiss_port)
            + source("lora", "tnc2-udp", port=lora_port)
            + source("radio", "nmea-udp", port=nmea_port, without_checksum=True)
            + '[[vehicles]]\nname = "Car"\nsource = "radio"\nown = true\n'
            + source("rtty", "fields-udp", port=fields_port)
            + FIELDS
            + source("datagrams", "json-udp", port=json_port)
            + NAMES
            + source("lines", "json-tcp", host="127.0.0.1", port=feed.port)
            + NAMES
            + source("web", "json-http", token="a-long-enough-token")
            + NAMES
        )

        async def say(address: str) -> None:
            os.write(line_end, b"12:00:00 N0CALL-1>APZLWD <UI>:\r\n" + POSITION.encode() + b"\r\n")
            tnc.say(agw.encode_frame("K", b"\0" + frame("N0CALL-2")))
            feed.say(json_object("balloon t") + b"\n")
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
                for port, datagram in (
                    (kiss_port, encode_frame(frame("N0CALL-3")) * 2),
                    (lora_port, b"<\xff\x01" + line("n0call-4")),
                    (nmea_port, b"$GPWPL,4630.00,N,10048.00,W,N0CALL-5\r\n"),
                    (nmea_port, b"$GPGLL,4615.00,N,10048.00,W\r\n"),
                    (fields_port, sentence("BALLOON F,46.5,-100.8,500,21.5")),
                    (json_port, json_object("balloon u")),
                ):
                    sender.sendto(datagram, ("127.0.0.1", port))
            async with httpx.AsyncClient() as client:
                url = f"{address}/api/json/a-long-enough-token"
                answer = await client.post(url, content=json_object("balloon h"))
                assert answer.status_code == 202, answer.text

        async with leeward("live", str(plan)) as running:
            heard = await until_heard(running, lambda: say(running.address), set(names))
            async with httpx.AsyncClient() as client:
                strange = await client.post(
                    f"{running.address}/api/json/another-token", content=b"{}"
                )
                rubbish = await client.post(
                    f"{running.address}/api/json/a-long-enough-token", content=b"rubbish"
                )
            assert (strange.status_code, rubbish.status_code) == (404, 422)
            after = await running.until(lambda s: s["number"] > heard["number"])
            assert await running.end() == 0
        async with leeward("live", str(plan)) as again:
            restarted = await again.until(lambda s: s["number"] >= after["number"])
    assert restarted["vehicles"][0]["latitude_deg"] == pytest.approx(46.25)
    assert set(fixes(restarted)) == set(names)
    assert all(count >= 1 for count in fixes(restarted).values())
    replayed = at_the_end(plan)
    assert fixes(replayed) == fixes(restarted)
    assert {s["tracker"] for s in replayed["sensors"] if s["quantity"] == "outside"} >= {
        "balloon f"
    }
    receptions = _receptions(plan)
    assert {r.wire for r in receptions} == {"tnc2", "agw", "kiss", "nmea", "fields", "json"}
    # the text log carries all of it; without the plan what only it can read is undecodable
    text = [format_line(reception) for reception in receptions]
    assert [parse_line(one) for one in text] == receptions
    log = tmp_path / "alone.log"
    log.write_text("\n".join(text) + "\n")
    recording = read_recording(log)
    alone = seen_at(recording.receptions, inferred_plan(recording), None)
    of_the_plan = sum(1 for r in receptions if r.wire in ("fields", "json", "nmea"))
    assert alone["receptions"]["undecodable"] >= of_the_plan


async def test_real_tnc_and_real_broker_through_the_station(tmp_path: Path) -> None:
    plan, port = tmp_path / "wires.toml", free_port()
    names = ["N0CALL-11", "balloon m"]
    (tmp_path / "tnc").mkdir()
    async with (
        direwolf(tmp_path / "tnc", [line("N0CALL-11").decode()]) as tnc,
        broker(tmp_path, port),
        aiomqtt.Client("127.0.0.1", port) as sender,
    ):
        plan.write_text(
            HEAD
            + trackers(*names)
            + source("agw", "agw-tcp", port=tnc.agw_port)
            + source("web", "json-mqtt", port=port, topic="up/+")
            + NAMES
        )

        async def say() -> None:
            await tnc.transmit()
            await sender.publish("up/a", json_object("balloon m"), qos=1)

        async with leeward("live", str(plan)) as running:
            state = await until_heard(running, say, set(names))
    assert {s["name"]: s["kind"] for s in state["sources"]} == {
        "agw": "agw-tcp",
        "web": "json-mqtt",
    }
    assert fixes(at_the_end(plan)).keys() == set(names)


async def test_check_shows_what_it_will_send_and_asks_a_silent_port(tmp_path: Path) -> None:
    plan = tmp_path / "wires.toml"
    async with (
        direwolf(tmp_path, [line("N0CALL-11").decode()]) as tnc,
        serial_line() as (end, device),
    ):
        plan.write_text(
            HEAD
            + trackers("N0CALL-11")
            + source("tnc", "kiss-tcp", port=tnc.agw_port)
            + source("old", "kiss-serial", device=device, kiss_on=["KISS ON", "RESTART"])
        )
        returned, words = await checked(plan, 2.0)
        assert os.read(end, 100) == b"KISS ON\rRESTART\r"
    assert returned == 1
    note = words.index("note old: puts the TNC at")
    assert "sends 'KISS ON', 'RESTART'" in words[note:]
    assert note < words.index("ok   old:")
    assert 'this port speaks AGW: use kind = "agw-tcp"' in words


def test_other_stations_read_what_this_one_heard(tmp_path: Path) -> None:
    """Their plan names the source with its station; one that does not counts it undecodable."""
    lora = source("lora", "fields-udp", port=9000) + FIELDS
    ours = tmp_path / "car-1.toml"
    ours.write_text('[station]\nname = "car-1"\n' + HEAD + trackers("balloon f") + lora)
    theirs = tmp_path / "car-2.toml"
    station = '[station]\nname = "car-2"\n'
    theirs.write_text(
        station + HEAD + trackers("balloon f") + lora.replace('"lora"', '"car-1/lora"')
    )
    unknowing = tmp_path / "home.toml"
    unknowing.write_text(station.replace("car-2", "home") + HEAD + trackers("balloon f"))
    heard = [
        parse_line(
            f"2026-06-06T13:{i:02d}:00.000Z car-1/lora fields "
            + sentence(f"balloon f,46.5{i},-100.8,{500 + i},20").decode()
        )
        for i in range(5)
    ]
    giver, taker = ledger("car-1"), ledger("car-2")
    for reception in heard:
        giver.append([reception])
    assert carry(giver, taker) == len(heard)
    for plan, count in ((ours, 5), (theirs, 5), (unknowing, 0)):
        flight = Mission(load(plan).for_flight())
        flight.receive([reception for _, reception in taker.receptions()])
        assert flight.counts.undecodable == 5 - count
        sender = flight.senders.get("balloon f")
        assert (0 if sender is None else len(sender.packets)) == count


@pytest.mark.parametrize(
    ("planned", "heard"),
    [
        ("n0call-11", "N0CALL-11"),
        ("N0CALL", "N0CALL-0"),
        ("Balloon A", "BALLOON A"),
        ("eui-70b3d57ed0051234", "EUI-70B3D57ED0051234"),
        ("Straße 7", "STRASSE 7"),
    ],
)
def test_a_name_in_any_spelling_is_the_planned_tracker(
    tmp_path: Path, planned: str, heard: str
) -> None:
    plan = tmp_path / "plan.toml"
    json = source("web", "json-http", token="a-long-enough-token") + NAMES
    plan.write_text(HEAD + trackers(planned) + json)
    flight = Mission(load(plan).for_flight())
    said = parse_line("2026-06-06T13:00:00.000Z web json " + json_object(heard).decode())
    flight.receive([said])
    assert set(flight.senders) == {planned}
    assert flight.senders[planned].all_fixes()
