"""The golden messages: what the hub sends while the made flight flies. `python -m tests.screen.golden.make`

writes them anew; look at the difference before committing it.
"""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any

import orjson

from server.screen.hub import Hub
from server.screen.messages import Resume
from tests.screen import fake_flight as flight
from tests.screen.fake_feed import FakeFeed

FOLDER = Path(__file__).parent


def golden_messages() -> dict[str, Any]:
    """File name to content, in the order in which the demo page plays them."""
    feed = FakeFeed(since_launch_s=3_600)
    hub = Hub(feed)
    hub.session = "golden"
    client = hub.join(Resume(kind="resume"))
    landed_s = flight.first("landed").time_s - flight.LAUNCH_S
    messages = {"01-ascent-snapshot.json": _next(client)}

    def go(name: str, since_launch_s: float) -> None:
        feed.go(since_launch_s)
        hub.publish()
        messages[name] = _next(client)

    go("02-ascent-update.json", 3_605)
    hub.publish()
    messages["03-beat.json"] = _next(client)
    go("04-burst-alarm.json", 5_610)
    feed.acknowledged = {alarm["id"] for alarm in feed.state()["alarms"]}
    go("05-acknowledged.json", 5_640)
    go("06-backup-silent.json", 6_600)
    feed.acknowledged = {alarm["id"] for alarm in feed.state()["alarms"]}
    go("07-contact-lost.json", landed_s + 60)
    go("08-landed.json", landed_s + 300)
    return messages


def _next(client: Any) -> Any:
    return orjson.loads(client.messages.get_nowait())


def as_text(content: Any) -> str:
    return json.dumps(content, ensure_ascii=False, separators=(",", ":")) + "\n"


async def write() -> None:
    messages = golden_messages()
    for name, content in messages.items():
        (FOLDER / name).write_text(as_text(content))
    (FOLDER / "order.json").write_text(as_text(list(messages)))


if __name__ == "__main__":
    asyncio.run(write())
