"""Benches: what the project measures of itself. `python -m tests.bench` lists them."""

import server  # noqa: F401  one BLAS thread, as in the station: before numpy comes
