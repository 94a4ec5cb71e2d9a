from __future__ import annotations

import argparse
import contextlib
import csv
import fcntl
import io
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from acquire.cli import COMMANDS, build_parser
from acquire.errors import OuzelError
from acquire.readings import CaptureState
from acquire.store.records import Records


def table(path):
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself(ouzel, command):
    assert f"usage: ouzel {command}" in ouzel.run(command, "--help").stdout


def test_the_help_of_all_says_of_each_what_its_own_file_says(ouzel):
    whole = build_parser()
    (commands,) = (a for a in whole._actions if isinstance(a, argparse._SubParsersAction))
    assert {one.dest: one.help for one in commands._choices_actions} == COMMANDS
    assert ouzel.run("--help").stdout.split("exit codes")[0].split() == (
        whole.format_help().split("exit codes")[0].split()
    )


def test_a_capture_waits_until_the_numbers_have_settled_stores_them_and_ends(ouzel):
    ouzel.simulate("--water", "tap", "--seed", "5")
    words = ("--port", "./probe", "--store", "water.db", "--speed", "60", "--timeout", "1800")
    done = ouzel.run("capture", "--json", "--water", "kitchen tap", "--role", "subject", *words)
    said = json.loads(done.stdout)
    assert said["state"] == "final"
    assert (said["water"], said["role"]) == ("kitchen tap", "subject")
    values = said["values"]
    assert values["conductivity"]["value"] == pytest.approx(486, rel=0.05)
    assert all(
        values[name]["phase"] == "settled" for name in ("ph", "orp", "conductivity", "temperature")
    )
    assert all(value["expanded_u"] > 0 for value in values.values())
    with Records.open(ouzel.folder / "water.db") as records:
        kept = records.capture(said["id"])
        assert kept.state is CaptureState.FINAL
        # One taken too early and withdrawn may stand beside it; nothing else.
        others = {c.state for c in records.captures() if c.id != kept.id}
        assert others <= {CaptureState.WITHDRAWN}
        assert kept.values["ph"].value == pytest.approx(values["ph"]["value"])
        assert len(list(records.readings())) >= 20


def test_what_does_not_settle_in_the_time_given_ends_with_code_4_and_is_kept_as_unsettled(ouzel):
    ouzel.simulate("--water", "tap")
    words = ("--port", "./probe", "--store", "water.db", "--speed", "60", "--timeout", "15")
    done = ouzel.run("capture", *words, code=4)
    assert "not settled within 15 s" in done.stderr
    with Records.open(ouzel.folder / "water.db") as records:
        (kept,) = records.captures()
        assert kept.state is CaptureState.UNSETTLED
        assert "ph" in kept.reason


@pytest.mark.parametrize("dialect", ["labelled", "columns", "polled"])
def test_every_dialect_of_the_simulator_is_read_by_the_profile_of_its_name(ouzel, dialect):
    ouzel.simulate("--water", "tap", "--dialect", dialect)
    words = ("--port", "./probe", "--profile", dialect, "--speed", "60", "--for", "40")
    lines = ouzel.run("read", "--json", *words).stdout.splitlines()
    readings = [item for item in map(json.loads, lines) if item["is"] == "reading"]
    assert len(readings) >= 10
    last = readings[-1]["values"]
    assert last["conductivity"] == pytest.approx(486, rel=0.06)
    assert last["tds"] == pytest.approx(last["conductivity"] / 2, abs=2)
    assert set(last) == {
        "ph", "orp", "conductivity", "tds", "salinity", "specific_gravity", "temperature"
    }  # fmt: skip


def test_read_prints_plain_lines_when_it_is_not_on_a_terminal(ouzel):
    ouzel.simulate("--water", "tap")
    out = ouzel.run("read", "--port", "./probe", "--speed", "60", "--for", "20").stdout
    assert "Conductivity 4" in out
    assert "\x1b" not in out


