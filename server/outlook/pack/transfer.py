"""Files and parts of files over HTTP: politely, going on where a transfer broke, trusting no answer.

Ranges and validators as in RFC 9110 (8.8 validators, 13.1.5 If-Range, 14 ranges, 10.2.3 Retry-After).
"""

from __future__ import annotations

import contextlib
import hashlib
import re
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Self, TypeVar

import httpx

from server.outlook.pack.part_file import PartFile, part_file

AGENT = "Leeward/2 (amateur balloon crew, packing maps and winds for one flight)"
TRIES = 5  # in a row without one new byte
LONGEST_WAIT_S = 60.0
TIMEOUT_S = 30.0  # without a byte
_AGAIN = (408, 425, 429, 500, 502, 503, 504)
_RANGE = re.compile(r"bytes (\d{1,18})-(\d{1,18})/(\d{1,18})")

Span = tuple[int, int]  # offset and length in bytes
Progress = Callable[[int], None]
Got = TypeVar("Got")


class TransferError(ValueError):
    """What was asked for did not come; the message says what was expected and what came."""


class NotThere(TransferError):
    """The server has no such file (404, 410)."""


class _Broken(Exception):
    def __init__(self, why: str, wait_s: float = 0.0) -> None:
        super().__init__(why)
        self.wait_s = wait_s


@dataclass(frozen=True)
class Remote:
    """A file on a server: its length in bytes, and what tells this version of it from another."""

    url: str
    length: int
    version: str


class Transfer:
    """One connection, one request at a time. `wait` is how it waits between two tries."""

    def __init__(
        self,
        timeout_s: float = TIMEOUT_S,
        wait: Callable[[float], None] = time.sleep,
        tries: int = TRIES,
    ) -> None:
        self._http = httpx.Client(
            timeout=timeout_s,
            limits=httpx.Limits(max_connections=1),
            headers={"User-Agent": AGENT, "Accept-Encoding": "identity"},
            follow_redirects=True,
        )
        self._wait, self._tries = wait, tries

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._http.close()

    def look(self, url: str) -> Remote:
        """Length and version of a file that is served in parts. TransferError where it is not."""

        def attempt() -> Remote:
            with self._asked(url, {"Range": "bytes=0-0"}) as answer:
                return _remote(url, answer)

        return self._until(url, attempt, lambda: 0)

    def size(self, url: str) -> int | None:
        """Bytes of a whole file, where the server tells it."""

        def attempt() -> tuple[int | None]:
            with _told(url):
                answer = self._http.head(url)
            _judge(url, answer)
            length = answer.headers.get("content-length", "")
            return (int(length) if length.isdigit() else None,)

        return self._until(url, attempt, lambda: 0)[0]

    def part(self, remote: Remote, span: Span) -> bytes:
        """Some bytes of a file, of the version that was looked at."""
        got = bytearray()

        def attempt() -> bytes | None:
            for piece in self._pieces(remote, (span[0] + len(got), span[1] - len(got))):
                got.extend(piece)
            return bytes(got) if len(got) == span[1] else None

        return self._until(remote.url, attempt, lambda: len(got))

    def parts(
        self, remote: Remote, spans: Sequence[Span], beside: Path, progress: Progress
    ) -> None:
        """Spans of a file, one behind the other, into `beside`; what lies there of them is kept."""
        total = sum(length for _, length in spans)
        named = hashlib.sha256(repr((remote, list(spans))).encode()).hexdigest()
        with part_file(beside, named) as part:
            progress(part.done)

            def attempt() -> bool | None:
                while part.done < total:
                    span = _rest(spans, part.done)
                    end = part.done + span[1]
                    for piece in self._pieces(remote, span):
                        part.add(piece)
                        progress(len(piece))
                    if part.done < end:
                        return None
                return True

            self._until(remote.url, attempt, lambda: part.done)

    def whole(
        self, url: str, beside: Path, most_bytes: int, progress: Progress = lambda _: None
    ) -> None:
        """A file into `beside`; gone on with where the server still has the same version of it."""
        with part_file(beside, url) as part:
            most = part.done

            def attempt() -> bool | None:
                nonlocal most
                headers = {}
                if part.done and part.version:
                    headers = {"Range": f"bytes={part.done}-", "If-Range": part.version}
                with self._asked(url, headers) as answer:
                    if answer.status_code == httpx.codes.REQUESTED_RANGE_NOT_SATISFIABLE:
                        part.empty()
                        return None
                    _judge(url, answer)
                    total = _continued(url, answer, part)
                    for piece in answer.iter_raw():
                        if part.done + len(piece) > most_bytes:
                            raise TransferError(f"{url}: more than {most_bytes:,} bytes come")
                        part.add(piece)
                        progress(len(piece))
                    most = max(most, part.done)
                return True if total in (None, part.done) else None

            self._until(url, attempt, lambda: most)

    def _until(self, url: str, attempt: Callable[[], Got | None], come: Callable[[], int]) -> Got:
        """Try until there is a result; TransferError after `tries` in a row without a new byte."""
        failed = 0
        while True:
            before, wait_s = come(), 0.0
            try:
                got = attempt()
                if got is not None:
                    return got
                why = "the connection ended before all had come"
            except _Broken as error:
                why, wait_s = str(error), error.wait_s
            failed = failed + 1 if come() <= before else 1
            if failed >= self._tries:
                raise TransferError(f"{url}: given up after {failed} tries: {why}")
            self._wait(min(max(wait_s, 2.0 ** (failed - 1)), LONGEST_WAIT_S))

    def _pieces(self, remote: Remote, span: Span) -> Iterator[bytes]:
        """What comes of a span, at most its length; less when the connection breaks."""
        first, last, left = span[0], span[0] + span[1] - 1, span[1]
        headers = {"Range": f"bytes={first}-{last}"}
        with self._asked(remote.url, headers) as answer:
            if _remote(remote.url, answer) != remote:
                raise TransferError(f"{remote.url}: the file has changed on the server meanwhile")
            if _content_range(remote.url, answer)[:2] != (first, last):
                raise TransferError(
                    f"{remote.url}: bytes {first} to {last} expected, "
                    f"{answer.headers['content-range']} came"
                )
            for piece in answer.iter_raw():
                yield piece[:left]
                left -= len(piece)
                if left <= 0:
                    return

    @contextlib.contextmanager
    def _asked(self, url: str, headers: dict[str, str]) -> Iterator[httpx.Response]:
        with _told(url), self._http.stream("GET", url, headers=headers) as answer:
            yield answer


