"""Decoders against published examples, other libraries, round trips and rubbish."""