def test_the_daemon_names_the_waters_in_their_order_and_stops_within_two_seconds(ouzel):
    stops = '{ water = "check", role = "solution" }, { water = "tap" }'
    ouzel.configure(f"[bench]\nstops = [{stops}]")
    (ouzel.folder / "hand.toml").write_text(
        '[[stop]]\nwater = "buffer_7"\nin_air_s = 15\ndwell_s = 500\n'
        '[[stop]]\nwater = "tap"\nin_air_s = 15\ndwell_s = 500\n'
    )
    ouzel.simulate("--script", "hand.toml")
    daemon = ouzel.start("serve", "--json", "--speed", "60")

    def finals():
        said = map(json.loads, daemon.out.read_text().splitlines())
        return [s for s in said if s["is"] == "capture" and s["state"] == "final"]

    ouzel.wait(lambda: len(finals()) == 2, daemon)
    ouzel.stop(daemon)
    assert daemon.returncode == 0
    assert [(s["water"], s["role"]) for s in finals()] == [
        ("check", "solution"),
        ("tap", "subject"),
    ]
    done = ouzel.run("export", "csv", "captures")
    rows = list(csv.DictReader(io.StringIO(done.stdout)))
    assert {row["water"] for row in rows if row["state"] == "final"} == {"check", "tap"}
    assert {row["id"] for row in rows} >= {s["id"] for s in finals()}


def test_an_export_to_a_file_is_whole_or_leaves_the_old_one(ouzel):
    ouzel.simulate("--water", "tap")
    words = ("--port", "./probe", "--store", "water.db", "--speed", "60", "--timeout", "20")
    ouzel.run("capture", *words, code=4)
    ouzel.run("export", "csv", "readings", "--store", "water.db", "--out", "r.csv")
    rows = table(ouzel.folder / "r.csv")
    assert len(rows) >= 7 * 10
    assert not (ouzel.folder / "r.csv.part").exists()
    ouzel.run("export", "csv", "readings", "--store", "none.db", "--out", "r.csv", code=5)
    assert table(ouzel.folder / "r.csv") == rows


@pytest.mark.parametrize("when", ["yesterday", "2026-13-01", ""])
def test_a_time_that_is_none_is_one_clear_error(ouzel, when):
    done = ouzel.run("export", "csv", "readings", "--since", when, code=2)
    assert "ISO 8601" in done.stderr


def test_a_second_daemon_on_the_same_store_is_refused_and_disturbs_nothing(ouzel):
    ouzel.configure()
    ouzel.simulate("--water", "tap")
    first = ouzel.start("serve", "--speed", "60")
    ouzel.wait(lambda: "recording" in first.err.read_text(), first)
    refused = ouzel.run("serve", "--speed", "60", code=5)
    assert str(first.pid) in refused.stderr
    assert first.poll() is None
    ouzel.stop(first)


def test_without_meters_and_without_the_page_there_is_nothing_to_serve(ouzel):
    (ouzel.folder / "ouzel.toml").write_text("[page]\non = false\n")
    assert "no meter is configured" in ouzel.run("serve", code=2).stderr


def test_a_port_that_another_ouzel_owns_is_read_through_it(ouzel):
    ouzel.configure()
    ouzel.simulate("--water", "tap")
    first = ouzel.start("serve", "--speed", "60", "--json")
    ouzel.wait(lambda: "the page is at" in first.err.read_text(), first)
    for words in (("--meter", "kitchen"), ("--port", "./probe")):
        done = ouzel.run("read", *words, "--json", "--for", "2")
        assert "reads kitchen: this is what it says" in done.stderr
        readings = [json.loads(line) for line in done.stdout.splitlines()]
        assert any(one["is"] == "reading" and "ph" in one["values"] for one in readings)
    taken = ouzel.run("capture", "--water", "my well", "--json")
    assert "it takes this capture" in taken.stderr
    assert json.loads(taken.stdout)["state"] in {"provisional", "final"}
    ouzel.stop(first)


