"""`leeward live` in several processes: cars that hear different halves, a broker, spectators behind nginx."""

from __future__ import annotations

import contextlib
import shutil
from pathlib import Path
from typing import Any

import httpx
import orjson
import pytest

from server.flight.inputs import Command, Tick
from server.flight.landing.predict import predict
from server.flight.mission import Mission
from server.journal.database import Journal
from server.plan.file import load
from tests.flights import LAUNCH
from tests.nginx import nginx
from tests.seen import kinds, shown
from tests.session.running import Running, Tnc, checked, free_port, leeward
from tests.session.test_live import line_at, shift_to_now
from tests.sync.made import KEY, flip
from tests.sync.mosquitto import PASSWORD, USER, Mosquitto, mosquitto

CREW = "the-crews-own-key"
PLAN = f"""
[flight]
name = "Tern test"
[launch]
latitude_deg = {LAUNCH[0]}
longitude_deg = {LAUNCH[1]}
altitude_m = {LAUNCH[2]}
[[trackers]]
name = "Main"
callsign = "N0CALL-11"
[[trackers]]
name = "Backup"
role = "backup"
callsign = "N0CALL-12"
[[vehicles]]
name = "Car 2"
[access]
crew = "{CREW}"
watch = "the-watchers-own-key"
"""
TNC = """
[[sources]]
name = "tnc"
kind = "kiss-tcp"
host = "127.0.0.1"
port = {port}
"""
STATION = """
[station]
name = "{name}"
"""
PEER = """
[[peers]]
name = "{name}"
key = "{key}"
"""
FLOWN_S = 3_000.0


def whole_state(plan: Path) -> bytes:
    """All that follows from a station's journal, landing included, as bytes."""
    with Journal(plan.with_suffix(".sqlite3"), read_only=True) as journal:
        receptions = [reception for _, reception in journal.receptions()]
        commands = [command for _, command in journal.commands()]
    flight = Mission(load(plan).for_flight())
    flight.receive(receptions)
    given: tuple[Command | Tick, ...] = (
        *commands,
        Tick(max(reception.heard_at_s for reception in receptions)),
    )
    for one in given:
        flight.apply(one)
    question = flight.flights[0].landing_question()
    assert question is not None
    answer = predict(question)
    assert answer is not None
    state = shown(flight, (question, answer))
    del state["station"]
    return orjson.dumps(state)


def open_(state: dict[str, Any], name: str) -> bool:
    return any(
        s["name"] == name and s["state"] == "open" for s in [*state["sources"], *state["links"]]
    )


async def test_two_cars_end_in_the_same_state_byte_for_byte(tmp_path: Path) -> None:
    plans = tmp_path / "car-1.toml", tmp_path / "car-2.toml"
    ports = free_port(), free_port()
    shift_s = shift_to_now(FLOWN_S)
    async with Tnc() as first_tnc, Tnc() as second_tnc, contextlib.AsyncExitStack() as stack:
        plans[0].write_text(
            PLAN
            + TNC.format(port=first_tnc.port)
            + STATION.format(name="car-1")
            + PEER.format(name="car-2", key=KEY)
        )
        plans[1].write_text(
            PLAN
            + TNC.format(port=second_tnc.port)
            + STATION.format(name="car-2")
            + PEER.format(name="car-1", key=KEY)
            + f'address = "127.0.0.1:{ports[0]}"\n'
        )
        second = await stack.enter_async_context(leeward("live", str(plans[1]), port=ports[1]))
        for i in range(30):  # what the second hears while there is no first
            await second_tnc.send(line_at(30.0 * i, shift_s))
        await second.until(lambda s: s["receptions"]["total"] == 30)
        async with leeward("live", str(plans[0]), port=ports[0]) as first:
            await first.until(lambda s: s["receptions"]["total"] == 30 and open_(s, "car-2"))
            for i in range(30, 90):
                await (first_tnc if i % 2 else second_tnc).send(line_at(30.0 * i, shift_s))
            async with httpx.AsyncClient() as client:
                place = {"name": "Car 2", "latitude_deg": 38.2, "longitude_deg": -98.0}
                await client.post(f"{first.address}/api/vehicle", json=place)
            for running in (first, second):
                await running.until(lambda s: s["receptions"]["total"] == 90 and s["vehicles"])
            await first.kill()  # its crew turns the laptop off in the rudest way
        await second.until(lambda s: not open_(s, "car-1"))
        for i in range(90, 100):
            await second_tnc.send(line_at(30.0 * i, shift_s))
        await second.until(lambda s: s["receptions"]["total"] == 100)
        flip(plans[0].with_suffix(".sqlite3"), "receptions", 9)  # an old entry, on the first's disk
        async with leeward("live", str(plans[0]), port=ports[0]) as again:
            state = await again.until(lambda s: s["trackers"][0]["fixes"] == 100)
            assert state["receptions"]["total"] == 100
            assert "entries_altered" not in kinds(state), "the second gave it back"
            assert await again.end() == 0
        assert await second.end() == 0
    assert whole_state(plans[0]) == whole_state(plans[1])


