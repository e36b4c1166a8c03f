"""Who asks from this machine: a program of the crew, or a proxy that says nothing of its readers."""

from __future__ import annotations

import contextlib
import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from websockets.asyncio.client import connect
from websockets.exceptions import InvalidStatus

from server.screen import local_process, socket_diag, socket_tables
from server.screen.local_process import LocalProcesses, Sockets
from server.screen.socket_diag import End, Socket
from tests.nginx import nginx
from tests.session.running import free_port, leeward
from tests.session.test_live import PLAN

# as its manual shows for websockets, and not a line more: neither Host nor X-Forwarded-For
PROXY = """
  server {{
    listen 127.0.0.1:{port};
    location / {{
      proxy_pass {station};
      proxy_http_version 1.1;
      proxy_set_header Upgrade $http_upgrade;
      proxy_set_header Connection "upgrade";
    }}
  }}
"""


async def test_a_proxy_that_hands_on_nothing_lets_nobody_in_without_a_key(tmp_path: Path) -> None:
    plan = tmp_path / "tern.toml"
    plan.write_text(PLAN.format(port=free_port()))
    async with leeward("live", str(plan)) as station:
        assert "receptions" in await station.state(), "a program of this machine needs none"
        proxy = free_port()
        with nginx(tmp_path, proxy, PROXY.format(port=proxy, station=station.address)):
            async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{proxy}") as client:
                for path in ("/api/state", "/api/links", "/api/history"):
                    assert (await client.get(path)).status_code == 401, path
                post = await client.post("/api/phase", json={"said": "launched"})
                assert post.status_code == 401
            with pytest.raises(InvalidStatus, match="403"):
                async with connect(f"ws://127.0.0.1:{proxy}/ws"):
                    pass


@contextlib.contextmanager
def listening(where: str) -> Iterator[int]:
    with socket.create_server((where, 0)) as server:
        yield server.getsockname()[1]


LISTENER = """
import socket, sys
held = socket.create_server(("0.0.0.0", 0))
asks = socket.create_connection(("127.0.0.1", int(sys.argv[1])))
print(asks.getsockname()[1], flush=True)
sys.stdin.read()
"""


@pytest.mark.parametrize("asked", [socket_diag, socket_tables])
@pytest.mark.parametrize(
    ("program", "listens", "known"),
    [
        ("firefox", "127.0.0.1", True),
        ("firefox", "0.0.0.0", False),
        ("nginx", "127.0.0.1", False),
        ("web-front", "127.0.0.1", False),
    ],
)
def test_a_program_is_known_by_what_it_is_and_does(
    tmp_path: Path, program: str, listens: str, asked: Sockets, *, known: bool
) -> None:
    """The interpreter under another name is another program; what is no browser may be a proxy."""
    import shutil

    copy = tmp_path / program
    shutil.copy(Path(sys.executable).resolve(), copy)
    with listening("127.0.0.1") as port:
        command = [str(copy), "-c", LISTENER.replace("0.0.0.0", listens), str(port)]
        environment = {"PYTHONHOME": sys.base_prefix}
        with subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment
        ) as asks:
            assert asks.stdout is not None
            client = int(asks.stdout.readline())
            processes, here = LocalProcesses([asked]), ("127.0.0.1", port)
            assert processes.speaks_for_itself(("127.0.0.1", client), here) is known
            asks.kill()
        assert not processes.speaks_for_itself(("127.0.0.1", client + 1), here), "nobody is there"


CALLER = """
import socket, sys
asks = socket.create_connection(("127.0.0.1", int(sys.argv[1])))
print(asks.getsockname()[1], flush=True)
sys.stdin.read()
"""