def test_a_port_in_use_is_refused_with_who_holds_it(ouzel):
    ouzel.configure()
    with (ouzel.folder / "ouzel.toml").open("a") as file:
        file.write("\n[page]\non = false\n")
    ouzel.simulate("--water", "tap")
    first = ouzel.start("serve", "--speed", "60", "--json")
    ouzel.wait(lambda: "recording" in first.err.read_text(), first)
    ouzel.wait(lambda: len(list((ouzel.folder).glob("water.db*"))) > 1, first)
    words = ("--port", "./probe", "--json", "--for", "5", "--speed", "1")
    done = ouzel.run("read", *words, code=3)
    lost = [json.loads(line) for line in done.stdout.splitlines()]
    assert any(e["kind"] == "meter_not_reached" and str(first.pid) in e["text"] for e in lost)


def test_find_works_with_no_port_at_all_and_says_what_to_do(ouzel):
    text = ouzel.run("find", "--no-bluetooth").stdout
    assert "port" in text.lower()
    found = json.loads(ouzel.run("find", "--json", "--no-bluetooth").stdout)
    assert isinstance(found["ports"], list)


def test_doctor_looks_at_everything_and_finds_a_missing_port(ouzel):
    findings = {f["subject"]: f for f in json.loads(ouzel.run("doctor", "--json").stdout)}
    assert {"ouzel", "python", "sqlite", "configuration", "store", "clock"} <= set(findings)
    ouzel.configure(port="/dev/serial/by-id/not-there")
    done = ouzel.run("doctor", code=1)
    assert "BAD  meter kitchen" in done.stdout


def test_config_show_prints_what_config_would_read_again(ouzel):
    ouzel.configure(
        '[bench]\nstops = [{ water = "tap 😀 \\u007f" }, { water = "rinse", role = "rinse" }]\n'
        "tolerance.turbidity = 0.5\n"
        '[quantities.turbidity]\nlabel = "Turbidity"\nunit = "[NTU]"\ndigits = 2\nlow = 0\n'
        'high = 1000\ntolerance = { absolute = 0.1, relative = 0.05 }\nsenml_unit = "/"'
    )
    shown = ouzel.run("config", "show").stdout
    assert "[quantities.turbidity]" in shown
    before = ouzel.run("config", "show", "--json").stdout
    (ouzel.folder / "ouzel.toml").write_text(shown)
    assert ouzel.run("config", "show", "--json").stdout == before
    assert "good" in ouzel.run("config", "check").stdout


@pytest.mark.parametrize(
    ("words", "code", "expected"),
    [
        (("read", "--port", "./nowhere", "--for", "2"), 3, "nowhere"),
        (("read",), 2, "ouzel find"),
        (("read", "--meter", "bath"), 2, "bath"),
        (("read", "--port", "./x", "--profile", "no-such"), 2, "labelled"),
        (
            ("read", "--port", "./x", "--profile", "labeled"),
            2,
            "ouzel: --profile: no such profile, did you mean labelled?",
        ),
        (
            ("read", "--port", "probe"),
            2,
            "ouzel: --port: not a port (for a file here write ./probe)",
        ),
        (("export", "csv", "readings", "--store", "~nosuchuser/w.db"), 2, "~nosuchuser"),
        (("serve", "--config", "gone.toml"), 2, "gone.toml"),
        ((), 2, "wait until the numbers have settled"),
        (("cature",), 2, "ouzel: there is no command 'cature'. Did you mean capture"),
        (("<b>",), 2, "`ouzel --help` lists them all"),
        (("simulate", "--water", "lava"), 2, "tap"),
        (("read", "--speed", "0"), 2, "above zero"),
        (("export", "csv", "readings"), 5, "no store"),
    ],
)
def test_bad_input_is_one_clear_line(ouzel, words, code, expected):
    done = ouzel.run(*words, code=code)
    assert expected in done.stderr + done.stdout
    assert "Traceback" not in done.stderr


