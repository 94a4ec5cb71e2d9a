"""Who is let in: hostile names, origins, bodies, addresses, floods; and what every answer forbids."""

from __future__ import annotations

import asyncio
import json
import re
import socket
import stat
import time

import httpx
import pytest

from acquire.page.heads import host_of
from acquire.page.rates import Rates
from acquire.page.tokens import Tokens

BEYOND = {"host": "0.0.0.0"}


@pytest.fixture
def raw(house):
    """Send bytes as they are; give all that comes back."""

    def send(data: bytes, *, wait_s: float = 5.0) -> bytes:
        with socket.create_connection(("127.0.0.1", house.outlet.port), timeout=wait_s) as line:
            line.sendall(data)
            got = b""
            try:
                while piece := line.recv(65536):
                    got += piece
                    if b"\r\n\r\n" in got and b"content-length: 0" in got.lower():
                        break
            except (TimeoutError, ConnectionError):
                pass
            return got

    return lambda data, **more: asyncio.to_thread(send, data, **more)


@pytest.mark.parametrize(
    "host",
    ["evil.example", "localhost.evil.example", "127.0.0.1.evil.example", "evil.example:8480"],
)
async def test_a_name_that_leads_here_from_elsewhere_is_refused(house, host):
    # DNS rebinding: RFC 9110 section 15.5.20 has 421 for it.
    answer = await house.client.get("/api/1/now", headers={"host": host})
    assert answer.status_code == 421
    assert "kitchen" not in answer.text


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1:1", "[::1]:8480", "192.0.2.7"])
async def test_addresses_and_own_names_are_let_in(house, host):
    assert (await house.client.get("/api/1/now", headers={"host": host})).status_code == 200


@pytest.mark.parametrize("host", ["", "a b", "[::1", "x:y", "x:1:2", "[::1]x"])
def test_what_is_no_host_has_no_name(host):
    assert host_of(host) in {"", "a b"}


async def test_requests_without_or_with_two_hosts_are_refused(raw):
    end = b"Connection: close\r\n\r\n"
    for head in (b"", b"Host: localhost\r\nHost: evil.example\r\n"):
        assert b" 400 " in (await raw(b"GET /api/1/now HTTP/1.1\r\n" + head + end))[:20]


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "https://evil.example"},
        {"origin": "null"},
        {"origin": "http://localhost.evil.example"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"},
    ],
)
async def test_pages_of_other_sites_can_neither_order_nor_read(house, headers):
    said = {"order": "skip"}
    assert (await house.client.post("/api/1/orders", json=said, headers=headers)).status_code == 403
    assert (await house.client.get("/api/1/now", headers=headers)).status_code == 403
    assert (await house.client.get("/api/1/stream", headers=headers)).status_code == 403


async def test_a_link_from_elsewhere_may_lead_to_the_page(house):
    headers = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"}
    assert (await house.client.get("/", headers=headers)).status_code == 200


async def test_forms_of_other_sites_cannot_order(house):
    for kind in ("application/x-www-form-urlencoded", "text/plain", "multipart/form-data", ""):
        answer = await house.client.post(
            "/api/1/orders", content=b'{"order": "skip"}', headers={"content-type": kind}
        )
        assert answer.status_code == 415


async def test_no_answer_lets_another_site_read(house):
    for path in ("/", "/api/1/now", "/api/1/nothing", "/static/nothing"):
        answer = await house.client.get(path, headers={"origin": house.outlet.url.rstrip("/")})
        assert not [name for name in answer.headers if name.startswith("access-control")]
        policy = answer.headers["content-security-policy"]
        assert "unsafe" not in policy
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "no-referrer"


@pytest.mark.parametrize(
    "path",
    [
        "/static/../guard.py",
        "/static/%2e%2e/guard.py",
        "/static/..%2fguard.py",
        "/static//etc/passwd",
        "/static/%00",
        "/static/css/../../../errors.py",
        "/../../etc/passwd",
        "/static/index.html%00.js",
        "//evil.example/",
    ],
)
async def test_no_path_leads_out_of_the_pages_own_files(raw, path):
    got = await raw(f"GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n".encode())
    assert re.match(rb"HTTP/1.1 (400|404) ", got), got[:200]
    assert b"import" not in got
    assert b"root:" not in got


