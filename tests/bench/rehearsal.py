"""Made flights beside real ones: what is heard, how it falls, how the wind changes."""

from __future__ import annotations

from typing import Any

from tests.flight_statistics import collect, made_flights, real_flights

FLIGHTS = 104


def run(flights: int = FLIGHTS) -> dict[str, Any]:
    """Figures of both, by name."""
    made = collect(made_flights(flights))
    real = collect(real_flights())
    return {name: {"made": made.get(name), "real": real.get(name)} for name in made}
