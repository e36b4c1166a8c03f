"""JSON as the screen writes it: moments as RFC 3339 to the millisecond, dataclasses and enums as they are."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

import orjson
from starlette.responses import Response

# datetimes through `_written`, so that all have the same length and sort as they follow on each other
_OPTIONS = orjson.OPT_SERIALIZE_NUMPY | orjson.OPT_PASSTHROUGH_DATETIME


def as_json(content: Any, *, indent: bool = False) -> bytes:
    """UTF-8. TypeError for what is no data."""
    option = _OPTIONS | (orjson.OPT_INDENT_2 if indent else 0)
    return orjson.dumps(content, default=_written, option=option)


def _written(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.isoformat(timespec="milliseconds").removesuffix("+00:00") + "Z"
    if isinstance(value, Mapping):
        return dict(value)
    raise TypeError(f"{type(value).__name__} is no data")


def json_reply(content: Any, status: int = 200) -> Response:
    """An answer that no cache keeps."""
    return Response(
        as_json(content),
        status_code=status,
        media_type="application/json",
        headers={"Cache-Control": "no-store"},
    )
