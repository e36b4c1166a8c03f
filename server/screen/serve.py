"""Running the application with uvicorn, set up as this screen needs it."""

from __future__ import annotations

import uvicorn
from fastapi import FastAPI


def uvicorn_server(app: FastAPI, host: str, port: int) -> uvicorn.Server:
    """A server ready for `await server.serve()`; `server.started` turns true when it listens."""
    config = uvicorn.Config(
        app,
        host=host,
        port=port,
        log_level="warning",
        ws_max_size=65_536,  # browsers send one short message
        ws_per_message_deflate=False,  # costs much memory for each client
        timeout_graceful_shutdown=2,  # open pages must not hold up the end
    )
    return uvicorn.Server(config)
