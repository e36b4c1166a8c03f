"""Running the application with uvicorn, set up as this screen needs it."""

from __future__ import annotations

import contextlib

import uvicorn
from fastapi import FastAPI

from server.screen.certificate import Certificate
from server.screen.protocol import BoundedProtocol, PatientSocket

CONNECTIONS = 3_000  # more are closed at once
PING_EVERY_S, PONG_WITHIN_S = 20.0, 20.0  # to each page; our choice
FILES = 512  # beside them: journal, sources, maps


def uvicorn_server(
    app: FastAPI, host: str, port: int, certificate: Certificate | None = None
) -> uvicorn.Server:
    """A server ready for `await server.serve()`; `server.started` turns true when it listens.

    With a certificate it speaks HTTPS.
    """
    config = uvicorn.Config(
        app,
        host=host,
        port=port,
        http=BoundedProtocol,
        ws=PatientSocket,
        log_level="warning",
        ws_max_size=65_536,  # browsers send one short message
        ws_ping_interval=PING_EVERY_S,
        ws_ping_timeout=PONG_WITHIN_S,
        ws_per_message_deflate=False,  # costs much memory for each client
        timeout_graceful_shutdown=2,  # open pages must not hold up the end
        limit_concurrency=connections_that_fit(CONNECTIONS),
        ssl_certfile=None if certificate is None else certificate.certificate,
        ssl_keyfile=None if certificate is None else certificate.key,
    )
    return uvicorn.Server(config)


def connections_that_fit(wanted: int) -> int:
    """As many as this process may have open beside its files; its own limit is raised for them."""
    try:
        import resource
    except ImportError:  # Windows has no such limit
        return wanted
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft < wanted + FILES:
        soft = wanted + FILES if hard == resource.RLIM_INFINITY else min(hard, wanted + FILES)
        with contextlib.suppress(OSError, ValueError):
            resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
        soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    return wanted if soft == resource.RLIM_INFINITY else min(wanted, max(32, soft - FILES))
