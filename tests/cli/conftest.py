"""Runs ouzel as a person does: as programs, over a real pseudo-terminal."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

SPEED = 60


class Ouzel:
    """Starts commands in one folder and waits for them without sleeping long."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.started: list[subprocess.Popen[str]] = []
        self.environment = {
            **os.environ,
            "XDG_DATA_HOME": str(folder / "data"),
            "XDG_CONFIG_HOME": str(folder / "config"),
        }

    def run(self, *words: str, code: int = 0, timeout: float = 100) -> subprocess.CompletedProcess:
        done = subprocess.run(
            [sys.executable, "-m", "acquire", *words],
            cwd=self.folder,
            env=self.environment,
            capture_output=True,
            text=True,
            timeout=timeout,
            check=False,
        )
        assert done.returncode == code, (done.returncode, done.stdout[-2000:], done.stderr[-2000:])
        return done

    def start(self, *words: str) -> subprocess.Popen[str]:
        # Into files, not pipes: nobody empties a pipe while the test looks elsewhere.
        number = len(self.started)
        with (
            (self.folder / f"out{number}").open("w") as out,
            (self.folder / f"err{number}").open("w") as err,
        ):
            child = subprocess.Popen(
                [sys.executable, "-m", "acquire", *words],
                cwd=self.folder,
                env=self.environment,
                stdout=out,
                stderr=err,
                text=True,
            )
        child.out, child.err = self.folder / f"out{number}", self.folder / f"err{number}"
        self.started.append(child)
        return child

    def simulate(self, *words: str, link: str = "probe") -> subprocess.Popen[str]:
        child = self.start("simulate", "--link", link, "--speed", str(SPEED), *words)
        self.wait((self.folder / link).exists, child)
        return child

    def wait(self, ready, *children, timeout: float = 40):
        deadline = time.monotonic() + timeout
        while True:
            found = ready()
            if found:
                return found
            for child in children:
                assert child.poll() is None, child.err.read_text()
            assert time.monotonic() < deadline, [c.err.read_text() for c in children]
            time.sleep(0.02)

    def go_on(self, for_s: float, *children) -> None:
        """Let so much time pass; none of the children ends meanwhile."""
        until = time.monotonic() + for_s
        self.wait(lambda: time.monotonic() > until, *children)

    def said(self, child, what: str, value: str) -> list[dict]:
        """Give what a child printed as JSON so far that is such; the last line may be half one."""
        lines = child.out.read_text().split("\n")[:-1]
        return [one for one in map(json.loads, lines) if one.get(what) == value]

    def stop(self, child, number=signal.SIGINT, within: float = 2.0) -> float:
        """Give how long it took; what it waited for a processor that others had is not its own."""
        before, begun = waited_s(child), time.monotonic()
        child.send_signal(number)
        waited = dict(before)
        while child.poll() is None:
            assert time.monotonic() - begun < 20, "does not stop"
            waited |= waited_s(child)  # threads end one after the other: what each had last counts
            time.sleep(0.01)
        took = time.monotonic() - begun
        own = took - sum(seconds - before.get(thread, 0.0) for thread, seconds in waited.items())
        assert own <= within, f"took {took:.1f} s to stop, {own:.1f} s of its own"
        return took

    def configure(self, text: str = "", port: str = "./probe") -> None:
        (self.folder / "ouzel.toml").write_text(
            f'[store]\npath = "water.db"\n{text}\n'
            f'[meters.kitchen]\nprofile = "labelled"\nport = "{port}"\n',
            encoding="utf-8",
        )


def waited_s(child) -> dict[str, float]:
    """How long each thread was ready to run and could not (Linux, sched-stats.rst)."""
    waited = {}
    for file in Path(f"/proc/{child.pid}/task").glob("*/schedstat"):
        with contextlib.suppress(OSError, IndexError):
            waited[file.parent.name] = int(file.read_text().split()[1]) * 1e-9
    return waited


@pytest.fixture
def ouzel(tmp_path):
    programs = Ouzel(tmp_path)
    yield programs
    for child in programs.started:
        if child.poll() is None:
            child.kill()
            child.wait()
