"""A meter nobody described is learned over a real pseudo-terminal, as a person would do it."""

from __future__ import annotations

import itertools
import json
import os
import pty
import signal
import subprocess
import sys
import threading
import tty
from importlib.resources import files
from pathlib import Path

import pytest

from drivers.assembly import assemble

SEVEN = [
    "ph", "orp", "conductivity", "tds", "salinity", "specific_gravity", "temperature"
]  # fmt: skip


class Stranger:
    """A meter of the test's own on a pty: says its lines over and over, or answers."""

    def __init__(self, folder, say, every_s=0.02):
        self.far, self.near = pty.openpty()
        tty.setraw(self.far)
        tty.setraw(self.near)
        self.link = folder / "stranger"
        self.link.symlink_to(os.ttyname(self.near))
        self._say = say
        self._every_s = every_s
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._talk)

    def _talk(self):
        for number in itertools.count():
            if self._stop.wait(self._every_s):
                return
            os.write(self.far, self._say(number))

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *_):
        self._stop.set()
        self._thread.join()
        os.close(self.far)
        os.close(self.near)


def typed(ouzel, text, *words, code=0):
    done = subprocess.run(
        [sys.executable, "-m", "acquire", "learn", *words],
        cwd=ouzel.folder,
        env=ouzel.environment,
        input=text,
        capture_output=True,
        text=True,
        timeout=50,
        check=False,
    )
    assert done.returncode == code, (done.returncode, done.stdout, done.stderr)
    assert "Traceback" not in done.stderr
    return done


def readings(text):
    return [item for item in map(json.loads, text.splitlines()) if item["is"] == "reading"]


@pytest.mark.parametrize("where", [("--water", "tap"), ("--script", "household")])
@pytest.mark.parametrize("dialect", ["labelled", "columns", "polled"])
def test_the_three_dialects_are_learned_and_read_without_help(ouzel, dialect, where):
    ouzel.simulate("--dialect", dialect, *where)
    done = ouzel.run("learn", "./probe", "--accept", "--json", "--speed", "60")
    said = json.loads(done.stdout)
    assert [field["quantity"] for field in said["fields"]] == SEVEN
    assert len(said["readings"]) >= 3
    assert set(said["readings"][0]["values"]) == set(SEVEN)
    words = ("--port", "./probe", "--profile", "learned.toml", "--speed", "60", "--for", "30")
    again = readings(ouzel.run("read", "--json", *words).stdout)
    assert again
    known = assemble(Path(str(files("drivers") / "profiles" / f"{dialect}.toml")))
    end = known.profile.framing.terminator
    for reading in again:
        _, frame = known.framer().decode(reading["raw"].strip().encode() + end)
        assert reading["values"] == known.reader.read(frame.text).values


def test_a_fourth_dialect_made_up_on_the_spot_is_learned_too(ouzel):
    def say(n):
        line = f"Redox {210 + n % 3} mV | T:{21.4 + n % 2 / 10} | LF {1.41 + n % 4 / 100:.2f} mS/cm"
        return f"{line} | pH={7.01 + n % 2 / 100:.2f}\r".replace(".", ",").encode()

    with Stranger(ouzel.folder, say):
        out = ouzel.run("learn", "./stranger", "--accept", "--out", "mine.toml").stdout
    assert "Reading with it:" in out
    assert "pH" in out.split("taken for")[1]
    text = (ouzel.folder / "mine.toml").read_text(encoding="utf-8")
    assert "decimal = ','" in text or 'decimal = ","' in text
    config = '[meters.kitchen]\nprofile = "mine.toml"\nport = "./stranger"\n'
    assert 'profile = "mine.toml"' in out
    (ouzel.folder / "ouzel.toml").write_text(config)
    assert "good" in ouzel.run("config", "check").stdout


def test_a_person_is_asked_and_may_change_what_was_proposed(ouzel):
    def say(n):
        return f"{7.01 + n % 2 / 100:.2f};{512 + n % 3};{21.4}\n".encode()

    words = ("./stranger", "--for", "1", "--json")
    with Stranger(ouzel.folder, say):
        done = typed(ouzel, "9 ph\n2 orp\n2 taste\nwhat\n3 -\nyes\n", *words)
    said = json.loads(done.stdout)
    assert [field["quantity"] for field in said["fields"]] == ["ph", "orp", None]
    assert "there are numbers 1 to 3" in done.stderr
    assert "unknown quantity" in done.stderr
    assert set(said["readings"][0]["values"]) == {"ph", "orp"}