@pytest.mark.parametrize(
    "body",
    [
        b"[" * 50_000,
        b"{" + b'"a":' * 10_000,
        b"\xff\xfe",
        b'{"order": NaN}',
        b"[]",
        b'"text"',
        b'{"order": 7}',
        b'{"order": null}',
        b'{"order": ["water"]}',
        b'{"order": "' + b"x" * 60_000 + b'"}',
        b'{"order": "no such"}',
        b'{"order": "water", "meter": "kitchen", "text": "' + b"x" * 10_000 + b'"}',
        b'{"order": "water", "meter": "\\u0000", "text": "x"}',
        b"",
    ],
)
async def test_a_body_that_is_none_is_refused_in_words(house, body):
    answer = await house.client.post(
        "/api/1/orders", content=body, headers={"content-type": "application/json"}
    )
    assert answer.status_code in {400, 409}
    assert answer.json()["error"]


async def test_a_body_that_is_too_long_is_refused_before_it_is_read(house, raw):
    answer = await house.client.post("/api/1/orders", json={"order": "x" * 100_000})
    assert answer.status_code == 413
    head = b"POST /api/1/orders HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n"
    got = await raw(head + b"Content-Length: 99999999999\r\n\r\n{")
    assert b" 413 " in got[:20]
    chunk = b"10000\r\n" + b"x" * 0x10000 + b"\r\n"
    got = await raw(head + b"Transfer-Encoding: chunked\r\n\r\n" + chunk + chunk + b"0\r\n\r\n")
    assert b" 413 " in got[:20]


async def test_long_addresses_and_unknown_methods_are_refused(house, raw):
    assert (await house.client.get(f"/api/1/captures/{'x' * 2000}")).status_code == 414
    assert (
        await house.client.get("/api/1/captures", params={"water": "x" * 5000})
    ).status_code == 414
    assert (await house.client.request("DELETE", "/api/1/captures")).status_code == 405
    assert (await house.client.request("OPTIONS", "/api/1/orders")).status_code == 405
    got = await raw(b"GET / HTTP/1.1\r\nHost: localhost\r\nX: " + b"x" * 2_000_000 + b"\r\n\r\n")
    assert not got or b" 400 " in got[:20]  # cut, or told so first
    assert (await house.client.get("/api/1/now")).status_code == 200


async def test_heads_that_never_end_do_not_keep_a_connection(house, monkeypatch):
    from acquire.page import server

    monkeypatch.setattr(server, "HEAD_S", 0.2)

    def dribble():
        with socket.create_connection(("127.0.0.1", house.outlet.port), timeout=5) as line:
            begun = time.monotonic()
            try:
                while time.monotonic() - begun < 5:
                    line.sendall(b"X")
                    time.sleep(0.02)
            except OSError:
                pass
            return time.monotonic() - begun

    assert await asyncio.to_thread(dribble) < 2


async def test_hostile_names_come_back_as_they_are_in_json_only(house):
    name = '<img src=x onerror=alert(1)> \u202e"</script> =1+1'
    await asyncio.sleep(0)
    async with asyncio.timeout(10):
        while not (await house.get("/api/1/meters"))["meters"][0]["latest"]:  # noqa: ASYNC110
            await asyncio.sleep(0.02)
    done = await house.post("/api/1/orders", order="water", text=name)
    assert done["ok"] is True
    answer = await house.client.get("/api/1/events", params={"kind": "order"})
    assert answer.headers["content-type"] == "application/json"
    assert answer.content.isascii()
    assert name in answer.json()["events"][0]["text"]


async def test_control_characters_in_names_are_gone(house):
    async with asyncio.timeout(10):
        while not (await house.get("/api/1/meters"))["meters"][0]["latest"]:  # noqa: ASYNC110
            await asyncio.sleep(0.02)
    done = await house.post("/api/1/orders", order="water", text="a\u0007\u001b[2J\r\nb\u009b")
    assert not re.search(r"[\x00-\x1f\x7f-\x9f]", done["done"])


def test_a_bucket_empties_and_fills_again():
    now = 0.0
    rates = Rates(2.0, 4.0, lambda: now)
    assert [rates.takes("a") for _ in range(6)] == [True] * 4 + [False] * 2
    assert rates.takes("b")
    now = 1.0
    assert [rates.takes("a") for _ in range(3)] == [True, True, False]
    for n in range(5000):
        rates.takes(str(n))
    assert len(rates._left) <= 1024