def test_a_closed_pipe_ends_a_reader_without_a_complaint(ouzel):
    ouzel.simulate("--water", "tap")
    command = "read --port ./probe --speed 60 --json | head -n 2"
    done = subprocess.run(
        f"{sys.executable} -m acquire {command} 2>&1",
        shell=True,
        cwd=ouzel.folder,
        env=ouzel.environment,
        capture_output=True,
        text=True,
        timeout=40,
        check=False,
    ).stdout.splitlines()
    assert len([line for line in done if line.startswith("{")]) == 2
    assert not any("Traceback" in line for line in done)


@pytest.mark.timeout(240)
def test_the_demo_runs_twice_in_a_row_and_compares_the_waters(ouzel):
    for _ in range(2):
        out = ouzel.run("demo", "--speed", "60").stdout
        assert "3 of 3 captures" in out
        assert "never show that a water is safe to drink" in out
    (conductivity,) = [line for line in out.splitlines() if line.startswith("Conductivity µ")][-1:]
    assert conductivity.rstrip().endswith("yes")
    assert len(table(ouzel.folder / "demo-output/captures.csv")) >= 21
    report = (ouzel.folder / "demo-output/round.html").read_text(encoding="utf-8")
    assert "kitchen tap" in report
    assert "never show that a water is safe to drink" in report


def test_the_demo_touches_no_folder_that_is_not_its_own(ouzel):
    mine = ouzel.folder / "mine"
    mine.mkdir()
    (mine / "ouzel.toml").write_text("# precious")
    (mine / "captures.csv").write_text("keep")
    done = ouzel.run("demo", "--into", "mine", code=2)
    assert "not made by the demo" in done.stderr
    assert (mine / "ouzel.toml").read_text() == "# precious"
    assert (mine / "captures.csv").read_text() == "keep"


def test_a_demo_that_is_ended_from_outside_leaves_no_process_behind(ouzel):
    demo = ouzel.start("demo", "--into", "d")
    ouzel.wait((ouzel.folder / "d/demo.db").exists, demo)
    children = Path(f"/proc/{demo.pid}/task/{demo.pid}/children").read_text().split()
    assert len(children) == 2
    ouzel.stop(demo, signal.SIGTERM, within=8)
    assert not [pid for pid in children if Path(f"/proc/{pid}").exists()]


def test_two_simulated_probes_do_not_take_one_name(ouzel):
    first = ouzel.simulate("--water", "tap")
    done = ouzel.run("simulate", "--link", "probe", code=2)
    assert "another simulated probe" in done.stderr
    assert first.poll() is None


def test_a_capture_left_open_by_a_crash_is_never_handed_out_as_a_new_one(ouzel):
    ouzel.simulate("--water", "tap")
    ouzel.configure()
    daemon = ouzel.start("serve", "--json", "--speed", "60")
    ouzel.wait(lambda: '"provisional"' in daemon.out.read_text(), daemon)
    daemon.kill()
    daemon.wait()
    words = ("--store", "water.db", "--port", "./probe", "--speed", "60", "--timeout", "20")
    done = ouzel.run("capture", "--json", "--water", "new", *words, code=4)
    assert json.loads(done.stdout.splitlines()[0])["water"] == "new"
    with Records.open(ouzel.folder / "water.db") as records:
        (old,) = [c for c in records.captures() if c.water != "new"]
        assert old.state is CaptureState.FINAL
        assert "program ended" in old.reason


def test_a_terminal_that_takes_nothing_stops_neither_the_readings_nor_the_stop(ouzel):
    ouzel.configure()
    ouzel.simulate("--water", "tap", "--rate", "10")
    read_end, write_end = os.pipe()
    daemon = subprocess.Popen(
        [sys.executable, "-m", "acquire", "serve", "--live", "--speed", "60"],
        cwd=ouzel.folder,
        env=ouzel.environment,
        stdout=write_end,
        stderr=subprocess.DEVNULL,
    )
    os.close(write_end)
    ouzel.started.append(daemon)
    fcntl.fcntl(read_end, 1031, 4096)  # F_SETPIPE_SZ: a pipe that is soon full

    def count():
        with contextlib.suppress(OuzelError), Records.open(ouzel.folder / "water.db") as records:
            return sum(1 for _ in records.readings())
        return 0

    try:
        ouzel.wait(lambda: count() > 2500)
        ouzel.stop(daemon, signal.SIGTERM, within=3.0)
    finally:
        os.close(read_end)