def _rest(spans: Sequence[Span], done: int) -> Span:
    """What is missing of the span in which the next byte lies."""
    for offset, length in spans:
        if done < length:
            return offset + done, length - done
        done -= length
    raise IndexError("all spans are done")


@contextlib.contextmanager
def _told(url: str) -> Iterator[None]:
    try:
        yield
    except httpx.TransportError as error:
        raise _Broken(str(error) or type(error).__name__) from error
    except (httpx.InvalidURL, httpx.RequestError) as error:
        raise TransferError(f"{url}: {error}") from error


def _judge(url: str, answer: httpx.Response) -> None:
    code = answer.status_code
    if code in _AGAIN:
        later = answer.headers.get("retry-after", "")
        raise _Broken(f"the server answers {code}", float(later) if later.isdigit() else 0.0)
    if code in (httpx.codes.NOT_FOUND, httpx.codes.GONE):
        raise NotThere(f"{url}: the server has no such file ({code})")
    if code >= httpx.codes.BAD_REQUEST:
        raise TransferError(f"{url}: the server answers {code}")


def _content_range(url: str, answer: httpx.Response) -> tuple[int, int, int]:
    """First byte, last byte, length of the whole."""
    match = _RANGE.fullmatch(answer.headers.get("content-range", ""))
    if answer.status_code != httpx.codes.PARTIAL_CONTENT or match is None:
        raise TransferError(f"{url}: a server that sends parts of a file expected")
    return int(match[1]), int(match[2]), int(match[3])


def _remote(url: str, answer: httpx.Response) -> Remote:
    _judge(url, answer)
    return Remote(url, _content_range(url, answer)[2], _version(answer))


def _version(answer: httpx.Response) -> str:
    """A strong validator; a weak one does not hold for parts."""
    tag = str(answer.headers.get("etag", ""))
    return tag if tag and not tag.startswith("W/") else str(answer.headers.get("last-modified", ""))


def _continued(url: str, answer: httpx.Response, part: PartFile) -> int | None:
    """Make the part fit what comes; the length of the whole, None where it is not told."""
    if answer.status_code == httpx.codes.PARTIAL_CONTENT:
        first, last, total = _content_range(url, answer)
        if first != part.done or last != total - 1:
            raise TransferError(f"{url}: bytes from {part.done} to the end expected, others came")
        return total
    part.empty(_version(answer))
    length = answer.headers.get("content-length", "")
    return int(length) if length.isdigit() else None
