"""Running the application with uvicorn, set up as this screen needs it."""

from __future__ import annotations

import uvicorn
from fastapi import FastAPI

from server.screen.certificate import Certificate

CONNECTIONS = 3_000  # more are answered 503 at once


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
        http="httptools",
        log_level="warning",
        ws_max_size=65_536,  # browsers send one short message
        ws_per_message_deflate=False,  # costs much memory for each client
        timeout_graceful_shutdown=2,  # open pages must not hold up the end
        limit_concurrency=CONNECTIONS,
        ssl_certfile=None if certificate is None else certificate.certificate,
        ssl_keyfile=None if certificate is None else certificate.key,
    )
    return uvicorn.Server(config)