@pytest.mark.parametrize(
    ("program", "known"), [(CALLER, True), (LISTENER.replace("0.0.0.0", "127.0.0.1"), False)]
)
def test_our_own_kind_speaks_for_itself_if_it_listens_nowhere(program: str, *, known: bool) -> None:
    """A relay in Python is no less a relay."""
    with listening("127.0.0.1") as port:
        command = [sys.executable, "-c", program, str(port)]
        with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as asks:
            assert asks.stdout is not None
            client = ("127.0.0.1", int(asks.stdout.readline()))
            assert LocalProcesses().speaks_for_itself(client, ("127.0.0.1", port)) is known
            asks.kill()


@pytest.mark.parametrize("asked", [socket_diag, socket_tables])
@pytest.mark.parametrize(
    ("where", "to"), [("127.0.0.1", "127.0.0.1"), ("::1", "::1"), ("::", "127.0.0.1")]
)
def test_both_ends_of_a_connection_are_found(asked: Sockets, where: str, to: str) -> None:
    """Also of a socket of version 6 that is asked by version 4; against the inodes that the system tells."""
    with socket.socket(socket.AF_INET6 if ":" in where else socket.AF_INET) as server:
        server.bind((where, 0))
        server.listen()
        at = server.getsockname()[:2]
        with socket.create_connection((to, at[1])) as client:
            taken, seen = server.accept()
            with taken:
                ends = client.getsockname()[:2], seen[:2], client.getpeername()[:2]
                for known in ends[:2]:  # as it is called here, and as the server calls it
                    found = asked.established(known, ends[2])
                    assert found is not None
                    assert (found.uid, found.inode) == (os.getuid(), _inode(client))
                    assert found.address.is_loopback
                back = asked.established(ends[2], ends[0])
                assert back is not None
                assert back.inode == _inode(taken)
            held = {one.inode: one.address for one in asked.listening()}
            assert str(held[_inode(server)]) == where
        assert asked.established((to, 1), (to, 2)) is None


def _inode(one: socket.socket) -> int:
    return os.fstat(one.fileno()).st_ino


class Silent:
    """A kernel that tells nothing."""

    def established(self, local: End, remote: End, /) -> Socket | None:
        raise OSError("not here")

    def listening(self) -> list[Socket]:
        raise OSError("not here")


def test_where_nothing_can_be_read_a_key_is_needed() -> None:
    ends = ("127.0.0.1", 1), ("127.0.0.1", 2)
    assert not LocalProcesses([Silent()]).speaks_for_itself(*ends)
    assert not LocalProcesses([]).speaks_for_itself(*ends)
    assert not LocalProcesses().speaks_for_itself(("no address", 1), ("127.0.0.1", 2))


def test_where_one_does_not_tell_the_next_is_asked() -> None:
    with listening("127.0.0.1") as port, socket.create_connection(("127.0.0.1", port)) as client:
        processes = LocalProcesses([Silent(), socket_diag])
        assert processes.speaks_for_itself(client.getsockname(), ("127.0.0.1", port))


def test_many_connections_of_a_program_are_one_look_at_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """All that it has open was read again for each: it grew with the square of them."""
    looked: list[int] = []
    found = local_process._sockets

    def counted(pid: int) -> set[int]:
        looked.append(pid)
        return found(pid)

    monkeypatch.setattr(local_process, "_sockets", counted)
    now_s = 0.0
    with (
        socket.create_server(("127.0.0.1", 0), backlog=100) as server,
        contextlib.ExitStack() as open_,
    ):
        here = server.getsockname()
        ends = [
            open_.enter_context(socket.create_connection(here)).getsockname() for _ in range(60)
        ]
        processes = LocalProcesses(clock=lambda: now_s)
        first = processes.speaks_for_itself(ends[0], here)
        once = len(looked)
        for end in ends[1:]:
            assert processes.speaks_for_itself(end, here) == first
        assert len(looked) == once
        now_s = 1.0
        processes.speaks_for_itself(
            open_.enter_context(socket.create_connection(here)).getsockname(), here
        )
        assert len(looked) > once, "what it holds now may be something else"
