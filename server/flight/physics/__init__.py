"""Atmosphere, the earth's shape, and what a gas lifts."""
