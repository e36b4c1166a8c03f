"""The flight: pure. Same inputs, same flight; no clock, file, socket, chance or logging."""
