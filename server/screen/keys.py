"""Keys of those who look on: who may watch, who is crew, and how a browser shows which it is.

A key reaches a browser behind the # of a link, which no server, proxy or log sees; the page posts it once
and gets a cookie that is made from the key, but is not the key.
"""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import ipaddress
import json
import os
import secrets
from dataclasses import dataclass
from pathlib import Path
from typing import Literal
from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.requests import cookie_parser
from starlette.types import Scope

Role = Literal["watch", "crew"]

COOKIE = "leeward"
COOKIE_AGE_S = 30 * 86_400
_BYTES = 18  # 144 bits: nobody finds it by trying
_FORWARDED = (
    "x-forwarded-for",
    "x-forwarded-host",
    "x-forwarded-proto",
    "x-real-ip",
    "forwarded",
    "via",
)


class KeysError(Exception):
    """The file of the keys can be neither read nor written."""


class KeysNotKeptError(KeysError):
    """They were made, and no next start will know them."""

    def __init__(self, words: str, keys: Keys) -> None:
        super().__init__(words)
        self.keys = keys


@dataclass(frozen=True, slots=True)
class Keys:
    """Different for each role; beacons have tokens of their own, in the plan."""

    watch: str
    crew: str

    def role_of(self, key: str) -> Role | None:
        """Both are compared, in constant time."""
        return self._matching(key, self.watch, self.crew)

    def cookie(self, role: Role) -> str:
        return _ticket(self.crew if role == "crew" else self.watch)

    def owner(self, role: Role) -> str:
        """What a device writes beside all that it keeps: other for each role, other with new keys.

        It opens nothing. A page that was opened with a key works it out likewise (`web/kept.js`).
        """
        key = self.crew if role == "crew" else self.watch
        return hmac.new(key.encode(), b"leeward: what a device keeps", hashlib.sha256).hexdigest()

    def role_of_cookie(self, cookie: str) -> Role | None:
        return self._matching(cookie, _ticket(self.watch), _ticket(self.crew))

    @staticmethod
    def _matching(given: str, watch: str, crew: str) -> Role | None:
        said = given.encode("utf-8", "surrogateescape")
        may_watch = hmac.compare_digest(said, watch.encode())
        is_crew = hmac.compare_digest(said, crew.encode())
        return "crew" if is_crew else "watch" if may_watch else None


def _ticket(key: str) -> str:
    return hmac.new(key.encode(), b"leeward cookie 1", hashlib.sha256).hexdigest()


def keys_beside(plan: Path, watch: str | None, crew: str | None) -> Keys:
    """The plan's own keys, and for those that it does not give the ones kept beside it, made at first.

    KeysNotKeptError when they cannot be written, KeysError when they cannot be read.
    """
    if watch is not None and crew is not None:
        return Keys(watch, crew)
    path = plan.with_suffix(".keys.json")
    kept: dict[str, str] = {}
    try:
        read = json.loads(path.read_text(encoding="utf-8"))
        kept = {role: str(read[role]) for role in ("watch", "crew")}
        if not all(len(key) >= 16 for key in kept.values()) or len(set(kept.values())) < 2:
            raise ValueError("two different keys of 16 characters and more expected")
    except FileNotFoundError:
        kept = {role: secrets.token_urlsafe(_BYTES) for role in ("watch", "crew")}
        try:
            descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(descriptor, "w", encoding="utf-8") as file:
                json.dump(kept, file, indent=2)
        except FileExistsError as error:
            raise KeysError(f"{path}: cannot be written: {error}") from error
        except OSError as error:
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)  # half of it would be refused by the next start
            made = Keys(watch or kept["watch"], crew or kept["crew"])
            raise KeysNotKeptError(f"{path}: cannot be written: {error}", made) from error
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise KeysError(f"{path}: {error}; mend it, or delete it and new keys are made") from error
    return Keys(watch or kept["watch"], crew or kept["crew"])


def role_in(scope: Scope, keys: Keys) -> Role | None:
    """By the cookie, or by `Authorization: Bearer KEY` (RFC 6750) for programs."""
    headers = Headers(scope=scope)
    scheme, _, given = headers.get("authorization", "").partition(" ")
    if scheme.lower() == "bearer":
        return keys.role_of(given.strip())
    cookie = cookie_parser(headers.get("cookie", "")).get(COOKIE)
    return None if cookie is None else keys.role_of_cookie(cookie)


def host_of(netloc: str) -> str:
    """The name or address in a Host header, without port and brackets, in lower case."""
    try:
        return (urlsplit(f"//{netloc}").hostname or "").rstrip(".")
    except ValueError:
        return ""


def is_this_machine(scope: Scope) -> bool:
    """Asked from this very machine, by its own name for itself, and not through a proxy or tunnel on it.

    A proxy adds headers, hands on the name that its reader typed, or speaks HTTP/1.0 (as nginx does,
    unless told otherwise); one that does none of the three is known by its process (`local_process`).
    """
    headers = Headers(scope=scope)
    if any(name in headers for name in _FORWARDED) or scope.get("http_version") == "1.0":
        return False
    return is_loopback((scope.get("client") or ("",))[0]) and is_loopback(
        host_of(headers.get("host", ""))
    )


def is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return False
    mapped = getattr(address, "ipv4_mapped", None)
    return (mapped or address).is_loopback
