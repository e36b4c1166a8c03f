"""Answers in JSON, which no cache keeps."""

from __future__ import annotations

from typing import Any

import orjson
from starlette.responses import Response


def json_reply(content: Any, status: int = 200) -> Response:
    return Response(
        orjson.dumps(content, option=orjson.OPT_SERIALIZE_NUMPY),
        status_code=status,
        media_type="application/json",
        headers={"Cache-Control": "no-store"},
    )
