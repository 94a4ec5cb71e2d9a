"""What the service manager hears: sd_notify(3) over a real Unix socket, and only while work is done.

The form of the datagrams (READY=1, STATUS=, WATCHDOG=1, STOPPING=1, one assignment a line, an
address that begins with @ meaning the abstract namespace) is that of the manual page sd_notify(3);
WATCHDOG_USEC and WATCHDOG_PID that of sd_watchdog_enabled(3). Both from memory.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import secrets
import signal
import socket
import subprocess
import sys
import threading
import time
from typing import ClassVar

import pytest

from acquire import config, daemon
from acquire.clock import SystemClock
from acquire.daemon import Daemon
from acquire.notify import Notifier
from acquire.outlets import manager
from acquire.outlets.manager import ManagerOutlet
from acquire.progress import Progress
from acquire.readings import Channel, Event, Reading
from acquire.store.ledger import Ledger
from acquire.store.records import Records
from acquire.store.writer import WriterStats

NAMES = ["abstract", "path"]


class Ear:
    """The manager's end of the socket."""

    def __init__(self, address):
        self.address = address
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind("\0" + address[1:] if address.startswith("@") else address)
        self.socket.setblocking(False)
        self.heard = []

    def hear(self):
        with contextlib.suppress(BlockingIOError):
            while True:
                self.heard.append(self.socket.recv(4096).decode())
        return self.heard

    def count(self, text):
        return sum(text in datagram.splitlines() for datagram in self.hear())

    def words(self):
        lines = [line for datagram in self.hear() for line in datagram.splitlines()]
        return [line.removeprefix("STATUS=") for line in lines if line.startswith("STATUS=")]


@pytest.fixture(params=NAMES)
def ear(request, tmp_path):
    name = f"@ouzel-{secrets.token_hex(8)}"
    ear = Ear(name if request.param == "abstract" else str(tmp_path / "notify"))
    yield ear
    ear.socket.close()


def until(condition, within_s=20):
    end = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < end, "it did not happen in time"
        time.sleep(0.02)


def test_each_message_is_one_datagram_of_the_protocol(ear):
    notifier = Notifier(ear.address, 30.0)
    notifier.ready("waiting")
    notifier.status("reading kitchen")
    notifier.status("reading kitchen")  # nothing new
    notifier.alive()
    notifier.stopping()
    assert ear.hear() == [
        "READY=1\nSTATUS=waiting",
        "STATUS=reading kitchen",
        "WATCHDOG=1",
        "STOPPING=1\nSTATUS=stopping: keeping what was read",
    ]


def test_a_hostile_name_cannot_speak_the_protocol(ear):
    Notifier(ear.address).status("tap\nWATCHDOG=1\r\nMAINPID=1\0" + "x" * 1000)
    (heard,) = ear.hear()
    assert len(heard.splitlines()) == 1
    assert len(heard) < 250


def test_a_manager_that_is_gone_or_does_not_listen_costs_nothing(tmp_path, ear):
    Notifier(str(tmp_path / "nobody")).ready("x")
    notifier = Notifier(ear.address)
    began = time.monotonic()
    for n in range(5000):  # far more than the socket's queue takes, and nobody takes them out
        notifier.status(str(n))
    assert time.monotonic() - began < 5


@pytest.mark.parametrize(
    ("environment", "expected"),
    [
        ({}, None),
        ({"NOTIFY_SOCKET": ""}, None),
        ({"NOTIFY_SOCKET": "vsock:2:1234"}, None),
        ({"NOTIFY_SOCKET": "@a"}, (None,)),
        ({"NOTIFY_SOCKET": "/run/n", "WATCHDOG_USEC": "30000000"}, (30.0,)),
        ({"NOTIFY_SOCKET": "/run/n", "WATCHDOG_USEC": "1", "WATCHDOG_PID": "1"}, (None,)),
        ({"NOTIFY_SOCKET": "/run/n", "WATCHDOG_USEC": "nonsense"}, (None,)),
        ({"NOTIFY_SOCKET": "/run/n", "WATCHDOG_USEC": "0"}, (None,)),
    ],
)
def test_the_environment_says_who_listens_and_is_taken_away(environment, expected):
    found = Notifier.from_environment(environment)
    assert (None if found is None else (found.watchdog_s,)) == expected
    assert environment == {}  # a program that we start must not speak in our name