@pytest.mark.parametrize("answers", ["no\n", ""])
def test_leaving_without_agreeing_writes_nothing(ouzel, answers):
    with Stranger(ouzel.folder, lambda _: b"pH 7.01 T 21.4\r\n"):
        done = typed(ouzel, answers, "./stranger", "--for", "1", code=130)
    assert "Nothing was written" in done.stdout
    assert not list(ouzel.folder.glob("*.toml"))


def test_ctrl_c_while_listening_writes_nothing_and_leaves_the_port_free(ouzel):
    with Stranger(ouzel.folder, lambda _: b"", every_s=0.05):
        child = ouzel.start("learn", "./stranger")
        ouzel.wait(lambda: "listening" in child.out.read_text(), child)
        ouzel.stop(child, signal.SIGINT)
        assert child.returncode == 130
        assert "Nothing was written" in child.out.read_text()
        assert "Traceback" not in child.err.read_text()


def test_a_silent_meter_is_asked_only_when_that_is_allowed(ouzel):
    with Stranger(ouzel.folder, lambda _: b"", every_s=0.05):
        words = ("./stranger", "--speed", "60")
        done = typed(ouzel, "", *words, "--accept", "--listen-only", code=3)
        assert "asking" not in done.stdout
        assert "switched on" in done.stderr
        done = typed(ouzel, "no\n", *words, code=3)
        assert "May I ask" in done.stdout
        assert "asking" not in done.stdout
        done = typed(ouzel, "", *words, "--accept", code=3)
        assert "asking READ\\r\\n at 9600 8N1" in done.stdout
        assert "--command" in done.stderr


def test_a_command_that_a_person_knows_is_used_at_once(ouzel):
    ouzel.simulate("--dialect", "polled", "--water", "tap")
    words = ("./probe", "--accept", "--speed", "60", "--command", r"READ\r\n")
    out = ouzel.run("learn", *words).stdout
    assert out.startswith("asking READ\\r\\n at 9600 8N1")
    assert "[poll]\ncommand = 'READ\\r\\n'" in (ouzel.folder / "learned.toml").read_text()


def test_hostile_lines_reach_neither_the_terminal_nor_the_file(ouzel):
    # A right-to-left mark and an escape sequence, in a line that is a reading otherwise.
    line = "pH 7.01 \u202e T 21.4 C\r\n".encode() + b"pH 7.02 T 21.4 C\r\n" * 9
    with Stranger(ouzel.folder, lambda _: line):
        out = ouzel.run("learn", "./stranger", "--accept").stdout
    text = (ouzel.folder / "learned.toml").read_text(encoding="utf-8")
    for said in (out, text):
        assert "\x1b" not in said
        assert "\u202e" not in said


def test_what_is_no_meter_is_shown_with_what_to_do(ouzel):
    with Stranger(ouzel.folder, lambda _: b"login 7: \x1b[1mhello there stranger\r\n"):
        done = ouzel.run("learn", "./stranger", "--accept", "--speed", "20", code=3)
    assert "\\x1b[1mhello" in done.stderr
    assert "\x1b" not in done.stderr + done.stdout
    assert not list(ouzel.folder.glob("*.toml"))


def test_nothing_that_exists_is_overwritten(ouzel):
    (ouzel.folder / "mine.toml").write_text("precious")
    done = ouzel.run("learn", "./x", "--out", "mine", "--accept", code=2)
    assert "would be lost" in done.stderr
    (ouzel.folder / "learned.toml").write_text("precious")
    with Stranger(ouzel.folder, lambda _: b"pH 7.01 T 21.4\r\n"):
        out = ouzel.run("learn", "./stranger", "--accept", "--for", "1").stdout
    assert "Wrote learned-2.toml" in out
    assert (ouzel.folder / "learned.toml").read_text() == "precious"


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("./nowhere",), 3, "not there"),
        (("kitchen",), 3, "not a port"),
        (("./x", "--command", ""), 3, "not there"),
        (("./x", "--command", r"\q"), 2, "unknown escape"),
        (("./x", "--out", "no/such/x.toml"), 2, "no such folder"),
    ],
)
def test_bad_input_is_one_clear_line(ouzel, words, code, said):
    done = ouzel.run("learn", *words, "--accept", code=code)
    assert said in done.stderr
    assert "Traceback" not in done.stderr