def test_a_daemon_whose_output_is_closed_goes_on_recording(ouzel):
    ouzel.configure()
    ouzel.simulate("--water", "tap")
    command = f"{sys.executable} -m acquire serve --live --speed 60 | head -n 1"
    shell = subprocess.Popen(
        command, shell=True, cwd=ouzel.folder, env=ouzel.environment,
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True,
    )  # fmt: skip

    def gone():
        with contextlib.suppress(OuzelError), Records.open(ouzel.folder / "water.db") as records:
            told = list(records.events(kind="screen_gone"))
            last = [r.stamp.at_ms for r in records.readings()]
            return bool(told) and last[-1] - told[0].stamp.at_ms > 60_000
        return False

    try:
        ouzel.wait(gone)
    finally:
        os.killpg(shell.pid, signal.SIGTERM)
        shell.wait()


def test_closing_the_terminal_ends_the_daemon_cleanly(ouzel):
    ouzel.configure()
    ouzel.simulate("--water", "tap")
    daemon = ouzel.start("serve", "--speed", "60")
    ouzel.wait(lambda: "settled" in daemon.out.read_text(), daemon)
    ouzel.stop(daemon, signal.SIGHUP)
    with Records.open(ouzel.folder / "water.db") as records:
        assert {c.state for c in records.captures()} <= {CaptureState.FINAL, CaptureState.WITHDRAWN}
        assert [run.is_clean for run in records.runs()] == [True]


@pytest.mark.parametrize("command", ["read", "capture"])
def test_stopping_before_there_was_anything_ends_with_130(ouzel, command):
    ouzel.simulate("--script", "household")
    more = () if command == "read" else ("--store", "water.db")
    child = ouzel.start(command, "--port", "./probe", "--profile", "polled", *more)
    ouzel.wait(lambda: "poll" in Path(f"/proc/{child.pid}/cmdline").read_text(), child)
    until = time.monotonic() + 1.5
    ouzel.wait(lambda: time.monotonic() > until, child)
    ouzel.stop(child)
    assert child.returncode == 130


@pytest.mark.parametrize("stream", ["1>&-", ">/dev/full"])
def test_an_output_that_cannot_be_written_is_no_traceback(ouzel, stream):
    done = subprocess.run(
        f"{sys.executable} -m acquire doctor {stream}",
        shell=True, cwd=ouzel.folder, env=ouzel.environment,
        capture_output=True, text=True, timeout=40, check=False,
    )  # fmt: skip
    assert "Traceback" not in done.stderr


def test_a_terminal_without_our_letters_is_served_all_the_same(ouzel):
    ouzel.simulate("--water", "tap")
    ouzel.environment["PYTHONIOENCODING"] = "ascii"
    out = ouzel.run("read", "--port", "./probe", "--speed", "60", "--for", "20").stdout
    assert "Conductivity 4" in out


def test_a_capture_can_be_given_its_right_name_and_the_old_one_is_kept(ouzel):
    ouzel.simulate("--water", "tap")
    words = ("--store", "water.db", "--port", "./probe", "--speed", "60", "--timeout", "15")
    ouzel.run("capture", "--json", "--water", "vinegar", *words, code=4)
    with Records.open(ouzel.folder / "water.db") as records:
        (before,) = records.captures()
    more = ("--store", "water.db", "--water", "kitchen tap", "--role", "subject")
    out = ouzel.run("name", before.id, *more).stdout
    assert "vinegar" in out
    assert "kitchen tap (subject)" in out
    with Records.open(ouzel.folder / "water.db") as records:
        (after,) = records.captures()
        assert (after.water, after.role, after.values) == ("kitchen tap", "subject", before.values)
        assert [c.water for c in records.history(before.id)] == ["vinegar", "kitchen tap"]
    assert "no such capture" in ouzel.run("name", "none", *more, code=2).stderr


