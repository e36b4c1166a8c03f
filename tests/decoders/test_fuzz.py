"""Mutated input ends in reports or in DecodeError, in nothing else.

The short form runs here; `python -m tests.bench fuzz --seconds 30` runs the long one.
"""

from __future__ import annotations

from itertools import islice

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.decoders.fuzz import CASES, DecoderFault, corpus, mutations, run

ROUNDS = 12_000


@pytest.mark.parametrize("case", CASES)
def test_rubbish_is_refused_politely(case: str) -> None:
    assert run(case, islice(mutations(corpus(case), seed=20260615), ROUNDS)) == ROUNDS


@pytest.mark.parametrize("case", CASES)
@given(st.binary(max_size=120))
def test_any_bytes_are_refused_politely(case: str, data: bytes) -> None:
    assert run(case, iter([data])) == 1


@given(st.sampled_from("!=/@;)`'>:T_$}<?"), st.text(st.characters(codec="latin-1"), max_size=60))
def test_any_text_of_any_data_type_is_refused_politely(kind: str, text: str) -> None:
    assert run("aprs", iter([f"S32UVT:{kind}{text}".encode("latin-1")])) == 1


@pytest.mark.parametrize("case", CASES)
def test_good_input_is_read(case: str) -> None:
    read = CASES[case]
    good = [data for data in corpus(case) if b"user defined" not in data]
    for data in good:
        read(data)


def test_a_leak_would_be_seen() -> None:
    def leaking(data: bytes) -> None:
        raise IndexError("leak")

    with pytest.raises(DecoderFault, match="IndexError: leak"):
        run("tnc2", iter([b"x"]), leaking)
