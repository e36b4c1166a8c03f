"""Debian's mosquitto set up as server/sync's README says: TLS, a user, kept on disk."""

from __future__ import annotations

import asyncio
import contextlib
import datetime
import re
import shutil
import subprocess
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from server.screen.certificate import own_certificate
from server.sync.mqtt import BrokerSpec
from tests.machine import require
from tests.screen.serving import answering
from tests.session.running import free_port
from tests.sync.made import KEY

README = Path(__file__).parents[2] / "server" / "sync" / "README.md"
USER, PASSWORD = "leeward", "a password of the test's own"
PATH = "/usr/sbin:/usr/bin:/usr/local/sbin:/usr/local/bin"


@dataclass(frozen=True)
class Mosquitto:
    """A folder with configuration and certificate; `running()` starts it there, again and again."""

    folder: Path
    port: int

    def spec(self, **changed: object) -> BrokerSpec:
        told: dict[str, Any] = {
            "host": "127.0.0.1",
            "port": self.port,
            "topic": "team/tern-7",
            "key": KEY,
            "user": USER,
            "password": PASSWORD,
            "ca_file": str(self.folder / "tls.certificate.pem"),
        }
        return BrokerSpec(**told | changed)

    @contextlib.asynccontextmanager
    async def running(self) -> AsyncIterator[asyncio.subprocess.Process]:
        program = shutil.which("mosquitto", path=PATH)
        assert program is not None
        process = await asyncio.create_subprocess_exec(
            program,
            "-c",
            str(self.folder / "mosquitto.conf"),
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.DEVNULL,
        )
        try:
            await answering(self.port, lambda: process.returncode is not None)
            yield process
        finally:
            with contextlib.suppress(ProcessLookupError):
                process.terminate()
            await process.wait()


def mosquitto(folder: Path) -> Mosquitto:
    """Set up as the README says, but for the port and the paths."""
    require("mosquitto")
    port = free_port()
    own_certificate(folder / "tls", ["localhost", "127.0.0.1"], datetime.datetime.now(datetime.UTC))
    match = re.search(r"```conf\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)
    assert match is not None
    text = match[1].replace("8883", str(port)).replace("/etc/mosquitto/leeward", str(folder))
    text = text.replace("/var/lib/mosquitto", str(folder))
    (folder / "mosquitto.conf").write_text(text + "user root\n" * (folder.owner() == "root"))
    subprocess.run(
        ["mosquitto_passwd", "-b", "-c", str(folder / "passwords"), USER, PASSWORD],
        check=True,
        capture_output=True,
        env={"PATH": PATH},
    )
    return Mosquitto(folder, port)