def test_exported_readings_can_be_gone_through_again(ouzel):
    ouzel.configure()
    (ouzel.folder / "hand.toml").write_text(
        '[[stop]]\nwater = "tap"\nin_air_s = 30\ndwell_s = 900\n'
    )
    ouzel.simulate("--script", "hand.toml")
    daemon = ouzel.start("serve", "--json", "--speed", "60")
    ouzel.wait(lambda: '"final"' in daemon.out.read_text(), daemon)
    ouzel.stop(daemon)
    ouzel.run("export", "csv", "readings", "--out", "r.csv")
    (first,) = [s for s in map(json.loads, daemon.out.read_text().splitlines())
                if s["is"] == "capture" and s["state"] == "final"]  # fmt: skip
    said = [json.loads(line) for line in ouzel.run("replay", "r.csv", "--json").stdout.splitlines()]
    (again,) = [s for s in said if s["is"] == "capture" and s["state"] == "final"]
    assert again["values"]["ph"]["value"] == pytest.approx(first["values"]["ph"]["value"], abs=0.01)
    drawn = ouzel.run("replay", "r.csv", "--settle").stdout
    assert "┄" in drawn
    assert "╷" in drawn
    assert all(len(line) <= 80 for line in drawn.splitlines())


def test_exported_readings_of_a_quantity_that_is_not_configured_are_one_clear_error(ouzel):
    (ouzel.folder / "r.csv").write_text(
        "time,meter,quantity,value,unit,flag\n2026-09-21T14:13:20.000Z,k,turbidty,1.5,[NTU],\n"
    )
    done = ouzel.run("replay", "r.csv", "--settle", code=2)
    assert done.stderr.startswith("ouzel: r.csv: quantity: unknown quantity: describe it")
    assert "found 'turbidty'; allowed: ph, orp," in done.stderr


@pytest.mark.parametrize(
    ("wire", "dialect"), [("modbus", "scaled"), ("modbus", "floats"), ("sdi12", "described_8n1")]
)
def test_the_simulated_probe_is_read_over_every_wired_bus(ouzel, wire, dialect):
    more = () if wire == "sdi12" else ("--dialect", dialect)
    speed = "3" if wire == "sdi12" else "20"  # SDI-12 counts milliseconds
    child = ouzel.start(
        "simulate", "--wire", wire, *more, "--water", "tap", "--link", "probe", "--speed", speed
    )
    ouzel.wait(lambda: "Read it with" in child.out.read_text(), child)
    (line,) = [x for x in child.out.read_text().splitlines() if x.strip().startswith("ouzel read")]
    words = line.split()[1:]
    out = ouzel.run(*words, "--json", "--for", "30", "--speed", speed).stdout.splitlines()
    readings = [said for said in map(json.loads, out) if said["is"] == "reading"]
    assert readings
    assert readings[-1]["values"]["conductivity"] == pytest.approx(486, rel=0.06)


def test_find_says_in_a_word_why_there_is_no_bluetooth(ouzel):
    ouzel.environment["DBUS_SYSTEM_BUS_ADDRESS"] = f"unix:path={ouzel.folder}/nowhere"
    found = json.loads(ouzel.run("find", "--json", "--bluetooth", "0.5").stdout)
    assert found["bluetooth"] == []
    assert found["problem"]


def test_a_meter_that_ends_its_lines_otherwise_is_not_called_silent(ouzel):
    ouzel.simulate("--water", "tap", "--dialect", "columns")
    words = ("--port", "./probe", "--profile", "labelled", "--speed", "60", "--for", "20")
    done = ouzel.run("read", *words, code=3)
    assert "no line ends as the profile says" in done.stdout
    assert "ouzel learn" in done.stderr
