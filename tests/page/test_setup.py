"""From no meter to a first reading over the page, and typed into the configuration at the end."""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import sys
import time

import httpx
import pytest

from acquire import config
from acquire.errors import ConfigError
from acquire.learned import add_meter, why_not_writable
from acquire.page.search import PORT


@pytest.mark.parametrize(
    "port",
    [
        "/etc/passwd",
        "/dev/watchdog",
        "/dev/mem",
        "/dev/pts/../mem",
        "spy:///dev/ttyUSB0?file=/tmp/x",
        "socket://192.0.2.7:4001?logging=debug",
        "file:///etc/passwd",
        "loop://",
        "",
        "x" * 150,
    ],
)
async def test_only_ports_may_be_listened_to(house, port):
    said = await house.post("/api/1/setup/learn", 400, port=port)
    assert said["error"]
    assert (await house.get("/api/1/setup/learn")) is None


@pytest.mark.parametrize(
    "port",
    [
        "/dev/ttyUSB0",
        "/dev/serial/by-id/usb-1",
        "/dev/pts/3",
        "usb:1209:0001:K 1",
        "COM3",
        "socket://192.0.2.7:4001",
        "rfc2217://[::1]:7",
        "usb:1209:0001@1-1.2",
    ],
)
def test_ports_are_known(port):
    assert PORT.fullmatch(port)


async def test_steps_out_of_order_are_refused(house):
    await house.post("/api/1/setup/confirm", 409)
    await house.post("/api/1/setup/save", 409, meter="kitchen")
    await house.post("/api/1/setup/cancel")
    for wrong in ({"changes": 7}, {"changes": [7]}, {"changes": [{"number": "1", "quantity": ""}]}):
        await house.post("/api/1/setup/confirm", 400, **wrong)
    await house.post("/api/1/setup/learn", 400, port="/dev/ttyUSB0", ask="yes")
    await house.post("/api/1/setup/learn", 400, port="/dev/ttyUSB0", profile="../x")


async def test_a_port_that_is_not_there_is_told_in_words(house):
    await house.post("/api/1/setup/learn", 202, port="/dev/ttyNOTHERE")
    async with asyncio.timeout(20):
        while (said := await house.get("/api/1/setup/learn"))["state"] == "listening":  # noqa: ASYNC110
            await asyncio.sleep(0.02)
    assert said["state"] == "failed"
    assert "ttyNOTHERE" in said["why"]


def test_a_meter_is_added_only_if_the_whole_stays_valid(tmp_path):
    file = tmp_path / "ouzel.toml"
    text = '# mine\n[meters.kitchen]\nport = "/dev/ttyUSB0"\nprofile = "labelled"'
    file.write_text(text)
    file.chmod(0o640)
    table = '[meters.cellar]\nport = "/dev/ttyUSB1"\nprofile = "labelled"\n'
    for name, snippet in (("kitchen", table), ("Bad Name", table), ("cellar", "[meters.cellar]\n")):
        with pytest.raises(ConfigError):
            add_meter(file, name, snippet)
        assert file.read_text() == text
    assert add_meter(file, "cellar", table).name == "cellar"
    assert file.read_text().startswith(text)
    assert file.stat().st_mode & 0o777 == 0o640
    assert set(config.load(file).meters) == {"kitchen", "cellar"}
    assert [one.name for one in tmp_path.iterdir()] == ["ouzel.toml"]


def test_it_is_told_when_nothing_can_be_written(tmp_path):
    assert why_not_writable(tmp_path / "ouzel.toml") == ""
    assert why_not_writable(tmp_path / "nowhere" / "ouzel.toml")


@pytest.fixture
def programs(tmp_path):
    """Run ouzel as a person does, in a folder of its own."""
    started = []
    environment = {**os.environ, "XDG_DATA_HOME": str(tmp_path), "XDG_CONFIG_HOME": str(tmp_path)}

    def start(*words):
        with (tmp_path / f"err{len(started)}").open("w") as err:
            child = subprocess.Popen(
                [sys.executable, "-m", "acquire", *words],
                cwd=tmp_path,
                env=environment,
                stdout=subprocess.DEVNULL,
                stderr=err,
                text=True,
            )
        child.err = tmp_path / f"err{len(started)}"
        started.append(child)
        return child

    yield start
    for child in started:
        if child.poll() is None:
            child.send_signal(signal.SIGINT)
    for child in started:
        child.wait(10)


def wait(ready, seconds=40):
    end = time.monotonic() + seconds
    while not (found := ready()):
        assert time.monotonic() < end
        time.sleep(0.03)
    return found


def test_from_no_meter_to_a_stored_reading(programs, tmp_path):
    (tmp_path / "ouzel.toml").write_text("[page]\nport = 0\n[store]\npath = 'water.db'\n")
    programs("simulate", "--link", "probe", "--water", "tap")
    wait((tmp_path / "probe").exists)
    port = str((tmp_path / "probe").readlink())
    serve = programs("serve")

    def where():
        lines = serve.err.read_text().split("the page is at ")
        return lines[-1].split()[0] if len(lines) > 1 else None

    with httpx.Client(base_url=wait(where), trust_env=False, timeout=20) as page:
        now = page.get("/api/1/now").json()
        assert now["needs_setup"] is True
        ports = page.get("/api/1/setup/ports").json()
        assert ports["can_write"] is True
        assert page.post("/api/1/setup/learn", json={"port": port}).status_code == 202
        assert page.post("/api/1/setup/learn", json={"port": port}).status_code == 409

        def state(*wanted):
            def look():
                said = page.get("/api/1/setup/learn").json()
                assert said["state"] != "failed", said
                return said if said["state"] in wanted else None

            return look

        found = wait(state("proposed"))
        assert {one["quantity"] for one in found["fields"]} >= {"ph", "orp", "conductivity"}
        assert found["lines"]
        number = next(f["number"] for f in found["fields"] if f["quantity"] == "orp")
        changes = [{"number": number, "quantity": ""}]
        page.post("/api/1/setup/confirm", json={"changes": changes}).raise_for_status()
        ready = wait(state("ready"))
        assert len(ready["readings"]) == 3
        assert "ph" in ready["readings"][0]["values"]
        assert "orp" not in ready["readings"][0]["values"]
        assert page.post("/api/1/setup/save", json={"meter": "Not A Name"}).status_code == 400
        saved = page.post("/api/1/setup/save", json={"meter": "kitchen"})
        assert saved.status_code == 200, saved.text
        assert "[meters.kitchen]" in saved.json()["snippet"]
    assert "kitchen" in config.load(tmp_path / "ouzel.toml").meters
    wait(lambda: serve.err.read_text().count("the page is at ") == 2)
    with httpx.Client(base_url=where(), trust_env=False, timeout=20) as page:
        wait(lambda: page.get("/api/1/meters").json()["meters"][0]["state"] == "live")
        assert page.get("/api/1/now").json()["needs_setup"] is False
    begun = time.monotonic()
    serve.send_signal(signal.SIGINT)
    assert serve.wait(10) == 0
    assert time.monotonic() - begun < 3
