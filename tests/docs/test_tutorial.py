"""The tutorial does what it says: its commands are run as printed, in order, in an empty folder."""

from __future__ import annotations

import os
import re
import shlex
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

PAGE = Path(__file__).parents[2] / "docs/tutorial.md"
FENCE = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


class Reader:
    """Somebody who types what the page says: simulators in the first terminal, the rest beside."""

    def __init__(self, folder):
        self.folder = folder
        self.first = None
        self.said = {}

    def type(self, line):
        words = [sys.executable, "-m", "acquire", *shlex.split(line)[1:]]
        environment = {
            **os.environ,
            "PYTHONPATH": str(PAGE.parents[1]),
            "XDG_CONFIG_HOME": str(self.folder / "nothing"),
        }
        if line.startswith("ouzel simulate"):
            self.leave_first()
            self.first = subprocess.Popen(
                words,
                cwd=self.folder,
                env=environment,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
            self.wait_for(self.folder / "probe")
            return
        done = subprocess.run(
            words,
            cwd=self.folder,
            env=environment,
            capture_output=True,
            text=True,
            timeout=50,
            check=False,
        )
        assert done.returncode == 0, f"{line}\n{done.stdout[-2000:]}\n{done.stderr[-2000:]}"
        self.said[line.split()[1]] = done.stdout

    def leave_first(self):
        """Ctrl-C in the first terminal."""
        if self.first is not None:
            self.first.send_signal(signal.SIGINT)
            self.first.wait(10)
            self.first = None

    @staticmethod
    def wait_for(path):
        end = time.monotonic() + 10
        while not path.exists():
            assert time.monotonic() < end
            time.sleep(0.02)


@pytest.fixture
def reader(tmp_path):
    reader = Reader(tmp_path)
    yield reader
    if reader.first is not None:
        reader.first.kill()
        reader.first.wait()


@pytest.mark.timeout(120)
def test_the_tutorial_can_be_followed_to_its_end(reader, tmp_path):
    typed = 0
    for tag, block in FENCE.findall(PAGE.read_text(encoding="utf-8")):
        if tag == "toml":
            (tmp_path / "ouzel.toml").write_text(block, encoding="utf-8")
        elif tag == "sh":
            for line in block.splitlines():
                assert line.startswith("ouzel "), line
                reader.type(line)
                typed += 1
    assert typed >= 10
    # What the page promises is what was seen.
    assert "pH: PASS" in reader.said["check"]
    assert "uncertainty budget (GUM)" in reader.said["capture"]
    assert "kitchen tap (subject): final" in reader.said["capture"]
    assert "good until" in reader.said["meter"]
    assert (tmp_path / "captures.csv").read_text(encoding="utf-8").count("kitchen tap") >= 7
    assert (tmp_path / "copy-of-today.db").stat().st_size > 0


def test_the_times_that_the_tutorial_promises_are_those_of_its_speed():
    text = PAGE.read_text(encoding="utf-8")
    speeds = set(re.findall(r"^ouzel .*--speed (\d+)", text, re.MULTILINE))
    assert speeds == {"20"}
