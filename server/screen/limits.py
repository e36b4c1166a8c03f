"""How often one address or one key may ask: buckets that fill again, a bounded number of them."""

from __future__ import annotations

import ipaddress
import math
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

MAX_BUCKETS = 20_000


@dataclass(frozen=True, slots=True)
class Rate:
    """`burst` at once, then `per_s`."""

    per_s: float
    burst: float


ASKING = Rate(per_s=60.0, burst=600.0)  # a page is sixty files, and a phone has several readers
OPENING = Rate(per_s=10.0, burst=200.0)  # sockets of one address: a school behind one router
COMMANDS = Rate(per_s=2.0, burst=30.0)
BEACONS = Rate(per_s=2.0, burst=60.0)
WRONG_KEYS = Rate(per_s=1.0 / 6.0, burst=10.0)
# a phone that may be right, at an address that guesses or while many do, comes again in a second
WRONG_TOKENS = Rate(per_s=1.0, burst=10.0)
ANY_WRONG_TOKENS = Rate(per_s=3.0, burst=60.0)


class Limits:
    """Token buckets by kind of asking and by who asks. The least lately used are forgotten first."""

    def __init__(self, clock: Callable[[], float], max_buckets: int = MAX_BUCKETS) -> None:
        """`clock` gives seconds that only grow."""
        self._clock = clock
        self._max = max_buckets
        self._buckets: OrderedDict[tuple[Rate, str], tuple[float, float]] = OrderedDict()

    def wait_s(self, rate: Rate, who: str) -> int:
        """Take one; 0 when that may be, else after how many whole seconds to ask again."""
        held = self._held(rate, who)
        taken = held >= 1.0
        self._buckets[rate, who] = (held - 1.0 if taken else held, self._clock())
        self._buckets.move_to_end((rate, who))
        if len(self._buckets) > self._max:
            self._buckets.popitem(last=False)
        return _wait_s(rate, held)

    def exhausted(self, rate: Rate, who: str) -> int:
        """As `wait_s`, but nothing is taken."""
        return _wait_s(rate, self._held(rate, who))

    def _held(self, rate: Rate, who: str) -> float:
        """What the bucket holds now."""
        held, since_s = self._buckets.get((rate, who), (rate.burst, self._clock()))
        return min(rate.burst, held + (self._clock() - since_s) * rate.per_s)


def _wait_s(rate: Rate, held: float) -> int:
    return 0 if held >= 1.0 else math.ceil((1.0 - held) / rate.per_s)


def neighbourhood(host: str) -> str:
    """An address as one asker: of IPv6 the network of 64 bits, which one household has whole."""
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return host
    mapped = getattr(address, "ipv4_mapped", None)
    address = mapped or address
    if address.version == 6:
        return str(ipaddress.ip_network(f"{address}/64", strict=False))
    return str(address)
