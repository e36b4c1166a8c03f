"""What the plan says of other stations, of a broker, and of who may look on."""

from __future__ import annotations

import re
from typing import Annotated
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field, model_validator

from server.plan.section import Section

FEWEST_CHARACTERS = 6  # different ones


def _varied(secret: str) -> str:
    if len(set(secret)) < FEWEST_CHARACTERS:
        raise ValueError(f"at least {FEWEST_CHARACTERS} different characters expected")
    return secret


# long enough that nobody finds it by trying: it is all that keeps strangers out
Varied = AfterValidator(_varied)
Secret = Annotated[str, Field(min_length=16, max_length=200, pattern=r"^[\x20-\x7e]+$"), Varied]
LinkKey = Annotated[
    str, Field(min_length=16, max_length=200, pattern=r"^[A-Za-z0-9._~-]+$"), Varied
]
Token = Annotated[str, Field(min_length=12, max_length=200, pattern=r"^[\w-]+$"), Varied]
StationName = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]*$", max_length=40)]
HostName = Annotated[str, Field(pattern=r"^[A-Za-z0-9:][A-Za-z0-9.:-]*$", max_length=253)]


class StationSection(Section):
    """The laptop itself, among several of one flight."""

    name: StationName


class PeerSection(Section):
    """Another station; without an address it is the one that calls."""

    name: StationName
    key: Secret  # the same at both ends
    address: Annotated[str, Field(max_length=300)] | None = None  # host:port, or https://host

    @model_validator(mode="after")
    def _reachable(self) -> PeerSection:
        self.url()
        return self

    def url(self) -> str | None:
        """The address of its websocket."""
        if self.address is None:
            return None
        text = self.address if "://" in self.address else f"http://{self.address}"
        try:
            parts = urlsplit(text)
            usable = parts.hostname and (parts.port or "://" in self.address)
        except ValueError:
            usable = False
        if not usable or parts.scheme not in ("http", "https") or re.search(r"\s", text):
            raise ValueError(
                f"address: host:port or https://host expected, as in '192.168.8.21:8420', "
                f"not {self.address!r}"
            )
        scheme = "wss" if parts.scheme == "https" else "ws"
        return f"{scheme}://{parts.netloc}{parts.path.rstrip('/')}/peer"


class MqttSection(Section):
    """An MQTT 5 broker that all stations of the flight reach."""

    host: HostName
    port: Annotated[int, Field(ge=1, le=65_535)] | None = None  # 8883 with TLS, 1883 without
    key: Secret  # seals what is sent: the same at all stations
    topic: Annotated[str, Field(pattern=r"^[^+#\s\x00$/][^+#\s\x00]*$", max_length=200)] = "leeward"
    user: Annotated[str, Field(max_length=200)] | None = None
    password: Annotated[str, Field(max_length=500)] | None = None
    tls: bool = True
    ca_file: Annotated[str, Field(max_length=500)] | None = None  # taken from the plan's folder


class AccessSection(Section):
    """Keys of those who look on; without them they are made and kept beside the plan."""

    watch: LinkKey | None = None
    crew: LinkKey | None = None
    hosts: Annotated[tuple[HostName, ...], Field(max_length=20)] = ()  # names that lead here

    @model_validator(mode="after")
    def _apart(self) -> AccessSection:
        if self.watch is not None and self.watch == self.crew:
            raise ValueError("watch and crew must have different keys")
        return self
