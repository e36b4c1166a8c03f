"""The station's own certificate: good for its names, for a while, and for nothing else."""

from __future__ import annotations

import asyncio
import datetime
import ssl
from collections.abc import Callable
from pathlib import Path

import httpx
import pytest
from cryptography import x509

from server.screen.app import create_app
from server.screen.certificate import (
    VALID_DAYS,
    Certificate,
    CertificateError,
    own_addresses,
    own_certificate,
    own_names,
)
from server.screen.serve import uvicorn_server
from tests.screen.demo_feed import DemoFeed
from tests.screen.serving import free_socket, until

NOW = datetime.datetime(2026, 6, 6, 13, 0, tzinfo=datetime.UTC)


def made(folder: Path, *more: str, now: datetime.datetime = NOW) -> Certificate:
    return own_certificate(folder / "tern.toml", own_names() | set(more), now)


def held(certificate: Certificate) -> x509.Certificate:
    return x509.load_pem_x509_certificate(certificate.certificate.read_bytes())


async def test_who_trusts_it_is_let_in_by_each_name(tmp_path: Path) -> None:
    certificate = made(tmp_path, now=datetime.datetime.now(datetime.UTC))
    trust = ssl.create_default_context(cafile=str(certificate.certificate))
    with free_socket() as listener:
        server = uvicorn_server(create_app(DemoFeed()), "127.0.0.1", 0, certificate)
        running = asyncio.create_task(server.serve(sockets=[listener]))
        await until(lambda: server.started)
        port = listener.getsockname()[1]
        async with httpx.AsyncClient(verify=trust) as client:
            for name in ("127.0.0.1", "localhost"):
                assert (await client.get(f"https://{name}:{port}/healthz")).status_code == 200
        for name in (*own_addresses(), *own_names()):  # by name, whatever leads there
            _, writer = await asyncio.open_connection(
                "127.0.0.1", port, ssl=trust, server_hostname=name
            )
            writer.transport.abort()
        with pytest.raises(ssl.SSLCertVerificationError):
            await asyncio.open_connection(
                "127.0.0.1", port, ssl=trust, server_hostname="bank.example"
            )
        server.should_exit = True
        await running


def test_it_vouches_for_nobody_else(tmp_path: Path) -> None:
    """RFC 5280, 4.2.1.9: a phone that was made to trust it trusts this station alone."""
    found = held(made(tmp_path))
    assert found.extensions.get_extension_for_class(x509.BasicConstraints).value.ca is False
    assert found.not_valid_after_utc - found.not_valid_before_utc <= datetime.timedelta(VALID_DAYS)


def test_the_key_is_for_this_user_alone(tmp_path: Path) -> None:
    assert made(tmp_path).key.stat().st_mode & 0o077 == 0


def test_it_is_kept_until_it_no_longer_fits(tmp_path: Path) -> None:
    first = made(tmp_path)
    assert made(tmp_path) == first
    assert made(tmp_path, now=NOW + datetime.timedelta(days=300)) == first
    renewed = made(tmp_path, now=NOW + datetime.timedelta(days=380))
    assert renewed.fingerprint != first.fingerprint
    named = made(tmp_path, "chase.example", now=NOW + datetime.timedelta(days=380))
    assert named.fingerprint != renewed.fingerprint
    assert x509.DNSName("chase.example") in set(
        held(named).extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    )


@pytest.mark.parametrize(
    "spoil",
    [
        lambda one: one.key.write_bytes(b""),
        lambda one: one.key.unlink(),
        lambda one: one.certificate.write_bytes(one.certificate.read_bytes()[:100]),
        lambda one: one.key.write_bytes(made(one.key.parents[1]).key.read_bytes()),
    ],
)
def test_half_a_pair_is_made_anew(tmp_path: Path, spoil: Callable[[Certificate], object]) -> None:
    (tmp_path / "plan").mkdir()
    first = made(tmp_path / "plan")
    spoil(first)
    again = made(tmp_path / "plan")
    assert again.fingerprint != first.fingerprint
    ssl.create_default_context().load_cert_chain(again.certificate, again.key)


def test_where_nothing_can_be_written_it_says_so(tmp_path: Path) -> None:
    with pytest.raises(CertificateError, match="certificate"):
        made(tmp_path / "no-such-folder")
