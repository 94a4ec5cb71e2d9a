"""A meter without a port: somebody reads the display and types."""

from __future__ import annotations

import json
import os
import pty
import signal
import subprocess
import sys
import time

import pytest

from acquire import config
from acquire.cli.by_hand import Dialogue
from acquire.readings import CaptureState
from acquire.store.records import Records


def typed(ouzel, text, *words, code=0):
    done = subprocess.run(
        [sys.executable, "-m", "acquire", "capture", "--by-hand", "--store", "water.db", *words],
        cwd=ouzel.folder,
        env=ouzel.environment,
        input=text.encode() if isinstance(text, str) else text,
        capture_output=True,
        timeout=50,
        check=False,
    )
    out, err = done.stdout.decode(), done.stderr.decode()
    assert done.returncode == code, (done.returncode, out, err)
    assert "Traceback" not in err
    return out, err


def stored(ouzel):
    with Records.open(ouzel.folder / "water.db") as records:
        return list(records.captures()), list(records.readings())


class Person:
    """Answers in order; remembers what was asked and said."""

    def __init__(self, *answers):
        self.answers = list(answers)
        self.asked: list[str] = []
        self.heard: list[str] = []

    def ask(self, prompt):
        self.asked.append(prompt)
        if not self.answers:
            raise EOFError
        return self.answers.pop(0) + "\n"

    def run(self):
        fields = config.meter("pen", {"driver": "by_hand"}).settings.fields[:3]
        dialogue = Dialogue(fields, self.ask, self.heard.append)
        still = dialogue.run()
        return still, {entry.quantity: entry.value for entry in dialogue.entries}


def test_each_number_is_asked_for_once_and_an_empty_line_leaves_one_out():
    person = Person("7,01", "", "512", "yes")
    assert person.run() == (True, {"ph": 7.01, "conductivity": 512.0})
    assert person.asked[:3] == ["pH: ", "ORP (mV): ", "Conductivity (uS/cm): "]


def test_nonsense_is_refused_and_asked_for_again():
    person = Person("seven", "70", "7.01", "", "", "no")
    assert person.run() == (False, {"ph": 7.01})
    assert person.asked[:3] == ["pH: "] * 3
    assert any("out of range" in line for line in person.heard)


def test_the_last_number_can_be_taken_back_before_anything_is_stored():
    person = Person("7.1", "undo", "7.01", "", "undo", "7.02", "215", "512", "u", "513", "y")
    assert person.run() == (True, {"ph": 7.02, "orp": 215.0, "conductivity": 513.0})
    person = Person("undo", "7.01", "", "", "undo", "7.03", "", "", "yes")
    assert person.run() == (True, {"ph": 7.03})
    assert any("nothing to take back" in line for line in person.heard)


def test_the_question_whether_they_stood_still_wants_an_answer():
    person = Person("7.01", "", "", "", "perhaps", "no")
    assert person.run()[0] is False
    assert len([p for p in person.asked if "stand still" in p]) == 3


def test_nothing_typed_is_nothing_to_store():
    person = Person("", "", "", "7.01", "", "", "yes")
    assert person.run() == (True, {"ph": 7.01})
    assert any("nothing to store" in line for line in person.heard)


def test_a_typed_capture_is_stored_final_and_marked_as_typed_everywhere(ouzel):
    out, _ = typed(ouzel, "7,01\n215\n1,41 mS/cm\n\n\n\n21.4\nyes\n", "--water", "pond")
    assert "final, typed by hand" in out
    assert "7.010 ± 0.006" in out
    assert "never show that a water is safe to drink" in out
    (capture,), (reading,) = stored(ouzel)
    assert capture.state is CaptureState.FINAL
    assert capture.water == "pond"
    assert {v.source for v in capture.values.values()} == {"typed"}
    assert capture.values["conductivity"].value == pytest.approx(1410)
    assert capture.values["conductivity"].budget["resolution"] == pytest.approx(10 / 12**0.5)
    assert reading.values["conductivity"] == pytest.approx(1410)
    exported = ouzel.run("export", "csv", "captures", "--store", "water.db").stdout
    assert exported.count(",typed,") == 4
    out, _ = typed(ouzel, "7.02\n\n\n\n\n\n\nyes\n", "--json")
    said = json.loads(out)
    assert said["values"]["ph"]["source"] == "typed"
    assert said["values"]["ph"]["drift_per_min"] is None
    out, _ = typed(ouzel, "7.02\n\n\n\n\n\n\nyes\n", "--explain")
    assert "resolution of the display" in out
    assert "┤" not in out


def test_moving_numbers_are_kept_as_unsettled_with_code_4(ouzel):
    _, err = typed(ouzel, "7,01\n\n\n\n\n\n\nno\n", code=4)
    assert "still moving" in err
    (capture,), _ = stored(ouzel)
    assert capture.state is CaptureState.UNSETTLED


@pytest.mark.parametrize("text", ["", "7.01\n", "7.01\n215\n512\n\n\n\n\n"])
def test_the_end_of_input_leaves_nothing_half(ouzel, text):
    _, err = typed(ouzel, text, code=130)
    assert "Nothing was stored" in err
    assert stored(ouzel) == ([], [])


def test_bytes_that_are_no_text_are_no_number(ouzel):
    _, err = typed(ouzel, b"\xff\xfe\x1b[31m\n7.01\n\n\n\n\n\n\nyes\n")
    assert "no number" in err
    assert "\x1b" not in err


def test_ctrl_c_at_a_terminal_leaves_nothing_half(ouzel):
    far, near = pty.openpty()
    child = subprocess.Popen(
        [sys.executable, "-m", "acquire", "capture", "--by-hand", "--store", "water.db"],
        cwd=ouzel.folder,
        env=ouzel.environment,
        stdin=near,
        stdout=near,
        stderr=near,
    )
    os.close(near)
    heard = b""

    def wait_for(text):
        nonlocal heard
        deadline = time.monotonic() + 30
        while text not in heard and time.monotonic() < deadline:
            heard += os.read(far, 1000)
        assert text in heard

    wait_for(b"pH: ")
    os.write(far, b"7.01\n")
    wait_for(b"ORP (mV): ")
    child.send_signal(signal.SIGINT)
    wait_for(b"Nothing was stored")
    assert child.wait(10) == 130
    os.close(far)
    assert stored(ouzel) == ([], [])


def test_a_store_in_use_is_told_before_anything_is_typed(ouzel):
    ouzel.configure()
    ouzel.simulate("--water", "tap")
    daemon = ouzel.start("serve", "--speed", "60")
    ouzel.wait(lambda: "recording" in daemon.err.read_text(), daemon)
    _, err = typed(ouzel, "7.01\n", code=5)
    assert str(daemon.pid) in err
    assert "pH:" not in err
    ouzel.stop(daemon)


def test_a_configured_display_is_asked_for_what_it_shows(ouzel):
    (ouzel.folder / "ouzel.toml").write_text(
        '[meters.pen]\ndriver = "by_hand"\n'
        'quantities.ph = { unit = "pH", resolution = 0.1 }\n'
        'quantities.temperature = { unit = "F", resolution = 1 }\n'
    )
    out, err = typed(ouzel, "7.0\n70\nyes\n", "--json")
    assert "ORP" not in err
    said = json.loads(out)
    assert said["meter"] == "pen"
    assert said["values"]["temperature"]["value"] == pytest.approx(21.11, abs=0.01)
    done = ouzel.run("read", "--meter", "pen", code=3)
    assert "--by-hand" in done.stderr
    assert "say one of" in ouzel.run("read", "--by-hand", "--port", "./x", code=2).stderr
