"""`ouzel round` through a running `ouzel serve`, with a meter that is typed and counts."""

from __future__ import annotations

import json

CONFIG = """
[store]
path = "w.db"
[page]
port = 0
[meters.strip]
driver = "by_hand"
"""
PLAN = '[[stop]]\nrinse = "distilled"\n[[stop]]\ncount = "ro"\n[[stop]]\ncount = "tap"\n'


def test_a_round_of_a_running_serve_is_begun_told_and_counted_from_other_windows(ouzel):
    (ouzel.folder / "ouzel.toml").write_text(CONFIG)
    (ouzel.folder / "plans").mkdir()
    (ouzel.folder / "plans" / "slides.toml").write_text(PLAN)
    alone = ouzel.run("round", "slides", code=2)
    assert "is typed" in alone.stderr
    serve = ouzel.start("serve")
    ouzel.wait((ouzel.folder / "w.db.page").exists, serve)
    walk = ouzel.start("round", "slides", "--json")

    ouzel.wait(lambda: "Is the probe rinsed?" in walk.out.read_text(), serve, walk)
    assert "rinsed: distilled" in ouzel.run("round", "--say", "answer rinsed").stdout
    ouzel.run("round", "--say", "note one slide each")
    assert "2 fields of ro" in ouzel.run("round", "--say", "answer 3 0").stdout
    made = json.loads(ouzel.run("count", "tap", "--fields", "7", "--json").stdout)
    assert walk.wait(30) == 0
    kinds = [json.loads(line) for line in walk.out.read_text().splitlines()]
    assert kinds[-1]["data"]["over"] == "True"
    listed = json.loads(ouzel.run("count", "--list", "--json").stdout)["counts"]
    assert {one["round"] for one in listed} == {kinds[-1]["data"]["round"]}
    assert made["id"] in {one["id"] for one in listed}
    refused = ouzel.run("round", "--say", "redo", code=2)
    assert "no round is under way" in refused.stderr or "no such order" in refused.stderr
    ouzel.stop(serve)
