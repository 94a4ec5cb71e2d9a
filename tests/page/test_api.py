"""Every route answers as docs/http.md and the OpenAPI document say, over a store with everything."""

from __future__ import annotations

import asyncio
import csv
import io
import re
from dataclasses import replace

import jsonschema
import pytest

from acquire.checks import Check
from acquire.page.static_files import FOLDER
from acquire.readings import Capture, CaptureState, Event, Reading, Role, SettledValue, Stamp
from acquire.store.records import Records
from acquire.store.writer import StoreWriter
from acquire.watch.draws import Draw
from acquire.watch.kept import Alert, KeptDraw

HOSTILE = '<img src=x onerror=alert(1)>\u202e "quoted" =1+1'
BEGAN = 1_772_357_281_000

CONFIG = """
[meters.strip]
driver = "by_hand"

[watch.sink]
product = "strip"
feed_us_cm = 480
least_rejection_percent = 85
"""


def capture(name, at_s=0, state=CaptureState.FINAL, water="kitchen tap", **more):
    begun = Stamp(BEGAN + at_s * 1000, at_s * 10**9)
    taken = Stamp(BEGAN + at_s * 1000 + 60_000, (at_s + 60) * 10**9)
    value = SettledValue(
        "conductivity",
        480.0,
        1.0,
        "settled",
        0.01,
        55.0,
        budget={"noise": 0.3, **({"odd": float("nan")} if name == "c000" else {})},
    )
    return Capture(
        name,
        "kitchen",
        state,
        begun,
        taken,
        {"conductivity": value},
        water,
        more.pop("role", Role.SUBJECT),
        **more,
    )


