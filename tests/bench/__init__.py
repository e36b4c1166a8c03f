"""Benches: what the project measures of itself. `python -m tests.bench` lists them."""
