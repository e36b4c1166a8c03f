"""Transfers from servers that cut, stall, lie, change the file or refuse (RFC 9110), and from nginx."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler
from pathlib import Path

import pytest

from server.outlook.pack.part_file import NoRoom
from server.outlook.pack.transfer import (
    TRIES,
    NotThere,
    Progress,
    Remote,
    Transfer,
    TransferError,
)
from tests.outlook.pack.servers import HTML, answering, nginx_over, send
from tests.small_disk import small_disk_at

BODY = bytes(i * 7 % 251 for i in range(100_000))
Answer = Callable[[BaseHTTPRequestHandler], None]


def nothing(_: int) -> None:
    """Progress that nobody watches."""


class Patient(Transfer):
    """A transfer that does not wait, and remembers how long it would have."""

    def __init__(self, timeout_s: float = 5.0) -> None:
        self.waits: list[float] = []
        super().__init__(timeout_s, self.waits.append)


@pytest.fixture
def transfer() -> Iterator[Patient]:
    with Patient() as one:
        yield one


def ranged(
    ask: BaseHTTPRequestHandler,
    body: bytes = BODY,
    tag: str = '"one"',
    cut: int | None = None,
    shift: int = 0,
) -> None:
    """As a server of parts answers; `cut`: the connection ends after so many bytes."""
    asked = ask.headers.get("Range")
    first, last = 0, len(body) - 1
    if asked is not None and ask.headers.get("If-Range", tag) == tag:
        start, end = asked.removeprefix("bytes=").split("-")
        first, last = int(start), min(int(end or last), last)
        ask.send_response(206)
        ask.send_header("Content-Range", f"bytes {first + shift}-{last + shift}/{len(body)}")
    else:
        ask.send_response(200)
    ask.send_header("Content-Length", str(last + 1 - first))
    ask.send_header("ETag", tag)
    ask.end_headers()
    ask.wfile.write(body[first : last + 1][:cut])
    if cut is not None:
        ask.close_connection = True


def test_a_cut_transfer_goes_on_where_it_broke(tmp_path: Path, transfer: Patient) -> None:
    asked: list[str | None] = []

    def answer(ask: BaseHTTPRequestHandler) -> None:
        asked.append(ask.headers.get("Range"))
        ranged(ask, cut=30_000)

    with answering(answer) as address:
        transfer.whole(address, tmp_path / "part", 200_000)
    assert (tmp_path / "part").read_bytes() == BODY
    assert asked == [None, "bytes=30000-", "bytes=60000-", "bytes=90000-"]


def test_spans_go_on_where_they_broke_also_by_another_process(
    tmp_path: Path, transfer: Patient
) -> None:
    spans = [(10, 20_000), (50_000, 30_000), (99_990, 10)]
    count = 0

    def answer(ask: BaseHTTPRequestHandler) -> None:
        nonlocal count
        count += 1
        if 3 <= count <= 2 + TRIES:
            send(ask, 503, b"")
        else:
            ranged(ask, cut=15_000)

    progress: list[int] = []
    part = tmp_path / "part"
    with answering(answer) as address:
        remote = transfer.look(address)
        with pytest.raises(TransferError, match="given up after 5 tries: the server answers 503"):
            transfer.parts(remote, spans, part, progress.append)
        come = part.stat().st_size
        assert come > 0
        progress.clear()
        transfer.parts(remote, spans, part, progress.append)
    assert progress[0] == come
    assert sum(progress) == 50_010
    assert part.read_bytes() == b"".join(BODY[a : a + n] for a, n in spans)


def test_of_a_file_that_changed_meanwhile_nothing_is_joined(
    tmp_path: Path, transfer: Patient
) -> None:
    with answering(lambda ask: ranged(ask, tag='"two"')) as address:
        old = Remote(address, len(BODY), '"one"')
        with pytest.raises(TransferError, match="has changed"):
            transfer.part(old, (0, 100))
        part = tmp_path / "part"
        with answering(lambda ask: ranged(ask, cut=5_000)) as other, pytest.raises(TransferError):
            transfer.parts(Remote(other, len(BODY), '"none"'), [(0, 10)], part, nothing)
        transfer.whole(address, part, 200_000)
    assert part.read_bytes() == BODY


def test_a_file_of_another_version_is_fetched_from_its_beginning(
    tmp_path: Path, transfer: Patient
) -> None:
    count = 0

    def answer(ask: BaseHTTPRequestHandler) -> None:
        nonlocal count
        count += 1
        if count == 1:
            ranged(ask, b"x" * 100_000, '"one"', cut=40_000)
        else:
            ranged(ask, BODY, '"two"')

    with answering(answer) as address:
        transfer.whole(address, tmp_path / "part", 200_000)
    assert (tmp_path / "part").read_bytes() == BODY


def lies_about_the_range(ask: BaseHTTPRequestHandler) -> None:
    ranged(ask, shift=1)


def sends_all(ask: BaseHTTPRequestHandler) -> None:
    send(ask, 200, BODY)


def sends_a_page(ask: BaseHTTPRequestHandler) -> None:
    send(ask, 200, HTML, content_type="text/html")


def refuses(ask: BaseHTTPRequestHandler) -> None:
    send(ask, 403, HTML)


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (lies_about_the_range, "bytes 0 to 99 expected, bytes 1-100/100000 came"),
        (sends_all, "a server that sends parts of a file expected"),
        (sends_a_page, "a server that sends parts of a file expected"),
        (refuses, "the server answers 403"),
    ],
)
def test_a_server_that_lies_or_refuses_is_named(
    answer: Answer, words: str, transfer: Patient
) -> None:
    with answering(answer) as address, pytest.raises(TransferError, match=words):
        transfer.part(Remote(address, len(BODY), '"one"'), (0, 100))


def test_a_server_that_stalls_is_given_up(tmp_path: Path) -> None:
    ended = threading.Event()

    def answer(ask: BaseHTTPRequestHandler) -> None:
        ask.send_response(200)
        ask.send_header("Content-Length", "1000")
        ask.end_headers()
        ask.wfile.write(b"x" * 10)
        ask.wfile.flush()
        ended.wait(30)

    with Patient(timeout_s=0.1) as transfer, answering(answer) as address:
        with pytest.raises(TransferError, match="given up after 5 tries"):
            transfer.whole(address, tmp_path / "part", 2_000)
        ended.set()
    assert transfer.waits == [1.0, 2.0, 4.0, 8.0]  # longer and longer


def test_it_waits_as_long_as_the_server_asks(tmp_path: Path, transfer: Patient) -> None:
    count = 0

    def answer(ask: BaseHTTPRequestHandler) -> None:
        nonlocal count
        count += 1
        if count == 1:
            send(ask, 429, b"", retry_after="17")
        else:
            ranged(ask)

    with answering(answer) as address:
        transfer.whole(address, tmp_path / "part", 200_000)
    assert transfer.waits == [17.0]


def test_what_is_not_there_and_what_never_ends(tmp_path: Path, transfer: Patient) -> None:
    with answering(lambda ask: send(ask, 404, HTML)) as address, pytest.raises(NotThere):
        transfer.whole(address, tmp_path / "part", 100)
    with (
        answering(ranged) as address,
        pytest.raises(TransferError, match="more than 50,000 bytes"),
    ):
        transfer.whole(address, tmp_path / "other", 50_000)


def test_nobody_listens(tmp_path: Path, transfer: Patient) -> None:
    with answering(refuses) as address:
        pass
    with pytest.raises(TransferError, match="given up after 5 tries"):
        transfer.whole(address, tmp_path / "part", 100)


def test_a_full_disk_is_told_and_what_came_is_gone_on_with(
    tmp_path: Path, transfer: Patient
) -> None:
    body = bytes(2_000_000)
    asked: list[str | None] = []

    def answer(ask: BaseHTTPRequestHandler) -> None:
        asked.append(ask.headers.get("Range"))
        ranged(ask, body)

    with small_disk_at(tmp_path / "disk", 1_000) as disk, answering(answer) as address:
        ballast = disk / "ballast"
        ballast.write_bytes(bytes(600_000))
        part = disk / "part"
        with pytest.raises(NoRoom, match="the disk is full"):
            transfer.whole(address, part, 3_000_000)
        come = part.stat().st_size
        assert come > 0
        ballast.unlink()
        with pytest.raises(NoRoom, match="the disk is full"):
            transfer.whole(address, part, 3_000_000)
        assert part.stat().st_size > come
    assert asked == [None, f"bytes={come}-"]


def test_a_real_server_of_parts(tmp_path: Path, transfer: Patient) -> None:
    root = tmp_path / "root"
    root.mkdir()
    (root / "file").write_bytes(BODY)
    spans = [(0, 10), (40_000, 50_000)]
    come: list[int] = []
    progress: Progress = come.append
    with nginx_over(root, tmp_path) as address:
        remote = transfer.look(f"{address}/file")
        assert remote.length == len(BODY)
        assert transfer.size(f"{address}/file") == len(BODY)
        assert transfer.part(remote, (5, 100)) == BODY[5:105]
        transfer.parts(remote, spans, tmp_path / "part", progress)
        transfer.whole(f"{address}/file", tmp_path / "whole", 200_000, progress)
        with pytest.raises(NotThere):
            transfer.look(f"{address}/none")
    assert (tmp_path / "part").read_bytes() == BODY[:10] + BODY[40_000:90_000]
    assert (tmp_path / "whole").read_bytes() == BODY
    assert sum(come) == 50_010 + len(BODY)