def test_progress_names_what_stands_and_lets_rest_what_has_nothing_to_do():
    now_s = [0.0]
    progress = Progress(lambda: now_s[0])
    progress.expect("bench", 60)
    progress.expect("meter tap", 90)
    progress.rest("bench")
    now_s[0] = 80.0
    assert progress.late() == []
    progress.beat("bench")
    now_s[0] = 141.0
    assert progress.late() == ["bench for 61 s", "meter tap for 141 s"]
    progress.rest("bench")
    progress.excuse()
    assert progress.late() == []
    now_s[0] = 1000.0
    assert progress.late() == ["meter tap for 859 s"]  # what rests is excused from nothing


def stats(**more):
    zero = dict.fromkeys(WriterStats.__dataclass_fields__, 0)
    return WriterStats(**{**zero, **more})


class Writer:
    """Only what the outlet looks at."""

    def __init__(self):
        self.stats = stats()


@pytest.fixture
def watched(ear):
    now_s = [0.0]
    progress = Progress(lambda: now_s[0])
    outlet = ManagerOutlet(Notifier(ear.address, 30.0), commit_every_s=10.0)
    writer = Writer()
    outlet.join(writer, None)
    outlet.oversee(progress)
    return now_s, progress, outlet, writer


def test_a_writer_that_sits_on_readings_ends_the_heartbeat(watched, ear):
    now_s, _, outlet, writer = watched
    for now_s[0] in range(0, 200, 5):  # a working one: a commit each 10 s
        writer.stats = stats(waiting=now_s[0] % 10 + 1, commits=now_s[0] // 10)
        outlet.look()
        ear.hear()
    assert ear.count("WATCHDOG=1") == 40
    for now_s[0] in range(200, 400, 5):  # its thread hangs in the disk
        writer.stats = stats(waiting=now_s[0], commits=19)
        outlet.look()
        ear.hear()
    assert 40 + 12 <= ear.count("WATCHDOG=1") <= 40 + 14
    assert ear.words()[-1].startswith("STANDS STILL: writer for ")


def test_a_full_disk_is_told_in_words_and_is_no_reason_to_be_killed(watched, ear):
    now_s, progress, outlet, writer = watched
    progress.expect("bench", 60)
    for now_s[0] in range(0, 600, 5):  # it tries and tries; the bench waits for it
        writer.stats = stats(waiting=500, failures=now_s[0])
        outlet.look()
        ear.hear()
    assert ear.count("WATCHDOG=1") == 120
    assert "THE DISK TAKES NOTHING: 500 readings held" in ear.words()[-1]


def test_the_line_for_people_names_meters_and_the_last_capture(watched, ear):
    *_, outlet, writer = watched
    stamp = SystemClock().now()
    outlet.hear(Reading("kitchen", stamp, {"ph": 7.0}))
    outlet.hear(Event("meter_lost", stamp, "cellar", "gone"))
    writer.stats = stats(readings=12)
    outlet.look()
    assert ear.words()[-1] == "reading kitchen; not reached: cellar; 12 readings kept"


# -- the daemon itself --------------------------------------------------------------------------


class Settings(config._Table):
    driver: str = "tub"


class Tub:
    """One reading every 20 ms, until told to stand still."""

    Settings: ClassVar = Settings
    channels = (Channel("conductivity", 1.0),)
    identity = "tub-1"
    bad_frames = 0
    hangs = False

    def __init__(self, settings, *, meter, clock):
        self.meter, self.clock = meter, clock

    @contextlib.asynccontextmanager
    async def open(self):
        while Tub.hangs:  # noqa: ASYNC110  (what hangs sets no event)
            await asyncio.sleep(0.02)
        yield self._readings()

    async def _readings(self):
        while True:
            await asyncio.sleep(0.02)
            yield Reading(self.meter, self.clock.now(), {"conductivity": 480.0})


@pytest.fixture
def make(monkeypatch, tmp_path, ear):
    monkeypatch.setattr(daemon, "driver_class", lambda _name: Tub)
    monkeypatch.setattr(manager, "LOOK_S", 0.05)
    monkeypatch.setattr(daemon, "STANDS_S", 0.4)
    monkeypatch.setattr(manager, "WRITER_S", 0.4)
    monkeypatch.setattr(Tub, "hangs", False)
    loaded = config.load(None)
    meters = [config.MeterConfig("kitchen", "tub", Settings(), silence_s=0.3)]
    outlet = ManagerOutlet(Notifier(ear.address, 0.15), commit_every_s=0.2)
    return Daemon(loaded, meters, SystemClock(), store=tmp_path / "water.db", outlets=[outlet])


async def reached(condition):
    async with asyncio.timeout(20):
        while not condition():  # noqa: ASYNC110  (a socket is looked at)
            await asyncio.sleep(0.02)


async def test_the_heart_beats_while_readings_are_kept_and_the_end_is_told(make, ear, tmp_path):
    running = asyncio.create_task(make.run())
    await reached(lambda: ear.count("READY=1"))
    with Records.open(tmp_path / "water.db"):
        pass  # ready means that the store is there
    await reached(lambda: ear.count("WATCHDOG=1") > 5)
    make.stop()
    await running
    assert ear.count("READY=1") == 1
    assert "READY=1" in ear.heard[0]
    assert "STOPPING=1" in ear.heard[-1]


async def test_a_supervisor_that_stands_still_ends_the_heartbeat(make, ear, monkeypatch):
    monkeypatch.setattr(Tub, "hangs", True)  # a driver whose opening never ends
    running = asyncio.create_task(make.run())
    await reached(lambda: any("STANDS STILL: meter kitchen" in words for words in ear.words()))
    beats = ear.count("WATCHDOG=1")
    await asyncio.sleep(0.05)
    await asyncio.sleep(0.05)
    await asyncio.sleep(0.05)
    assert ear.count("WATCHDOG=1") == beats
    monkeypatch.setattr(Tub, "hangs", False)
    await reached(lambda: ear.count("WATCHDOG=1") > beats)  # and again once it goes on
    make.stop()
    await running


async def test_a_writer_thread_that_hangs_ends_the_heartbeat(make, ear, monkeypatch):
    let_go = threading.Event()
    commit = Ledger.commit

    def hangs(self, *args):
        let_go.wait(20)
        return commit(self, *args)

    running = asyncio.create_task(make.run())
    await reached(lambda: ear.count("WATCHDOG=1") > 2)
    monkeypatch.setattr(Ledger, "commit", hangs)
    await reached(lambda: any("STANDS STILL" in words for words in ear.words()))
    beats = ear.count("WATCHDOG=1")
    await asyncio.sleep(0.05)
    await asyncio.sleep(0.05)
    assert ear.count("WATCHDOG=1") == beats
    let_go.set()
    make.stop()
    await running


@pytest.mark.skipif(sys.platform != "linux", reason="pseudo-terminals as the simulator makes them")
def test_serve_as_a_service_says_ready_alive_and_stopping(tmp_path, ear):
    master, slave = os.openpty()
    file = tmp_path / "ouzel.toml"
    file.write_text(
        f'[store]\npath = "water.db"\n[meters.kitchen]\nprofile = "labelled"\n'
        f'port = "{os.ttyname(slave)}"\n[programs]\n'
    )
    environment = {
        **os.environ,
        "NOTIFY_SOCKET": ear.address,
        "WATCHDOG_USEC": "300000",
    }
    running = subprocess.Popen(
        [sys.executable, "-m", "acquire", "serve", "--config", str(file)],
        env=environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
    )
    try:
        until(lambda: ear.count("READY=1"))
        assert (tmp_path / "water.db").exists()
        until(lambda: ear.count("WATCHDOG=1") > 3)
        running.send_signal(signal.SIGTERM)
        assert running.wait(20) == 0, running.stderr.read()
    finally:
        running.kill()
        running.stderr.close()
    assert ear.count("STOPPING=1") == 1
    os.close(master)
    os.close(slave)


def test_a_configuration_that_cannot_be_used_never_says_ready(tmp_path, ear):
    (tmp_path / "ouzel.toml").write_text("[store]\nplace = 1\n")
    ended = subprocess.run(
        [sys.executable, "-m", "acquire", "serve", "--config", str(tmp_path / "ouzel.toml")],
        env={**os.environ, "NOTIFY_SOCKET": ear.address},
        capture_output=True,
        check=False,
    )
    assert ended.returncode == 2
    assert ear.hear() == []
