"""`ouzel serve` with a broker, and `ouzel tail` beside it, as a person runs them."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import socket
import subprocess
import urllib.request

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

MOSQUITTO = shutil.which(
    "mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin"
)


def free_port():
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


@pytest.fixture
def broker(ouzel):
    if MOSQUITTO is None:
        pytest.skip("mosquitto is not installed (Debian: apt install mosquitto)")
    port = free_port()
    file = ouzel.folder / "mosquitto.conf"
    file.write_text(f"user root\nlistener {port} 127.0.0.1\nallow_anonymous true\n")
    with (ouzel.folder / "broker.log").open("w") as log:
        child = subprocess.Popen([MOSQUITTO, "-c", str(file)], stdout=log, stderr=log)

    def is_up():
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 0.2):
            return True
        return False

    ouzel.wait(is_up)
    yield port
    child.kill()
    child.wait()


def test_a_capture_of_the_daemon_reaches_whoever_listens(ouzel, broker):
    metrics = free_port()
    note = ouzel.folder / "note"
    note.write_text(f"#!/bin/sh\ncat >>{ouzel.folder}/notes\n")
    note.chmod(0o755)
    ouzel.configure(
        f'[mqtt]\nhost = "127.0.0.1"\nport = {broker}\ntopic = "home/water"\n[mqtt.homie]\n'
        f"[metrics]\nport = {metrics}\n"
        f'[programs]\non_capture = ["{note}"]\n'
    )
    probe = ouzel.simulate("--script", "two_checks")
    tail = ouzel.start("tail", "--json")
    ouzel.wait(lambda: "home/water/#" in tail.err.read_text(), tail)
    serve = ouzel.start("serve", "--speed", "60")

    def heard():
        lines = [json.loads(line) for line in tail.out.read_text().splitlines() if line]
        return {line["topic"]: line["payload"] for line in lines}

    ouzel.wait(lambda: "home/water/kitchen/capture" in heard(), probe, serve, tail)
    found = {row["n"]: row for row in json.loads(heard()["home/water/kitchen/capture"])}
    assert found["ph"]["u"] == "pH"
    assert found["conductivity_25/u"]["v"] > 0  # the profile says that the meter compensates
    with urllib.request.urlopen(f"http://127.0.0.1:{metrics}/metrics", timeout=5) as answer:
        families = {f.name for f in text_string_to_metric_families(answer.read().decode())}
    assert {"ouzel_readings", "ouzel_outbox", "ouzel_water_ph", "ouzel_store_wal_bytes"} <= families
    ouzel.wait(lambda: "homie/5/ouzel/kitchen/ph" in heard(), serve, tail)
    ouzel.wait((ouzel.folder / "notes").exists, serve)
    ouzel.stop(serve)
    ouzel.wait(lambda: heard().get("home/water/state") == "offline", tail)
    assert heard()["homie/5/ouzel/$state"] == "disconnected"
    assert json.loads((ouzel.folder / "notes").read_text().splitlines()[0])["is"] == "capture"
    ouzel.stop(tail)


def test_tail_says_what_is_missing(ouzel):
    ouzel.configure()
    assert "write a table [mqtt]" in ouzel.run("tail", code=2).stderr
    ouzel.configure(f'[mqtt]\nhost = "127.0.0.1"\nport = {free_port()}')
    said = ouzel.run("tail", code=9).stderr
    assert "Connection refused" in said
    assert "Traceback" not in said
