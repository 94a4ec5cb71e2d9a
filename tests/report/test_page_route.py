"""The report as the page serves it: the same file, its own policy, the guard's other headers."""

from __future__ import annotations

from types import SimpleNamespace

import httpx
import pytest
from starlette.applications import Starlette

from acquire.outward import PageConfig
from acquire.page.answers import Refused
from acquire.page.app import _refused
from acquire.page.guard import Guard
from acquire.page.reader import Reader
from acquire.page.round_routes import routes
from acquire.report.html import policy


@pytest.fixture
async def client(filled, settings):
    reader = Reader(filled.path)
    page = SimpleNamespace(reader=reader, config=settings, now_ms=lambda: 1_795_200_000_000)
    faults = []
    app = Starlette(routes=routes(page), exception_handlers={Refused: _refused})
    guarded = Guard(app, PageConfig(), None, "", fault=faults.append)
    transport = httpx.ASGITransport(app=guarded, client=("127.0.0.1", 5))
    async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as asking:
        yield asking
    reader.close()
    assert faults == []


async def test_the_report_comes_with_a_policy_that_lets_its_own_style_in_and_nothing_else(client):
    answer = await client.get("/api/1/rounds/r1/report.html")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert answer.headers.get_list("content-security-policy") == [policy()]
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.text.startswith("<!DOCTYPE html>")
    assert answer.text.endswith("</html>\n")
    assert "kitchen &lt;tap&gt; &amp; jug" in answer.text


async def test_a_round_there_is_none_of_is_a_404(client):
    answer = await client.get("/api/1/rounds/zzz/report.html")
    assert (answer.status_code, answer.json()) == (404, {"error": "no such round"})