@pytest.fixture
async def filled(build, tmp_path, fake_clock):
    """A house whose store holds a past."""
    async with await StoreWriter.open(tmp_path / "water.db", clock=fake_clock) as writer:
        for s in range(120):
            stamp = Stamp(BEGAN + s * 1000, s * 10**9)
            await writer.add(Reading("kitchen", stamp, {"conductivity": 480 + 100 * 0.9**s}))
        for n in range(130):
            name = HOSTILE if n % 10 == 0 else "kitchen tap"
            await writer.keep(capture(f"c{n:03}", 3600 * (n // 2), water=name))  # two an instant
        await writer.keep(replace(capture("c000"), water="renamed"))
        stamp = Stamp(BEGAN + 61_000, 0)
        await writer.keep(Event("finding", stamp, "kitchen", "odd", {"capture": "c001", "x": 1.0}))
        for n in range(60):
            await writer.keep(Event("note", stamp, "", f"{n} {HOSTILE}", {"n": float("nan")}))
        await writer.keep(Alert("alert001", "sink", "exhausted", BEGAN, HOSTILE))
        draw = Draw(
            BEGAN, BEGAN + 60_000, 100.0, None, 40.0, 0.5, 20.0, 80.0, 42.0, 60, 0, 9, 0.01, 0.1
        )
        for n in range(5):
            one = replace(
                draw, started_ms=BEGAN + n * 86_400_000, ended_ms=BEGAN + n * 86_400_000 + 9
            )
            await writer.keep(KeptDraw("sink", one, 480.0, 5.0, BEGAN, 0.08, 0.01, -0.5))
    return await build(CONFIG, wait_s=5.0)


async def test_every_route_is_in_the_document_and_answers_as_it_says(filled):
    document = await filled.get("/api/1/openapi.json")
    assert document["openapi"].startswith("3.1")
    asked = {
        "/api/1/meters/{meter}": [("kitchen", "")],
        "/api/1/meters/{meter}/lines": [("kitchen", "")],
        "/api/1/captures/{capture}": [("c001", "")],
        "/api/1/captures/{capture}/curve": [("c000", "?points=50")],
        "/api/1/readings": [("", f"?meter=kitchen&since={BEGAN}&until={BEGAN + 10**6}")],
        "/api/1/watches/{watch}/chart": [
            ("sink", f"?what={what}&since={BEGAN - 1}&until={BEGAN + 10**9}")
            for what in ("rejection", "product", "feed", "peak", "conductivity")
        ],
        "/api/1/alerts": [("", ""), ("", "?all=1")],
        "/api/1/compare": [("", "?reference=c001&subject=c003")],
        "/api/1/history/{water}": [("kitchen tap", ""), ("kitchen tap", "?since=2026-01-01")],
    }
    held = 0
    for path, methods in document["paths"].items():
        operation = methods.get("get")
        if operation is None:
            continue
        (status, said), *_ = operation["responses"].items()
        ((kind, content),) = said["content"].items()
        for name, query in asked.get(path, [("", "")]):
            if path == "/api/1/stream":
                continue
            if path.startswith("/api/1/rounds/{round}"):
                continue  # tested where rounds are made
            url = path.replace("{" + path.partition("{")[2].partition("}")[0] + "}", name)
            answer = await filled.client.get(url + query)
            assert answer.status_code == int(status), (url, answer.text)
            assert answer.headers["content-type"].startswith(kind)
            if kind == "application/json":
                jsonschema.validate(
                    answer.json(),
                    {"$defs": {}, **content["schema"], "components": document["components"]},
                    cls=jsonschema.Draft202012Validator,
                )
                held += 1
    assert held >= 18
    live = {route.path.replace(":path}", "}") for route in _routes(filled)}
    assert live == set(document["paths"])
    for methods in document["paths"].values():
        for operation in methods.values():
            assert operation["summary"]


def _routes(house):
    from acquire.page.app import api_routes

    return api_routes(house.outlet.page)


async def test_what_the_stream_says_is_as_the_document_says(filled):
    document = await filled.get("/api/1/openapi.json")
    names = {"hello": "Now", "reading": "Reading", "status": "Status", "capture": "Capture"}
    names["event"] = "Event"
    seen = set()
    async with asyncio.timeout(30), filled.listen(after="0") as said:
        async for event, data, _ in said:
            if event in names:
                schema = {"$ref": f"#/components/schemas/{names[event]}"}
                jsonschema.validate(
                    data,
                    {**schema, "components": document["components"]},
                    cls=jsonschema.Draft202012Validator,
                )
                seen.add(event)
            if seen == set(names):
                break


async def test_captures_are_leafed_through_once_each(filled):
    for limit in (1, 7, 50, 500):
        seen, cursor = [], None
        while True:
            query = {
                "limit": limit,
                "until": BEGAN + 10**9,
                **({"cursor": cursor} if cursor else {}),
            }
            said = await filled.get("/api/1/captures", **query)
            seen += [one["id"] for one in said["captures"]]
            cursor = said["next"]
            if cursor is None or len(seen) > 140:
                break
            assert len(said["captures"]) == limit
            if limit == 1 and len(seen) > 10:
                break  # as it goes on
        with Records.open(filled.store) as records:
            kept = [one.id for one in records.captures(until_ms=BEGAN + 10**9)]
        assert seen == kept[: len(seen)]
        assert len(seen) == len(set(seen))
        if limit > 1:
            assert len(seen) == 130


async def test_captures_are_chosen_by_water_meter_and_state(filled):
    said = await filled.get("/api/1/captures", water=HOSTILE, limit=500)
    assert {one["water"] for one in said["captures"]} == {HOSTILE}
    assert len(said["captures"]) == 12
    assert (await filled.get("/api/1/captures", meter="nobody"))["captures"] == []
    assert (await filled.get("/api/1/captures", state="withdrawn"))["captures"] == []
    await filled.get("/api/1/captures", 400, state="no such")
    await filled.get("/api/1/captures", 400, cursor="rubbish")
    await filled.get("/api/1/captures", 400, limit="0")
    await filled.get("/api/1/captures", 400, since="yesterday")


async def test_one_capture_comes_with_all_it_was_and_what_was_found(filled):
    said = await filled.get("/api/1/captures/c000")
    assert said["capture"]["water"] == "renamed"
    assert [one["water"] for one in said["history"]] == [HOSTILE, "renamed"]
    assert said["capture"]["values"]["conductivity"]["budget"] == {"noise": 0.3, "odd": None}
    assert [one["text"] for one in (await filled.get("/api/1/captures/c001"))["findings"]] == [
        "odd"
    ]
    await filled.get("/api/1/captures/nothing", 404)


async def test_a_curve_shows_the_way_to_rest(filled):
    said = await filled.get("/api/1/captures/c000/curve", points=500)
    curve = said["quantities"]["conductivity"]
    assert len(curve["t_s"]) == 90  # to half a minute after the capture
    assert curve["mean"][0] == pytest.approx(580)
    assert curve["t_s"][-1] == pytest.approx(90, abs=1)
    assert said["taken_s"] == 60
    assert curve["high"] - curve["low"] == pytest.approx(2 * curve["tolerance"])
    coarse = await filled.get("/api/1/captures/c000/curve", points=10)
    assert len(coarse["quantities"]["conductivity"]["t_s"]) <= 10
    without = await filled.get("/api/1/captures/c100/curve")
    assert "no readings" in without["note"]
    await filled.get("/api/1/captures/nothing/curve", 404)


async def test_readings_are_drawn_in_no_more_points_than_asked(filled):
    query = {"meter": "kitchen", "since": BEGAN, "until": BEGAN + 120_000}
    said = await filled.get("/api/1/readings", **query, quantity="conductivity", points=10)
    (series,) = said["series"]
    assert 1 < len(series["t_ms"]) <= 10
    assert sum(series["n"]) == 120
    assert len({len(series[name]) for name in ("t_ms", "mean", "low", "high", "n")}) == 1
    empty = await filled.get("/api/1/readings", **query, quantity="no such")
    assert empty["series"][0]["t_ms"] == []
    await filled.get("/api/1/readings", 404, meter="nobody")
    await filled.get("/api/1/readings", 400)
    await filled.get("/api/1/readings", 400, meter="kitchen", since="-1h", until="-2h")
    await filled.get("/api/1/readings", 400, meter="kitchen", points="5")
    await filled.get(
        "/api/1/readings", 400, meter="kitchen", quantity=",".join("abcdefghijklmnopq")
    )


async def test_csv_is_what_the_export_writes(filled):
    query = {"since": "2026-03-01T00:00:00Z", "until": str(BEGAN + 120_000)}
    answer = await filled.client.get("/api/1/readings.csv", params=query)
    rows = list(csv.reader(io.StringIO(answer.text)))
    assert rows[0] == ["time", "meter", "quantity", "value", "unit", "flag"]
    assert len(rows) == 121
    captures = await filled.client.get("/api/1/captures.csv")
    assert "attachment" in captures.headers["content-disposition"]
    for row in csv.reader(io.StringIO(captures.text)):
        assert not any(cell.startswith(("=", "+", "@")) for cell in row)
    assert (
        len(list(csv.reader(io.StringIO((await filled.client.get("/api/1/events.csv")).text)))) > 60
    )


async def test_long_downloads_wait_for_the_reader_and_leave_no_thread(filled):
    import threading

    async with filled.client.stream("GET", "/api/1/events.csv") as got:
        async for _ in got.aiter_bytes():
            break
    async with asyncio.timeout(5):
        while any(t.name == "page download" for t in threading.enumerate()):  # noqa: ASYNC110
            await asyncio.sleep(0.02)


async def test_events_are_leafed_through_from_the_last_kept(filled):
    seen, cursor = [], None
    while len(seen) < 200:
        query = {"limit": 17, "kind": "note", **({"cursor": cursor} if cursor else {})}
        said = await filled.get("/api/1/events", **query)
        seen += [int(one["text"].split()[0]) for one in said["events"]]
        cursor = said["next"]
        if cursor is None:
            break
    assert seen == list(range(59, -1, -1))


async def test_waters_are_counted(filled):
    waters = {one["water"]: one for one in (await filled.get("/api/1/waters"))["waters"]}
    assert waters[HOSTILE]["captures"] == 12
    assert waters["kitchen tap"]["captures"] == 117
    assert waters["kitchen tap"]["role"] == "subject"


async def test_checks_and_a_meter_by_its_checks(filled):
    assert (await filled.get("/api/1/checks"))["checks"] == []
    said = await filled.get("/api/1/meters/kitchen")
    assert said["never_checked"] == ["conductivity"]
    await filled.get("/api/1/meters/nobody", 404)
    assert Check.__dataclass_fields__  # its JSON is that of `ouzel check`


async def test_raw_lines_are_given_from_where_one_stopped(filled):
    async with asyncio.timeout(10):
        while (said := await filled.get("/api/1/meters/kitchen/lines"))["last"] < 3:  # noqa: ASYNC110
            await asyncio.sleep(0.02)
    assert said["lines"][0]["text"].startswith("EC ")
    more = await filled.get("/api/1/meters/kitchen/lines", after=said["last"])
    assert all(one["n"] > said["last"] for one in more["lines"])


async def test_an_alert_is_acknowledged_and_a_part_changed(filled):
    (alert,) = (await filled.get("/api/1/alerts"))["alerts"]
    assert alert["text"] == HOSTILE
    assert alert["acknowledged"] is None
    await filled.post("/api/1/alerts/alert001/acknowledge")
    (alert,) = (await filled.get("/api/1/alerts"))["alerts"]
    assert alert["acknowledged"] is not None
    await filled.post("/api/1/alerts/alert001/acknowledge")  # again does no harm
    await filled.post("/api/1/alerts/nothing/acknowledge", 404)
    await filled.post("/api/1/watches/sink/changed", part="cartridge")
    assert (await filled.get("/api/1/alerts"))["alerts"] == []
    (one,) = (await filled.get("/api/1/alerts", all=1))["alerts"]
    assert one["cleared"] is not None
    await filled.post("/api/1/watches/sink/changed", 400, part="tap")
    await filled.post("/api/1/watches/nothing/changed", 404, part="cartridge")


async def test_a_watch_is_told_and_drawn(filled):
    (watch,) = (await filled.get("/api/1/watches"))["watches"]
    assert (watch["watch"], watch["product"]) == ("sink", "strip")
    assert watch["rejection_percent"] == pytest.approx(92.0)
    said = await filled.get(
        "/api/1/watches/sink/chart", since=str(BEGAN), until=str(BEGAN + 10 * 86_400_000)
    )
    assert said["mean"] == pytest.approx([92.0] * 5)
    few = await filled.get(
        "/api/1/watches/sink/chart", since=str(BEGAN), until=str(BEGAN + 10 * 86_400_000), points=10
    )
    assert sum(few["n"]) == 5
    await filled.get("/api/1/watches/sink/chart", 400, what="nothing")
    await filled.get("/api/1/watches/nothing/chart", 404)


async def test_typed_numbers_become_a_capture_everybody_hears_of(filled):
    meters = {one["meter"]: one for one in (await filled.get("/api/1/meters"))["meters"]}
    strip = meters["strip"]
    assert (strip["typed"], strip["state"]) == (True, "typed")
    assert "ph" in {field["quantity"] for field in strip["fields"]}
    async with asyncio.timeout(20), filled.listen(only="capture") as said:
        await anext(said)
        done = await filled.post(
            "/api/1/typed",
            201,
            meter="strip",
            water=HOSTILE,
            role="subject",
            still=True,
            values={"ph": "7,01", "conductivity": "0.512 mS", "orp": ""},
        )
        made = done["capture"]
        async for event, data, _ in said:
            if event == "capture" and data["id"] == made["id"]:
                assert data == made
                break
    assert made["state"] == "final"
    assert made["water"] == HOSTILE
    assert made["values"]["ph"]["value"] == 7.01
    assert made["values"]["conductivity"]["value"] == pytest.approx(512)
    assert made["values"]["ph"]["source"] == "typed"
    with Records.open(filled.store) as records:
        assert records.capture(made["id"]) is not None
    moving = await filled.post("/api/1/typed", 201, meter="strip", still=False, values={"ph": "7"})
    assert moving["capture"]["state"] == "unsettled"


async def test_typed_numbers_that_cannot_be_read_keep_nothing(filled):
    before = len((await filled.get("/api/1/captures", limit=500))["captures"])
    said = await filled.post(
        "/api/1/typed",
        400,
        meter="strip",
        still=True,
        values={"ph": "7.01", "temperature": "warm", "x": "1"},
    )
    assert set(said["fields"]) == {"temperature", "x"}
    for wrong in (
        {"meter": "kitchen", "still": True, "values": {}},
        {"meter": "nobody", "still": True, "values": {}},
        {"meter": "strip", "values": {"ph": "7"}},
        {"meter": "strip", "still": True, "values": {"ph": 7}},
        {"meter": "strip", "still": True, "values": {"ph": ""}},
        {"meter": "strip", "still": True, "values": []},
        {"meter": "strip", "still": True, "role": "king", "values": {"ph": "7"}},
    ):
        answer = await filled.client.post("/api/1/typed", json=wrong)
        assert answer.status_code in {400, 404, 409}, wrong
    assert len((await filled.get("/api/1/captures", limit=500))["captures"]) == before


async def test_orders_are_carried_out_or_refused_in_words(filled):
    async with asyncio.timeout(10):
        while not (await filled.get("/api/1/meters"))["meters"][1]["latest"]:  # noqa: ASYNC110
            await asyncio.sleep(0.02)
    assert "water" in (await filled.get("/api/1/now"))["orders"]
    done = await filled.post("/api/1/orders", order="water", meter="kitchen", text="my well")
    assert "my well" in done["done"]
    said = await filled.post("/api/1/orders", 409, order="water", meter="kitchen", text="")
    assert "name the water" in said["error"]
    assert "no meter" in (await filled.post("/api/1/orders", 409, order="skip", meter="x"))["error"]
    told = (await filled.get("/api/1/events", kind="order"))["events"]
    assert [one["data"]["ok"] for one in told] == ["False", "False", "True"]


async def test_particles_are_counted_and_what_cannot_be_is_refused(filled):
    said = {"water": HOSTILE, "fields": [3, 0, 2], "shapes": {"fibre": 4, "film": 1}, "bubbles": 2}
    made = (await filled.post("/api/1/counts", 201, **said, drop_ul=50, note="\x07x"))["count"]
    assert (made["total"], made["water"], made["note"]) == (5, HOSTILE, "x")
    (kept,) = (await filled.get("/api/1/counts"))["counts"]
    assert kept["id"] == made["id"]
    for wrong in (
        {"fields": []},
        {"fields": [-1]},
        {"fields": [1.5]},
        {"fields": [True]},
        {"fields": "3"},
        {"shapes": {"king": 1}},
        {"shapes": {"fibre": 9}},
        {"bubbles": -1},
        {"drop_ul": -1},
        {"drop_ul": "x"},
        {"role": "king"},
        {"water": " "},
    ):
        answer = await filled.client.post("/api/1/counts", json={**said, **wrong})
        assert answer.status_code == 400, wrong
    assert len((await filled.get("/api/1/counts"))["counts"]) == 1


async def test_waters_are_compared_and_plans_listed(filled):
    said = await filled.get("/api/1/compare", reference="c001", subject="c003")
    assert {row["quantity"] for row in said["rows"]} == {"conductivity"}
    await filled.get("/api/1/compare", 400, reference="nothing", subject="c003")
    await filled.get("/api/1/compare", 400, reference="c001")
    plans = (await filled.get("/api/1/plans"))["plans"]
    assert plans
    assert all(plan["stops"] for plan in plans)


async def test_the_page_itself_is_small_and_comes_from_here_alone(house):
    seen, todo, size = set(), ["/"], 0
    while todo:
        path = todo.pop()
        if path in seen:
            continue
        seen.add(path)
        async with house.client.stream("GET", path, headers={"accept-encoding": "gzip"}) as got:
            assert got.status_code == 200, path
            raw = b"".join([piece async for piece in got.aiter_raw()])
            size += len(raw)
        text = (await house.client.get(path)).text
        assert "<style" not in text
        assert " onclick=" not in text
        if path == "/":
            assert not re.search(r"<script(?![^>]*\bsrc=)", text)
            todo += re.findall(r'(?:src|href)="(/[^"#]+)"', text)
        for found in re.findall(r'(?:from|import)\s+"(\.{1,2}/[^"]+|/[^"]+)"', text):
            base = path.rsplit("/", 1)[0]
            parts = []
            for part in (found if found.startswith("/") else f"{base}/{found}").split("/"):
                if part == "..":
                    parts.pop()
                elif part not in {"", "."}:
                    parts.append(part)
            todo.append("/" + "/".join(parts))
    assert size <= 150_000, (size, seen)


async def test_files_are_given_again_only_when_they_changed(house):
    first = await house.client.get("/")
    again = await house.client.get("/", headers={"if-none-match": first.headers["etag"]})
    assert again.status_code == 304
    assert again.content == b""
    for kind, packed in (
        ("gzip", True),
        ("identity", False),
        ("gzip;q=0", False),
        ("br, gzip", True),
    ):
        answer = await house.client.get("/", headers={"accept-encoding": kind})
        assert (answer.headers.get("content-encoding") == "gzip") is packed
        assert answer.text == first.text


def test_dark_by_choice_is_as_dark_as_by_the_device():
    style = (FOLDER / "css" / "look.css").read_text("utf-8")
    by_device = re.search(r':root:not\(\[data-scheme="light"\]\) \{([^}]*)\}', style)
    by_choice = re.search(r':root\[data-scheme="dark"\] \{([^}]*)\}', style)
    assert "--ground" in by_choice[1]
    assert by_device[1].split() == by_choice[1].split()
