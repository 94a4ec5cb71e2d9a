"""Rounds over the page: typed from a display, counted under the microscope, told in the document."""

from __future__ import annotations

import asyncio

import pytest

from acquire.store.records import Records

CONFIG = """
[meters.strip]
driver = "by_hand"
"""
PLAN = """
title = "Two glasses"
[[stop]]
rinse = "distilled"
[[stop]]
reference = "ro"
[[stop]]
rinse = "distilled"
[[stop]]
subject = "tap"
[[stop]]
count = "tap"
"""


@pytest.fixture
async def typed(build, tmp_path):
    (tmp_path / "plans").mkdir()
    (tmp_path / "plans" / "glasses.toml").write_text(PLAN, encoding="utf-8")
    (tmp_path / "plans" / "spoilt.toml").write_text("[[stop]]\nboil = 1\n", encoding="utf-8")
    return await build(CONFIG)


async def order(house, word, text="", status=200):
    return await house.post("/api/1/orders", status, order=word, meter="strip", text=text)


async def guidance(house):
    found = [g for g in (await house.get("/api/1/now"))["guidance"] if g["meter"] == "strip"]
    return found[0] if found else None


async def type_in(house, *, still=True, water="", **values):
    said = {"meter": "strip", "still": still, "water": water, "values": values}
    return (await house.post("/api/1/typed", 201, **said))["capture"]


async def test_a_typed_meter_walks_a_round_from_its_first_number_to_the_count(typed):
    await order(typed, "redo", status=409)
    assert "begins" in (await order(typed, "round", "glasses"))["done"]
    at = await guidance(typed)
    assert (at["position"], at["answers"]) == (0, ["rinsed"])
    assert "answer with" in (await order(typed, "answer", "no", status=409))["error"]
    await order(typed, "answer", "rinsed")
    assert "type them" in (await guidance(typed))["say"]
    moving = await type_in(typed, still=False, ph="6")
    assert moving["state"] == "unsettled"
    assert "Wait until" in (await guidance(typed))["warnings"][0]
    first = await type_in(typed, ph="6.20", conductivity="14", temperature="21")
    assert (first["water"], first["role"], first["state"]) == ("ro", "reference", "final")
    second = await type_in(typed, ph="7.61", conductivity="480", temperature="21")  # no rinse said
    assert (second["water"], second["role"]) == ("tap", "subject")
    at = await guidance(typed)
    assert [one["state"] for one in at["stops"]] == ["taken", "taken", "skipped", "taken", "now"]
    stray = await type_in(typed, water="a well", ph="7.0")
    assert (stray["water"], stray["role"]) == ("a well", None)

    said = {"water": "tap", "fields": [3, 0, 2]}
    wrong = (await typed.post("/api/1/counts", 201, **said))["count"]
    assert (wrong["round"], wrong["role"]) == (at["round"], "subject")
    assert await guidance(typed) is None  # over
    held = await typed.get(f"/api/1/rounds/{at['round']}")
    assert held["round"]["state"] == "done"
    assert [one["id"] for one in held["captures"]] == [moving["id"], first["id"], second["id"]]
    assert held["counts"] == [wrong]  # of one shape, wherever it is asked for
    states = [(v["position"], v["state"]) for v in held["round"]["visits"]]
    assert states == [
        (0, "taken"), (1, "set aside"), (1, "taken"), (2, "skipped"), (3, "taken"), (4, "taken")
    ]  # fmt: skip
    flags = {
        v["position"]: v["flags"] for v in held["round"]["visits"] if v["state"] != "set aside"
    }
    assert "nobody said" in flags[2][0]
    assert any("left out" in flag for flag in flags[3])
    assert flags[1] == []
    (listed,) = (await typed.get("/api/1/rounds"))["rounds"]
    assert listed == held["round"]
    report = await typed.client.get(f"/api/1/rounds/{at['round']}/report.html")
    assert report.status_code == 200
    assert "tap" in report.text
    await typed.get("/api/1/rounds/nothing", 404)
    with Records.open(typed.store) as records:
        assert records.capture(first["id"]).water == "ro"


