"""The demonstration: a simulated probe in one process, the daemon in another, a port between.

Everything is the real thing but the water: the daemon opens the port through the same driver, waits
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

from acquire.bench.comparison import compare
from acquire.errors import ConfigError, OuzelError, StoreError
from acquire.outlets.comparison_words import table_lines
from acquire.outlets.words import CAUTION
from acquire.quantities import BUILT_IN
from acquire.readings import Capture, CaptureState
from acquire.store.export import write_captures, write_readings
from acquire.store.records import Records

__all__ = ["STOPS", "run_demo"]

STOPS = (
    ("check solution pH 7", "solution", "buffer_7", 300),
    ("rinse", "rinse", "reverse_osmosis", 420),
    ("reverse osmosis", "reference", "reverse_osmosis", 420),
    ("kitchen tap", "subject", "tap", 480),
)
"""Name, role, which simulated water, and how long this patient person leaves the probe, in s."""

_LENGTH_S = sum(seconds + 12 for *_, seconds in STOPS) + 60.0

_OURS: tuple[str, ...] = (
    "demo.db",
    "demo.db-wal",
    "demo.db-shm",
    "demo.db.lock",
    "ouzel.toml",
    "hand.toml",
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
    print(
        f"A simulated probe, and a hand that moves it through {len(STOPS)} waters,\n"
        f"{speed:g} times as fast as real (so its clock runs ahead). The daemon reads it\n"
        "through a serial port and takes a capture when the numbers have come to rest.\n",
        flush=True,
    )
    probe = [*_ouzel("simulate"), "--link", str(into / "probe"), "--seed", str(seed)]
    probe += ["--script", str(into / "hand.toml")]
    reader = [*_ouzel("serve"), "--live", "--config", str(config)]
    with _process([*probe, "--speed", f"{speed:g}"], quiet=True) as simulator:
        _wait_for(into / "probe", simulator)
        with _process([*reader, "--speed", f"{speed:g}"]) as daemon:
            finals = _wait_for_captures(into / "demo.db", daemon, patience_s=_LENGTH_S / speed + 5)
    _report(into, finals)
    return 0 if len(finals) == len(STOPS) else 4


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
    stops = ",\n".join(f'    {{ water = "{water}", role = "{role}" }}' for water, role, *_ in STOPS)
    return (
        "# Written by `ouzel demo`. A real meter needs only another port and profile.\n"
        f'[store]\npath = "demo.db"\n\n[bench]\nstops = [\n{stops},\n]\n\n'
        '[meters.kitchen]\ndriver = "text_lines"\nprofile = "labelled"\n'
        f"port = {json.dumps(str(into / 'probe'), ensure_ascii=False)}\n"
    )


def _hand() -> str:
    stops = (f'[[stop]]\nwater = "{w}"\nin_air_s = 12\ndwell_s = {s}\n' for *_, w, s in STOPS)
    return 'title = "A check, a rinse, a reference and a subject"\n\n' + "\n".join(stops)


def _ouzel(command: str) -> list[str]:
    return [sys.executable, "-m", "acquire", command]


@contextlib.contextmanager
def _process(command: Sequence[str], *, quiet: bool = False) -> Iterator[subprocess.Popen[bytes]]:
    """A child that ends with us: asked first, then made to."""
    out = subprocess.DEVNULL if quiet else None
    # A session of its own: Ctrl-C reaches only us, and we stop the children in order.
    child = subprocess.Popen(command, stdout=out, stderr=out, start_new_session=True)
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


def _wait_for_captures(
    store: Path, daemon: subprocess.Popen[bytes], *, patience_s: float
) -> list[Capture]:
    """Look into the store, as any reader may, until every stop has its final capture."""
    deadline = time.monotonic() + patience_s
    finals: list[Capture] = []
    while len(finals) < len(STOPS) and time.monotonic() < deadline and daemon.poll() is None:
        time.sleep(0.2)
        with contextlib.suppress(StoreError):  # not there yet
            finals = _finals(store)
    return finals


def _finals(store: Path) -> list[Capture]:
    records = Records.open(store)
    try:
        found = list(records.captures(state=CaptureState.FINAL))
    finally:
        records.close()
    return sorted(found, key=lambda capture: capture.started.at_ms)


def _report(into: Path, finals: Sequence[Capture]) -> None:
    print()
    reference = next((c for c in finals if c.role == "reference"), None)
    subject = next((c for c in finals if c.role == "subject"), None)
    if reference is not None and subject is not None:
        _table(into, reference, subject)
    print(f"\n{CAUTION}\n")
    for what, write in (("readings", write_readings), ("captures", write_captures)):
        records = Records.open(into / "demo.db")
        try:
            with (into / f"{what}.csv").open("w", encoding="utf-8", newline="") as file:
                write(records, file)
        finally:
            records.close()
    print(f"{len(finals)} of {len(STOPS)} captures. The files are in {into}:")
    for name, what in (
        ("demo.db", "the store: every reading, capture and event (SQLite)"),
        ("captures.csv", "the captures for a spreadsheet"),
        ("readings.csv", "every reading"),
        ("ouzel.toml", "the configuration the daemon ran with"),
    ):
        print(f"    {name:<14} {what}")


def _table(into: Path, reference: Capture, subject: Capture) -> None:
    with Records.open(into / "demo.db") as records:
        channels = {reference.meter: records.channels(reference.meter)}
    print(*table_lines(compare(reference, subject, channels), BUILT_IN), sep="\n")
    print(
        "\n± is 95 %: of a water with all that the meter may be off, of the difference without\n"
        "what is the same in both. `ouzel compare` says more."
    )
