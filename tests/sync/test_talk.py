"""The talk without a socket: who may, what a stranger on the way can do (nothing), and how it is told."""

from __future__ import annotations

import contextlib
import hashlib
import json

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from hypothesis import given, settings
from hypothesis import strategies as st

from server.sync.entry import Lane
from server.sync.keys import stretched
from server.sync.talk import (
    MAX_MESSAGE_BYTES,
    RECORD_BYTES,
    VERSION,
    Answerer,
    Caller,
    Have,
    Identity,
    Party,
    Sealed,
    TalkError,
    pack_have,
    pack_refused,
    refusal,
    same_flight,
    unpack_have,
    unpack_refused,
)

KEY, OTHER = "a key that the team shares", "a key of somebody else"
ONE = Identity(Ed25519PrivateKey.generate(), "car-1", "Tern 7")
TWO = Identity(Ed25519PrivateKey.generate(), "car-2", "Tern 7")


def meet(calls_with: str = KEY, *answers_with: str) -> tuple[Sealed, Sealed]:
    caller, answerer = Caller(calls_with), Answerer(answers_with or (calls_with,))
    mine = caller.accept(answerer.answer(caller.hello()))
    assert answerer.key == calls_with
    return mine, answerer.sealed


def version_1(name: str = "car-2") -> str:
    """What a station of the version before says first."""
    hello = {"leeward": 1, "key": "0" * 16, "nonce": "0" * 32}
    return json.dumps(hello | {"station": "01" * 32, "name": name, "flight": "Tern 7"})


def test_the_library_derives_and_seals_as_published() -> None:
    """HKDF: RFC 5869, appendix A.1. ChaCha20-Poly1305: RFC 8439, section 2.8.2."""
    key = HKDF(
        SHA256(),
        42,
        bytes.fromhex("000102030405060708090a0b0c"),
        bytes.fromhex("f0f1f2f3f4f5f6f7f8f9"),
    ).derive(b"\x0b" * 22)
    assert key.hex().startswith("3cb25f25faacd57a90434f64d0362f2a2d2d0a90cf1a5a4c5db02d56ecc4c5bf")
    sealed = ChaCha20Poly1305(bytes(range(0x80, 0xA0))).encrypt(
        bytes.fromhex("070000004041424344454647"),
        b"Ladies and Gentlemen of the class of '99: If I could offer you only one tip for the "
        b"future, sunscreen would be it.",
        bytes.fromhex("50515253c0c1c2c3c4c5c6c7"),
    )
    assert sealed[-16:].hex() == "1ae10b594f09e26a7e902ecbd0600691"


def test_both_ends_understand_each_other_and_nobody_else_does() -> None:
    mine, theirs = meet()
    for message in (b"first", b"second" * 50, b"x" * 300_000):
        records = mine.seal(message)
        assert all(len(record) <= RECORD_BYTES + 17 < 65_535 for record in records)
        assert b"second" not in b"".join(records)
        assert [theirs.open(record) for record in records][-1] == message
    (back,) = theirs.seal(b"answer")
    assert mine.open(back) == b"answer"


def test_each_talk_has_keys_of_its_own() -> None:
    (record,) = meet()[0].seal(b"heard before")
    with pytest.raises(TalkError, match="altered"):
        meet()[1].open(record)


@pytest.mark.parametrize("harm", ["altered", "repeated", "left out", "turned back"])
def test_whoever_meddles_ends_the_talk(harm: str) -> None:
    mine, theirs = meet()
    (first,), (second,) = mine.seal(b"first"), mine.seal(b"second")
    if harm == "altered":
        with pytest.raises(TalkError):
            theirs.open(first[:-1] + bytes([first[-1] ^ 1]))
        return
    if harm == "turned back":
        with pytest.raises(TalkError):
            mine.open(first)
        return
    if harm == "repeated":
        theirs.open(first)
        second = first
    with pytest.raises(TalkError):
        theirs.open(second)


def test_without_the_key_neither_side_gets_in() -> None:
    with pytest.raises(TalkError, match="not in this plan"):
        Answerer([KEY]).answer(Caller(OTHER).hello())
    caller, answerer = Caller(KEY), Answerer([OTHER])
    with pytest.raises(TalkError, match="does not know the shared key"):
        caller.accept(Caller(KEY).hello().encode())  # a call for an answer
    with pytest.raises(TalkError, match="not in this plan"):
        answerer.answer(caller.hello())


def test_of_several_keys_the_one_that_fits_is_taken_and_none_is_said() -> None:
    meet(KEY, OTHER, KEY)
    assert json.loads(Caller(KEY).hello()).keys() == {"leeward", "noise"}


