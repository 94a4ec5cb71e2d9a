"""The demonstration: a simulated probe in one process, a round in another, a port between.

Everything is the real thing but the water: the round opens the port through the same driver, waits
for the same settling and writes the same store as with an instrument. Only time runs faster.
"""

from __future__ import annotations

import contextlib
import json
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from textwrap import fill

from acquire.bench.chosen import compare_stored
from acquire.errors import ConfigError, OuzelError
from acquire.outlets.comparison_words import answer, table_lines
from acquire.quantities import BUILT_IN
from acquire.readings import Capture, CaptureState, Role
from acquire.store.export import write_captures, write_readings
from acquire.store.records import Records

__all__ = ["run_demo"]

PLAN = """\
title = "A check, a rinse, a reference and a subject"

[[stop]]
check = "buffer-7.00"

[[stop]]
rinse = "reverse osmosis"
seconds = 20

[[stop]]
reference = "reverse osmosis"

[[stop]]
subject = "kitchen tap"
"""
"""The round: what `ouzel plan new` would write."""

HAND = (("buffer_7", 300), ("reverse_osmosis", 45), ("reverse_osmosis", 1500), ("tap", 600))
"""Which simulated water, and how long this patient person leaves the probe there, in s."""

_LENGTH_S = sum(seconds + 12 for _, seconds in HAND) + 60.0
_CAPTURES = 3

_OURS: tuple[str, ...] = (
    "demo.db",
    "demo.db-wal",
    "demo.db-tail0",
    "demo.db-tail1",
    "demo.db-shm",
    "demo.db.lock",
    "ouzel.toml",
    "hand.toml",
    "sunday.toml",
    "round.html",
)
_OURS += ("probe", "readings.csv", "captures.csv")


def run_demo(folder: str, *, seed: int, speed: float) -> int:
    """Run it; give the exit code. Files of an earlier demo in the folder are replaced."""
    # Ended from outside, we still have to end the children.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    into = _folder(Path(folder).expanduser().absolute())
    config = into / "ouzel.toml"
    config.write_text(_config(into), encoding="utf-8")
    (into / "hand.toml").write_text(_hand(), encoding="utf-8")
    (into / "sunday.toml").write_text(PLAN, encoding="utf-8")
    print(
        f"A simulated probe, a hand that moves it through {len(HAND)} waters, and a round that\n"
        f"says what to do and takes the numbers when they have come to rest. Its time runs\n"
        f"{speed:g} times as fast as real, so its clock runs ahead; all else is as at the sink.\n",
        flush=True,
    )
    probe = [*_ouzel("simulate"), "--link", str(into / "probe"), "--seed", str(seed)]
    probe += ["--script", str(into / "hand.toml")]
    walker = [*_ouzel("round"), str(into / "sunday.toml"), "--config", str(config)]
    with _process([*probe, "--speed", f"{speed:g}"], quiet=True) as simulator:
        _wait_for(into / "probe", simulator)
        with (
            _process([*walker, "--speed", f"{speed:g}"]) as walking,
            contextlib.suppress(subprocess.TimeoutExpired),
        ):
            walking.wait(_LENGTH_S / speed + 5)
    finals = _finals(into / "demo.db")
    is_whole = len(finals) == _CAPTURES
    _report(into, finals)
    return 0 if is_whole else 4


def _folder(into: Path) -> Path:
    """Give an empty folder of ours; a person's own files are never touched."""
    mark = into / "made-by-ouzel-demo"
    try:
        into.mkdir(parents=True, exist_ok=True)
        if not mark.exists() and any(into.iterdir()):
            raise ConfigError(
                "this folder is not empty and was not made by the demo: name another with --into",
                file=into,
            )
        for name in _OURS:
            (into / name).unlink(missing_ok=True)
        mark.write_text("`ouzel demo` replaces the files it made here.\n", encoding="utf-8")
    except OSError as error:
        raise ConfigError(f"cannot be used: {error.strerror}", file=into) from error
    return into


def _config(into: Path) -> str:
    return (
        "# Written by `ouzel demo`. A real meter needs only another port and profile.\n"
        '[store]\npath = "demo.db"\n\n'
        '[meters.kitchen]\ndriver = "text_lines"\nprofile = "labelled"\n'
        f"port = {json.dumps(str(into / 'probe'), ensure_ascii=False)}\n"
    )


def _hand() -> str:
    stops = (f'[[stop]]\nwater = "{w}"\nin_air_s = 12\ndwell_s = {s}\n' for w, s in HAND)
    return 'title = "A check, a rinse, a reference and a subject"\n\n' + "\n".join(stops)


def _ouzel(command: str) -> list[str]:
    return [sys.executable, "-m", "acquire", command]


@contextlib.contextmanager
def _process(command: Sequence[str], *, quiet: bool = False) -> Iterator[subprocess.Popen[bytes]]:
    """A child that ends with us: asked first, then made to."""
    out = subprocess.DEVNULL if quiet else None
    # A session of its own: Ctrl-C reaches only us, and we stop the children in order.
    child = subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=out, stderr=out, start_new_session=True
    )
    try:
        yield child
    finally:
        child.send_signal(signal.SIGINT)
        try:
            child.wait(5)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()


def _wait_for(link: Path, simulator: subprocess.Popen[bytes]) -> None:
    deadline = time.monotonic() + 20
    while not link.exists():
        if simulator.poll() is not None or time.monotonic() > deadline:
            raise OuzelError("the simulated probe did not start; run `ouzel simulate` to see why")
        time.sleep(0.02)


def _finals(store: Path) -> list[Capture]:
    if not store.exists():
        return []
    with Records.open(store) as records:
        found = [
            capture
            for capture in records.captures(state=CaptureState.FINAL)
            if capture.role is not Role.RINSE
        ]
    return sorted(found, key=lambda capture: capture.started.at_ms)


def _report(into: Path, finals: Sequence[Capture]) -> None:
    print(flush=True)
    if not finals:
        print("Nothing came to rest in the time this hand had: try another --seed.")
        return
    for what, write in (("readings", write_readings), ("captures", write_captures)):
        with (
            Records.open(into / "demo.db") as records,
            (into / f"{what}.csv").open("w", encoding="utf-8", newline="") as file,
        ):
            write(records, file)
    with Records.open(into / "demo.db") as records:
        (walked,) = records.rounds()
        if walked.state == "done":
            for found in compare_stored(records, walked.id):
                print(fill(answer(found, BUILT_IN), 79), "", sep="\n")
                print(*table_lines(found, BUILT_IN), "", sep="\n")
            print("± is 95 %. More of it: `ouzel compare`, and the report.")
    _write_report(into, walked.id)
    if walked.state != "done":
        print("This hand left before the numbers had come to rest: try another --seed.")
    print(f"\n{len(finals)} of {_CAPTURES} captures. The files are in {into}:")
    for name, what in (
        ("round.html", "the report of the round: open it in a browser, print it"),
        ("demo.db", "the store: every reading, capture and event (SQLite)"),
        ("captures.csv", "the captures for a spreadsheet"),
        ("readings.csv", "every reading"),
        ("ouzel.toml", "the configuration it ran with; sunday.toml is the plan"),
    ):
        print(f"    {name:<14} {what}")


def _write_report(into: Path, round_id: str) -> None:
    words = [round_id, "--out", str(into / "round.html"), "--config", str(into / "ouzel.toml")]
    done = subprocess.run([*_ouzel("report"), *words], stdout=subprocess.DEVNULL, check=False)
    if done.returncode:
        raise OuzelError("the report could not be written; what was taken is in the store")