async def test_a_count_taken_back_makes_its_stop_due_again(typed, tmp_path):
    two = '[[stop]]\ncount = "tap"\n[[stop]]\ncount = "ro"\n'
    (tmp_path / "plans" / "counts.toml").write_text(two, encoding="utf-8")
    await order(typed, "round", "counts")
    made = (await typed.post("/api/1/counts", 201, water="tap", fields=[900]))["count"]
    assert (await guidance(typed))["position"] == 1
    await typed.post(f"/api/1/counts/{made['id']}/withdraw", note="the wrong slide")
    assert (await guidance(typed))["position"] == 0
    assert (await typed.get("/api/1/counts"))["counts"] == []
    (gone,) = (await typed.get("/api/1/counts", withdrawn=1))["counts"]
    assert (gone["id"], gone["withdrawn"]) == (made["id"], "the wrong slide")
    await typed.post(f"/api/1/counts/{made['id']}/withdraw")  # again does no harm
    await typed.post(f"/api/1/counts/{made['id']}/restore")
    assert (await guidance(typed))["position"] == 1
    assert [c["id"] for c in (await typed.get("/api/1/counts"))["counts"]] == [made["id"]]
    await typed.post("/api/1/counts/nothing/withdraw", 404)
    await typed.post("/api/1/counts", 400, water="ro", fields=[1], round="nothing")
    other = (await typed.post("/api/1/counts", 201, water="a well", fields=[1]))["count"]
    assert other["round"] is None  # of no stop: kept, and the round stands where it stood
    assert (await guidance(typed))["position"] == 1


async def test_plans_say_what_is_odd_about_them(typed):
    plans = {one["plan"]: one for one in (await typed.get("/api/1/plans"))["plans"]}
    assert any("no check" in text for text in plans["glasses"]["advice"])
    assert plans["glasses"]["title"] == "Two glasses"
    assert "cannot be used" in plans["spoilt"]["advice"][0]
    assert plans["two-waters"]["stops"] if "two-waters" in plans else len(plans) > 2


async def test_what_other_commands_ask_is_kept_by_the_daemon(typed):
    from acquire.cli.beside import ask_beside
    from acquire.errands import Naming, TakingBack, errand_of
    from acquire.errors import ConfigError
    from acquire.readings import Role
    from acquire.rounds import ParticleCount

    made = await type_in(typed, ph="7.0", water="tpa")

    def ask(errand):
        return asyncio.to_thread(ask_beside, typed.store, errand_of(errand))

    await ask(Naming(made["id"], "tap", Role.SUBJECT))
    assert (await typed.get(f"/api/1/captures/{made['id']}"))["capture"]["water"] == "tap"
    await ask(ParticleCount("c0ffee00", 1_772_357_281_000, "tap", (1, 2), {"film": 3}))
    (kept,) = (await typed.get("/api/1/counts"))["counts"]
    assert (kept["id"], kept["shapes"]) == ("c0ffee00", {"film": 3})
    await ask(TakingBack("c0ffee00", False, "mistaken"))
    assert (await typed.get("/api/1/counts"))["counts"] == []
    for wrong in (Naming("nothing", "x", None), TakingBack("nothing", False, "")):
        with pytest.raises(ConfigError, match="no such"):
            await ask(wrong)
    with pytest.raises(ConfigError, match="add up"):
        await ask(ParticleCount("c0ffee01", 0, "tap", (1,), {"film": 3}))
    for spoilt in ({"keep": "no such"}, {"keep": "count", "what": "["}, {"keep": "undo"}):
        with pytest.raises(ConfigError, match="another version"):
            await asyncio.to_thread(ask_beside, typed.store, spoilt)
    assert typed.task.done() is False