def test_who_it_is_is_proven_to_this_talk_alone() -> None:
    mine, theirs = meet()
    said = mine.introduce(ONE)
    assert theirs.met(said) == ONE.party
    assert mine.met(theirs.introduce(TWO)) == TWO.party
    again_mine, again_theirs = meet()
    for sealed in (again_mine, again_theirs, mine):  # in another talk, or sent back
        with pytest.raises(TalkError, match="not the station that it says"):
            sealed.met(said)
    for part, value in (("station", TWO.party.station.hex()), ("name", "car-3"), ("flight", "T")):
        with pytest.raises(TalkError, match="not the station that it says"):
            theirs.met(json.dumps(json.loads(said) | {part: value}).encode())
    for bad in (b"", b"[]", b"{}", said.replace(b"car-1", b"car 1")):
        with pytest.raises(TalkError):
            theirs.met(bad)


def test_another_flight_is_told_by_name() -> None:
    with pytest.raises(TalkError, match="car-2 follows 'Tern 8', this plan 'Tern 7'"):
        same_flight(ONE.party, Party(TWO.party.station, "car-2", "Tern 8"))


def test_another_version_is_refused_in_words_at_both_ends() -> None:
    with pytest.raises(TalkError, match="another version of Leeward: let all") as told:
        Answerer([KEY]).answer(version_1())
    assert told.value.name == "car-2"
    assert "problem" in json.loads(refusal(told.value)), "what version 1 shows its crew"
    later = json.dumps(json.loads(Caller(KEY).hello()) | {"leeward": VERSION + 1})
    for hello in (later, version_1("\x1b[2J"), version_1("x" * 99)):
        with pytest.raises(TalkError, match="another version") as told:
            Answerer([KEY]).answer(hello)
        assert told.value.name == ""
    for answer in ('{"problem": "another version of Leeward calls"}', version_1()):
        with pytest.raises(TalkError, match="another version of Leeward"):
            Caller(KEY).accept(answer)


def test_a_bomb_is_not_unpacked() -> None:
    mine, theirs = meet()
    records = mine.seal(bytes(MAX_MESSAGE_BYTES + 1))
    with pytest.raises(TalkError, match="without end"):
        [theirs.open(record) for record in records]


def test_lists_go_there_and_back() -> None:
    have = {Lane(b"\1" * 32, "car-1/tnc"): 12, Lane(b"\2" * 32, ""): 3}
    names = {b"\1" * 32: "car-1"}
    told = Have(have, names, ((Lane(b"\1" * 32, "car-1/tnc"), 7),))
    assert unpack_have(pack_have(told)) == told
    lane = Lane(b"\1" * 32, "car-1/tnc")
    assert unpack_refused(pack_refused(lane, "no\x1b")) == (lane, "no?")


def test_numbers_without_end_are_refused_in_words() -> None:
    station = "01" * 32
    for last in ("Infinity", "1e999", "NaN", "null"):
        with pytest.raises(TalkError):
            unpack_have(
                f'{{"lanes": [["{station}", "", {last}]], "names": {{}}, "lacks": []}}'.encode()
            )


def test_what_the_other_side_says_moves_no_terminal() -> None:
    with pytest.raises(TalkError) as told:
        Caller(KEY).accept('{"problem": "\\u001b]0;title\\u0007\\nERROR all is lost"}')
    assert str(told.value).isprintable()


@given(st.one_of(st.binary(max_size=200), st.text(max_size=200).map(str.encode)))
@settings(max_examples=200, deadline=None)
def test_any_bytes_are_refused_in_words(data: bytes) -> None:
    text = data.decode("utf-8", "replace")
    for unpacks in (unpack_have, unpack_refused):
        with pytest.raises(TalkError):
            unpacks(data)
    for hello in (data, text):
        with pytest.raises(TalkError):
            Answerer([KEY]).answer(hello)
    caller = Caller(KEY)
    caller.hello()
    for answer in (data, text):
        with pytest.raises(TalkError):
            caller.accept(answer)
    with pytest.raises(TalkError):
        meet()[0].open(data)
    with pytest.raises(TalkError):
        meet()[0].met(data)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=70),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                ["leeward", "noise", "problem", "station", "name", "flight", "proof", "lanes"]
            ),
            inner,
        )
    ),
    max_leaves=12,
)


@given(JSON)
@settings(max_examples=300, deadline=None)
def test_any_json_is_refused_in_words_if_it_is_refused(said: object) -> None:
    hello = json.loads(Caller(KEY).hello())
    asked = hello | said if isinstance(said, dict) else said
    with contextlib.suppress(TalkError):
        Answerer([KEY]).answer(json.dumps(asked))
    with pytest.raises(TalkError):
        Caller(KEY).accept(json.dumps(said))
    with pytest.raises(TalkError):
        meet()[0].met(json.dumps(said).encode())


def test_a_shared_key_is_stretched_as_published() -> None:
    """scrypt of the standard library: RFC 7914, section 12, third vector; ours costs as much."""
    made = hashlib.scrypt(b"pleaseletmein", salt=b"SodiumChloride", n=16_384, r=8, p=1, dklen=64)
    assert made.hex().startswith("7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2")
    assert stretched("the team's shared key") != stretched("the team's shared kez")
    assert len(bytes.fromhex(stretched("the team's shared key"))) == 64