async def test_a_flood_is_held_off_and_costs_no_reading(build):
    house = await build(page={"rate_per_s": 5.0})
    codes = [(await house.client.get("/api/1/now")).status_code for _ in range(60)]
    assert set(codes) == {200, 429}
    assert codes[:20] == [200] * 20
    assert house.task.done() is False


async def test_orders_are_held_off_sooner(house):
    codes = [
        (await house.client.post("/api/1/orders", json={"order": "no"})).status_code
        for _ in range(40)
    ]
    assert set(codes) == {400, 429}


# -- tokens --------------------------------------------------------------------------------


async def test_beyond_this_machine_nobody_comes_without_a_token(build):
    house = await build(page=BEYOND)
    for path in ("/api/1/now", "/api/1/stream", "/api/1/readings.csv", "/api/1/openapi.json"):
        answer = await house.client.get(path)
        assert answer.status_code == 401
        assert "kitchen" not in answer.text
    assert (await house.client.post("/api/1/orders", json={"order": "skip"})).status_code == 401
    visit = await house.client.get("/")
    assert (visit.status_code, visit.headers["location"]) == (303, "/enter")
    assert (await house.client.get("/enter")).status_code == 200
    for wrong in ("Bearer", "Bearer x", "Bearer \xff\xfe", "Basic eDp5", "Bearer " + "x" * 5000):
        headers = {"authorization": wrong.encode("latin-1")}
        assert (await house.client.get("/api/1/now", headers=headers)).status_code == 401


async def test_a_token_lets_in_by_header_and_by_cookie_until_it_is_dismissed(build):
    house = await build(page=BEYOND, alive_s=0.05)
    guests = Tokens(house.store.with_name("water.db.guests"))
    token = guests.invite("phone", "2026-03-01T00:00:00.000Z")
    held = guests.file.read_text("utf-8")
    assert token not in held
    assert stat.S_IMODE(guests.file.stat().st_mode) == 0o600
    bearer = {"authorization": f"Bearer {token}"}
    assert (await house.client.get("/api/1/now", headers=bearer)).status_code == 200
    assert (await house.client.post("/api/1/enter", json={"token": "x"})).status_code == 401
    entered = await house.client.post("/api/1/enter", json={"token": token})
    assert entered.status_code == 200
    cookie = entered.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert (await house.client.get("/api/1/now")).status_code == 200  # by the cookie
    async with asyncio.timeout(10), house.client.stream("GET", "/api/1/stream") as got:
        lines = got.aiter_lines()
        await anext(lines)
        guests.dismiss("phone")
        async for _ in lines:  # ends: who was dismissed hears no more
            pass
    assert (await house.client.get("/api/1/now")).status_code == 401
    assert (await house.client.get("/api/1/now", headers=bearer)).status_code == 401


async def test_tokens_cannot_be_guessed_in_a_hurry(build):
    house = await build(page=BEYOND)
    codes = [
        (await house.client.post("/api/1/enter", json={"token": str(n)})).status_code
        for n in range(12)
    ]
    assert codes[:5] == [401] * 5
    assert codes[5:] == [429] * 7


async def test_other_commands_of_this_user_are_told_where_the_page_is(build):
    house = await build(page=BEYOND)
    plate = house.store.with_name("water.db.page")
    assert stat.S_IMODE(plate.stat().st_mode) == 0o600
    said = json.loads(plate.read_text("utf-8"))
    async with httpx.AsyncClient(base_url=said["url"], trust_env=False) as client:
        bearer = {"authorization": f"Bearer {said['token']}"}
        assert (await client.get("/api/1/now", headers=bearer)).status_code == 200
    await house.stop()
    assert not plate.exists()


def test_a_spoilt_file_of_guests_lets_nobody_in(tmp_path):
    tokens = Tokens(tmp_path / "guests")
    token = tokens.invite("phone", "")
    assert tokens.knows(token)
    for text in ("", "[]", "{", '{"guests": [{}]}', "[" * 100_000, '{"guests": 7}'):
        tokens.file.write_text(text)
        assert not tokens.knows(token)
