"""The handshake against published vectors, another library, and whoever bends it."""

from __future__ import annotations

import secrets

import pytest
from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey
from hypothesis import given, settings
from hypothesis import strategies as st
from noise.connection import NoiseConnection

from server.sync.noise import (
    MAX_MESSAGE_BYTES,
    NAME,
    CipherState,
    HandshakeState,
    NoiseError,
)

KEY, PROLOGUE = bytes(range(32)), b"a prologue"

# Noise_NNpsk0_25519_ChaChaPoly_SHA256 of the vectors that the Noise implementation "cacophony" publishes
# (its repository haskell-cryptography/cacophony, vectors/cacophony.txt, commit 36c1e5c3a799), whole
VECTOR_PROLOGUE = "4a6f686e2047616c74"
VECTOR_PSK = "54686973206973206d7920417573747269616e20706572737065637469766521"
VECTOR_INITIATOR = "893e28b9dc6ca8d611ab664754b8ceb7bac5117349a4439a6b0569da977c464a"
VECTOR_RESPONDER = "bbdb4cdbd309f1a1f2e1456967fe288cadd6f712d65dc7b7793d5e63da6b375b"
VECTOR_MESSAGES = (
    (
        "4c756477696720766f6e204d69736573",
        (
            "ca35def5ae56cec33dc2036731ab14896bc4c75dbb07a61f879f8e3afa4c7944"
            "79b962b8aff8485742ac32f905ba45369e2465fb59e138a93d67a0d1266b6a54"
        ),
    ),
    (
        "4d757272617920526f746862617264",
        (
            "95ebc60d2b1fa672c1f46a8aa265ef51bfe38e7ccb39ec5be34069f144808843"
            "d6062704d5a9c422a8e834423f8c1feada7e8d0d910a1a2cd030fb584221e3"
        ),
    ),
    ("462e20412e20486179656b", "e632c3763d7669067383433197a3baddf146e9e70ad4b4e9e59e0f"),
    ("4361726c204d656e676572", "64c6bee32ea91c8474bb4c21d7a700109ad45af77b29764ba5eb1e"),
    (
        "4a65616e2d426170746973746520536179",
        "e2fa0bed0603b62d3ccac2ecabbf3fe33f3e86514909b323361626266cb2471cc8",
    ),
    (
        "457567656e2042f6686d20766f6e2042617765726b",
        "0c01dc9cec1fe4ddd692e8dd32188aa351088dc91183639a53b57aa4692b5ebdef8b8ca111",
    ),
)


def ends(
    first: bytes = KEY, second: bytes = KEY, prologue: bytes = PROLOGUE
) -> tuple[HandshakeState, HandshakeState]:
    return (
        HandshakeState(first, PROLOGUE, initiates=True),
        HandshakeState(second, prologue, initiates=False),
    )


def test_the_handshake_and_what_follows_as_published() -> None:
    one, other = (
        HandshakeState(
            bytes.fromhex(VECTOR_PSK),
            bytes.fromhex(VECTOR_PROLOGUE),
            initiates=initiates,
            ephemeral=X25519PrivateKey.from_private_bytes(bytes.fromhex(ephemeral)),
        )
        for initiates, ephemeral in ((True, VECTOR_INITIATOR), (False, VECTOR_RESPONDER))
    )
    said = [tuple(bytes.fromhex(part) for part in message) for message in VECTOR_MESSAGES]
    assert one.write(said[0][0]) == said[0][1]
    assert other.read(said[0][1]) == said[0][0]
    assert other.write(said[1][0]) == said[1][1]
    assert one.read(said[1][1]) == said[1][0]
    assert one.hash == other.hash
    (sends, receives), (back, hears) = one.split(), other.split()
    for number, (payload, sealed) in enumerate(said[2:]):
        outward, inward = (sends, hears) if number % 2 == 0 else (back, receives)
        assert outward.encrypt(payload) == sealed
        assert inward.decrypt(sealed) == payload


@pytest.mark.parametrize("we_call", [True, False])
def test_another_library_understands_us_and_we_it(we_call: bool) -> None:
    """noiseprotocol 0.3.1, with keys of its own."""
    theirs = NoiseConnection.from_name(NAME)
    theirs.set_psks(KEY)
    theirs.set_prologue(PROLOGUE)
    (theirs.set_as_responder if we_call else theirs.set_as_initiator)()
    theirs.start_handshake()
    ours = HandshakeState(KEY, PROLOGUE, initiates=we_call)
    if we_call:
        assert theirs.read_message(ours.write(b"we call")) == b"we call"
        assert ours.read(bytes(theirs.write_message(b"they answer"))) == b"they answer"
    else:
        assert ours.read(bytes(theirs.write_message(b"they call"))) == b"they call"
        assert theirs.read_message(ours.write(b"we answer")) == b"we answer"
    assert theirs.get_handshake_hash() == ours.hash
    sends, receives = ours.split()
    for number in range(300):  # more than a byte of the nonce
        said = secrets.token_bytes(number)
        assert theirs.decrypt(sends.encrypt(said)) == said
        assert receives.decrypt(theirs.encrypt(said)) == said


