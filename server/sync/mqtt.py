"""The way to an MQTT 5 broker: where it is, how it knows us, and whether we may follow."""

from __future__ import annotations

import ssl
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import aiomqtt


@dataclass(frozen=True, slots=True)
class BrokerSpec:
    """Where the broker is, and how it knows us."""

    host: str
    port: int
    topic: str
    key: str
    user: str | None = None
    password: str | None = None
    tls: bool = True
    ca_file: str | None = None  # beside the system's own authorities

    @property
    def place(self) -> str:
        return f"{self.host}:{self.port}"


def broker_client(library: Any, spec: BrokerSpec, **more: Any) -> aiomqtt.Client:
    """A client of `library` (aiomqtt, an extra) that is not connected yet."""
    context = ssl.create_default_context(cafile=spec.ca_file) if spec.tls else None
    client: aiomqtt.Client = library.Client(
        spec.host,
        spec.port,
        protocol=library.ProtocolVersion.V5,
        username=spec.user,
        password=spec.password,
        tls_context=context,
        keepalive=30,
        **more,
    )
    return client


async def greet_broker(spec: BrokerSpec) -> None:
    """Connect, see that we may follow the topic, and leave again. OSError says why not."""
    try:
        import aiomqtt
    except ImportError as error:
        raise OSError("needs aiomqtt: pip install 'leeward[mqtt]'") from error
    try:
        async with broker_client(aiomqtt, spec) as client:
            await client.subscribe(f"{spec.topic}/+/+/+", qos=1)
    except (aiomqtt.MqttError, ValueError) as error:  # a name that cannot be looked up
        raise OSError(str(error) or type(error).__name__) from error
