"""Debian's nginx in a folder of its own, with what a test says of it."""

from __future__ import annotations

import contextlib
import os
import socket
import subprocess
from collections.abc import Iterator
from pathlib import Path

from tests.machine import require

# its workers read what belongs to root alone; as many connections as a bench of spectators opens
_AROUND = """
daemon off;
{user}
pid {folder}/nginx.pid;
error_log {folder}/error.log;
worker_rlimit_nofile 40000;
events {{ worker_connections 20000; }}
http {{
  access_log {folder}/access.log;
  client_body_temp_path {folder}; proxy_temp_path {folder}; fastcgi_temp_path {folder};
  uwsgi_temp_path {folder}; scgi_temp_path {folder};
{http}
}}
"""


@contextlib.contextmanager
def nginx(folder: Path, port: int, http: str) -> Iterator[None]:
    """Runs while `http`, the inside of its http block, is needed; what it says listens on `port`."""
    config = folder / "nginx.conf"
    user = "user root;" if os.getuid() == 0 else ""
    config.write_text(_AROUND.format(user=user, folder=folder, http=http))
    command = [require("nginx"), "-c", str(config), "-p", str(folder)]
    with subprocess.Popen(command, stderr=subprocess.DEVNULL) as process:
        try:
            while process.poll() is None:
                with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port)):
                    break
            assert process.poll() is None, (folder / "error.log").read_text()
            yield
        finally:
            process.terminate()