IN_TURN = """
  map $http_upgrade $connection_upgrade {{ default upgrade; '' close; }}
  upstream stations {{ server 127.0.0.1:{first}; server 127.0.0.1:{second}; }}
  server {{
    listen 127.0.0.1:{port};
    location / {{
      proxy_pass http://stations;
      proxy_http_version 1.1;
      proxy_set_header Host $http_host;
      proxy_set_header Upgrade $http_upgrade;
      proxy_set_header Connection $connection_upgrade;
      proxy_set_header X-Forwarded-For $remote_addr;
    }}
  }}
"""


@pytest.fixture
def broker(tmp_path: Path) -> Mosquitto:
    (tmp_path / "broker").mkdir()
    return mosquitto(tmp_path / "broker")


async def test_two_servers_behind_a_proxy_show_what_a_car_sends_to_the_broker(
    tmp_path: Path, broker: Mosquitto
) -> None:
    shift_s = shift_to_now(FLOWN_S)
    shutil.copy(broker.folder / "tls.certificate.pem", tmp_path / "ca.pem")
    mqtt = f"""
[mqtt]
host = "127.0.0.1"
port = {broker.port}
topic = "leeward/tern-7"
key = "{KEY}"
user = "{USER}"
password = "{PASSWORD}"
ca_file = "ca.pem"
"""
    plans = {name: tmp_path / f"{name}.toml" for name in ("car-1", "web-1", "web-2")}
    async with Tnc() as tnc, contextlib.AsyncExitStack() as stack:
        for name, plan in plans.items():
            sources = TNC.format(port=tnc.port) if name == "car-1" else ""
            plan.write_text(PLAN + sources + STATION.format(name=name) + mqtt)
        await stack.enter_async_context(broker.running())
        running: dict[str, Running] = {}
        for name, plan in plans.items():
            running[name] = await stack.enter_async_context(leeward("live", str(plan)))
        for i in range(60):
            await tnc.send(line_at(30.0 * i, shift_s))
        for station in running.values():
            await station.until(lambda s: s["receptions"]["total"] == 60)
        ports = [int(running[name].address.rsplit(":", 1)[1]) for name in ("web-1", "web-2")]
        port = free_port()
        said = IN_TURN.format(port=port, first=ports[0], second=ports[1])
        stack.enter_context(nginx(tmp_path, port, said))
        async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{port}") as spectator:
            assert (await spectator.get("/api/state")).status_code == 401, "a proxy is no neighbour"
            key = {"Authorization": f"Bearer {CREW}"}
            states = [(await spectator.get("/api/state", headers=key)).json() for _ in range(4)]
        assert [s["flights"][0]["trackers"][0]["fixes"] for s in states] == [60] * 4
        for station in running.values():
            assert await station.end() == 0
    ends = {name: whole_state(plan) for name, plan in plans.items()}
    assert ends["web-1"] == ends["web-2"] == ends["car-1"]
    served = (tmp_path / "access.log").read_text()
    assert CREW not in served


async def test_other_devices_need_a_key_and_this_one_says_where_to_get_it(tmp_path: Path) -> None:
    plan = tmp_path / "tern.toml"
    plan.write_text(PLAN)
    async with leeward("live", str(plan), "--host", "0.0.0.0", key=CREW) as running:
        async with httpx.AsyncClient() as stranger:
            answers = [
                await stranger.get(f"{running.address}{path}")
                for path in ("/api/state", "/api/history", "/")
            ]
        assert [answer.status_code for answer in answers] == [401] * 3
        assert (await running.state())["mode"] == "live"


async def test_check_tries_the_other_stations_and_the_broker(
    tmp_path: Path, broker: Mosquitto
) -> None:
    plan, other = tmp_path / "car-1.toml", tmp_path / "car-2.toml"
    port = free_port()
    shutil.copy(broker.folder / "tls.certificate.pem", tmp_path / "ca.pem")
    other.write_text(PLAN + STATION.format(name="car-2") + PEER.format(name="car-1", key=KEY))
    text = (
        PLAN
        + STATION.format(name="car-1")
        + PEER.format(name="car-2", key=KEY)
        + f'address = "127.0.0.1:{port}"\n[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\n'
        + f'key = "{KEY}"\nuser = "{USER}"\nca_file = "ca.pem"\npassword = '
    )
    async with broker.running(), leeward("live", str(other), port=port):
        plan.write_text(text + f'"{PASSWORD}"\n')
        _, words = await checked(plan, 0.5)
        assert "ok   peer car-2: car-2 answers" in words
        assert "ok   broker: answers" in words
        plan.write_text(text.replace(KEY, "quite another shared key", 1) + '"a wrong one"\n')
        _, words = await checked(plan, 0.5)
        assert "FAIL peer car-2: calls with a key that is not in this plan" in words
        assert "FAIL broker: " in words
    assert "FAIL peer car-2: " in (await checked(plan, 0.5))[1]