@pytest.mark.parametrize("which", ["key", "prologue"])
def test_another_key_or_prologue_ends_it_at_the_first_message(which: str) -> None:
    one, other = ends(second=bytes(32)) if which == "key" else ends(prologue=b"another")
    with pytest.raises(NoiseError):
        other.read(one.write())


def test_messages_come_in_their_order_and_once() -> None:
    one, other = ends()
    with pytest.raises(NoiseError, match="not the time"):
        other.write()
    hello = one.write()
    with pytest.raises(NoiseError, match="not the time"):
        one.write()
    other.read(hello)
    with pytest.raises(NoiseError, match="not done"):
        other.split()
    one.read(other.write())
    with pytest.raises(NoiseError, match="not the time"):
        one.write()


def test_a_hello_that_is_repeated_opens_nothing() -> None:
    """Whoever recorded it knows neither its secret nor what the answer seals."""
    one, other = ends()
    hello = one.write()
    again = HandshakeState(KEY, PROLOGUE, initiates=False)
    for end in (other, again):
        end.read(hello)
    one.read(other.write())
    again.write()
    sealed = one.split()[0].encrypt(b"recorded with it")
    with pytest.raises(NoiseError):
        again.split()[1].decrypt(sealed)


def test_a_point_that_gives_zeros_is_no_public_key() -> None:
    """RFC 7748, section 6.1; u = 0 is one of the points of low order."""
    caller, _ = ends()
    caller.write()
    with pytest.raises(NoiseError, match="no public key"):
        caller.read(bytes(32 + 16))


@given(st.data())
@settings(max_examples=300, deadline=None)
def test_a_bent_handshake_is_refused(data: st.DataObject) -> None:
    """Bits turned, cut, lengthened, in either message: an error, and never a session."""
    one, other = ends()
    bends_the_first = data.draw(st.booleans())
    hello = one.write()
    if bends_the_first:
        with pytest.raises(NoiseError):
            other.read(bent(hello, data))
        return
    other.read(hello)
    with pytest.raises(NoiseError):
        one.read(bent(other.write(), data))


@given(st.data())
@settings(max_examples=300, deadline=None)
def test_a_bent_record_is_refused_and_the_next_true_one_is_read(data: st.DataObject) -> None:
    out, into = CipherState(KEY), CipherState(KEY)
    for _ in range(data.draw(st.integers(0, 3))):
        into.decrypt(out.encrypt(b"before"))
    sealed = out.encrypt(data.draw(st.binary(max_size=100)))
    with pytest.raises(NoiseError):
        into.decrypt(bent(sealed, data))
    into.decrypt(sealed)
    with pytest.raises(NoiseError):
        into.decrypt(sealed)  # repeated


def bent(message: bytes, data: st.DataObject) -> bytes:
    how = data.draw(st.sampled_from(["bits", "cut", "longer", "other"]))
    if how == "cut":
        return message[: data.draw(st.integers(0, len(message) - 1))]
    if how == "longer":
        return message + data.draw(st.binary(min_size=1, max_size=40))
    if how == "other":
        return data.draw(st.binary(max_size=200).filter(lambda b: b != message))
    at, bit = data.draw(st.integers(0, len(message) - 1)), data.draw(st.integers(0, 7))
    return message[:at] + bytes([message[at] ^ 1 << bit]) + message[at + 1 :]


def test_bounds_of_the_specification() -> None:
    """Section 3: 65,535 bytes a message. Section 5.1: the last nonce is never used."""
    one, other = ends()
    most = MAX_MESSAGE_BYTES - 32 - 16
    other.read(one.write(bytes(most)))
    with pytest.raises(NoiseError, match="65536 bytes"):
        other.write(bytes(most + 1))
    with pytest.raises(NoiseError, match="65536 bytes"):
        ends()[1].read(bytes(MAX_MESSAGE_BYTES + 1))
    spent = CipherState(KEY)
    spent.nonce = 2**64 - 1
    with pytest.raises(NoiseError, match="no nonce"):
        spent.encrypt(b"")
    with pytest.raises(ValueError, match="32 bytes"):
        HandshakeState(b"short", PROLOGUE, initiates=True)
    assert CipherState().encrypt(b"as it is") == CipherState().decrypt(b"as it is")
