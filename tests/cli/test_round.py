"""`ouzel plan` and the parts of `ouzel round` that need no probe: keys, guidance, refusals."""

from __future__ import annotations

import io
import json
import os
import pty
import subprocess
import sys
from dataclasses import replace

import pytest

from acquire.bench.standing import Status
from acquire.cli import main
from acquire.cli.round_keys import Keys
from acquire.outlets.round_view import RoundTable, guidance_lines
from acquire.quantities import BUILT_IN
from acquire.readings import Stamp
from acquire.rounds import Guidance
from acquire.walking import guidance_event, guidance_of

SAID = Guidance(
    "kitchen", "r1", "sunday", 1, "Put the probe into tap.", "Then the round is done.",
    (("ro (reference)", "taken"), ("tap (subject)", "now")), "Which water?", ("tap", "ro"),
    ("ro \x1b[31m is warm.",), False,
)  # fmt: skip


@pytest.fixture
def home(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    return tmp_path


def test_a_new_plan_is_written_listed_shown_and_never_written_over(home, capsys):
    words = ["plan", "new", "mine", "--subject", "jug", "--subject", "tap", "--yes"]
    assert main(words) == 0
    assert (home / "plans" / "mine.toml").exists()
    assert main(["plan", "list", "--json"]) == 0
    out = capsys.readouterr().out
    assert {one["plan"] for one in json.loads(out[out.index("[\n") :])} == {
        "mine",
        "two-waters",
        "before-and-after",
    }
    assert main(["plan", "show", "mine"]) == 0
    out = capsys.readouterr().out
    assert "jug (subject), 3 times" in out
    assert all(len(line) < 80 for line in out.splitlines())
    assert main(words) == 2
    assert "there already" in capsys.readouterr().err


def test_without_a_terminal_nothing_is_asked(home, capsys):
    assert main(["plan", "new", "mine"]) == 2
    assert "--yes" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("typed", "code", "said"),
    [
        (b"my jug\n\n-\n\n2\n", 0, "plans/mine.toml"),
        (b"my jug\n\x04", 2, "nothing was written"),
        (b"\n\n\n\nmany\n", 2, "1 to 20"),
    ],
)
def test_the_questions_of_a_new_plan_may_be_left_at_any_of_them(ouzel, typed, code, said):
    main, side = pty.openpty()
    child = subprocess.Popen(
        [sys.executable, "-m", "acquire", "plan", "new", "mine"],
        cwd=ouzel.folder, env=ouzel.environment, stdin=side, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    os.close(side)
    os.write(main, typed)
    out, err = child.communicate(timeout=60)
    os.close(main)
    assert child.returncode == code, err
    assert said in out + err
    assert "Traceback" not in err
    assert (ouzel.folder / "plans" / "mine.toml").exists() is (code == 0)


def test_what_is_wrong_with_a_plan_is_told_before_anything_is_opened(home, capsys):
    (home / "bad.toml").write_text('[[stop]]\nwater = "x"\nrinse = "y"\n', encoding="utf-8")
    for words in (["plan", "check", "bad.toml"], ["round", "bad.toml"]):
        assert main(words) == 2
        assert "exactly one thing" in capsys.readouterr().err
    assert main(["round", "none"]) == 2
    assert "two-waters" in capsys.readouterr().err
    assert main(["round", "--say", "skip"]) == 2
    assert "no `ouzel serve` runs" in capsys.readouterr().err


def test_keys_are_orders_and_typed_lines():
    keys = Keys("kitchen")
    assert keys.press("s") == ("skip", "")
    assert keys.press("2") == ("answer", "2")
    assert [keys.press(k) for k in "nabX\x7f"] == [None] * 5
    assert keys.press("\n") == ("note", "ab")
    assert [keys.press(k) for k in "a3 0"] == [None] * 4
    assert keys.press("\x1b") is None
    assert keys.press("x") == ("stop", "")
    assert keys.press("q") is None


def test_a_count_is_typed_as_it_is_read_and_shown_as_it_grows():
    shown = []
    keys = Keys("kitchen", shown.append, offers=lambda: False)
    assert [keys.press(k) for k in "3 0 2"] == [None] * 5
    assert "3 0 2" in shown[-1]
    assert keys.press("\n") == ("answer", "3 0 2")
    assert shown[-1] == ""


def test_a_round_that_is_over_asks_nothing_more():
    text = "\n".join(guidance_lines(replace(SAID, is_over=True)))
    assert "Put the probe" in text
    assert "Which water" not in text
    assert "is warm" not in text


def test_a_word_that_is_none_is_told_with_those_there_are(home, capsys):
    assert main(["round", "--say", "jump"]) == 2
    assert "skip" in capsys.readouterr().err


def test_guidance_comes_back_from_the_store_as_it_was():
    assert guidance_of(guidance_event(SAID, Stamp(5, 5))) == SAID


def test_guidance_is_plain_and_no_name_commands_the_terminal():
    text = "\n".join(guidance_lines(SAID, 40))
    assert ">>> Put the probe into tap." in text
    assert "2: ro" in text
    assert "\x1b" not in text


def test_while_particles_are_counted_nobody_is_told_to_put_the_probe_anywhere():
    from rich.console import Console

    for say, is_told in (("Count the particles of tap.", False), ("Put the probe into tap.", True)):
        table = RoundTable(BUILT_IN)
        table.hear(Status("kitchen", Stamp(5, 5), "air", 1, 0.0, "tap", (), None))
        table.hear(replace(SAID, say=say, question="", answers=()))
        out = io.StringIO()
        Console(file=out, width=80).print(*table._parts())
        assert say.split(".")[0] in out.getvalue()
        assert ("in air" in out.getvalue()) is is_told
