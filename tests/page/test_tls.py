"""The page over TLS: with a certificate of its own, to a browser and to other commands."""

from __future__ import annotations

import asyncio
import ipaddress
import ssl
from datetime import UTC, datetime, timedelta

import httpx
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from acquire.cli.running import running
from acquire.errors import ConfigError
from acquire.outward import PageConfig
from acquire.page.server import make_server
from acquire.page.tokens import Tokens


@pytest.fixture
def signed(tmp_path):
    """A certificate signed by itself for 127.0.0.1 (RFC 5280), and its key."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "ouzel")])
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(
            x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]),
            critical=False,
        )
        .sign(key, hashes.SHA256())
    )
    cert_file, key_file = tmp_path / "ouzel.pem", tmp_path / "ouzel.key"
    cert_file.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    key_file.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    return {"cert_file": cert_file, "key_file": key_file}


async def test_the_page_is_served_by_tls_and_its_cookie_goes_no_other_way(build, signed):
    house = await build(page={"host": "0.0.0.0", **signed})
    assert house.outlet.url.startswith("https://127.0.0.1:")
    token = Tokens(house.store.with_name("water.db.guests")).invite("phone", "")
    trust = ssl.create_default_context(cafile=str(signed["cert_file"]))
    async with httpx.AsyncClient(
        base_url=house.outlet.url, verify=trust, trust_env=False, timeout=20
    ) as client:
        assert (await client.get("/api/1/now")).status_code == 401
        entered = await client.post("/api/1/enter", json={"token": token})
        assert "secure" in entered.headers["set-cookie"].lower()
        assert (await client.get("/api/1/now")).status_code == 200
        async with asyncio.timeout(10), client.stream("GET", "/api/1/stream") as got:
            assert await anext(got.aiter_lines())
    plain = house.outlet.url.replace("https", "http")
    async with httpx.AsyncClient(trust_env=False, timeout=5) as client:
        with pytest.raises(httpx.TransportError):
            await client.get(f"{plain}api/1/now")
    found = await asyncio.to_thread(running, house.store)
    assert found is not None
    assert (await asyncio.to_thread(found.now))["is"] == "now"
    assert await house.stop() < 2.0


def test_a_certificate_that_is_none_is_told_of(tmp_path, signed):
    spoilt = tmp_path / "spoilt.pem"
    spoilt.write_text("no certificate")
    for files in ({**signed, "cert_file": spoilt}, {**signed, "key_file": tmp_path / "gone"}):
        with pytest.raises(ConfigError, match="certificate and key"):
            make_server(None, PageConfig(**files))
