"""Bytes or text in, reports out, and back. No clock, no file, no socket."""
