"""The daemon on a disk that is full, cannot be written, or has ruined the store.

Full is a small file system of its own (tmpfs) where the tests may mount one (root), and everywhere a
limit on the size of files set from outside on the running daemon: the system then refuses the same
writes with another reason.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import random
import re
import resource
import shutil
import signal
import subprocess

import pytest

from acquire import config
from acquire.clock import SystemClock
from acquire.daemon import Daemon
from acquire.errors import StoreDamaged, StoreError
from acquire.readings import Reading, Stamp
from acquire.store import Records, StoreWriter

RATE_HZ = 10
DAMAGES = int(os.environ.get("OUZEL_DAMAGES", "40"))


@pytest.fixture
def small_disk(tmp_path):
    """A file system of 16 MiB, room for the store and a whole log of it; gives its folder and what mounts it anew in another way."""
    folder = tmp_path / "small"
    folder.mkdir()

    def mount(*options):
        words = [
            "mount",
            "-t",
            "tmpfs",
            "-o",
            ",".join(("size=16m", *options)),
            "none",
            str(folder),
        ]
        return subprocess.run(words, capture_output=True, check=False).returncode

    if os.geteuid() != 0 or shutil.which("mount") is None or mount() != 0:
        pytest.skip("only root may mount a small file system; the limit on files stands in for it")
    yield folder, lambda how: mount("remount", how)
    subprocess.run(["umount", "-l", str(folder)], check=False)


@contextlib.contextmanager
def full(folder, process):
    """No room: a ballast file takes all there is."""
    ballast = folder / "ballast"
    with contextlib.suppress(OSError), ballast.open("wb", buffering=0) as file:
        while True:
            file.write(bytes(4096))
    yield
    ballast.unlink()


@contextlib.contextmanager
def limited(folder, process):
    """No file may grow beyond what the log is, or the tail where that is less."""
    files = [one for one in folder.iterdir() if one.name.startswith("water.db-")]
    size = min(one.stat().st_size for one in files if not one.name.endswith("-shm"))
    _, hard = resource.prlimit(process.pid, resource.RLIMIT_FSIZE)
    resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (size, hard))
    yield
    with contextlib.suppress(ProcessLookupError):  # it has ended
        resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (hard, hard))


@pytest.fixture
def recording(ouzel):
    def start(folder):
        ouzel.configure("commit_every_s = 1")
        text = (ouzel.folder / "ouzel.toml").read_text()
        (ouzel.folder / "ouzel.toml").write_text(text.replace("water.db", str(folder / "water.db")))
        ouzel.start("simulate", "--water", "tap", "--rate", str(RATE_HZ), "--link", "probe")
        ouzel.wait((ouzel.folder / "probe").exists)
        daemon = ouzel.start("serve", "--json")
        ouzel.wait(lambda: "recording" in daemon.err.read_text(), daemon)

        def has_recorded():
            return any(one.stat().st_size > 2000 for one in folder.glob("water.db-tail*"))

        ouzel.wait(has_recorded, daemon)
        return daemon

    return start


def no_room(ouzel, recording, folder, how, held_s):
    daemon = recording(folder)
    with how(folder, daemon):
        ouzel.wait(lambda: "tried again every second" in daemon.err.read_text(), daemon)
        ouzel.wait(lambda: '"store_stalled"' in daemon.out.read_text(), daemon)
        ouzel.go_on(held_s, daemon)
        with Records.open(folder / "water.db") as records:
            assert records.check() == ""
    ouzel.wait(lambda: "takes readings again" in daemon.err.read_text(), daemon)
    # Said once, not each second; once more where a last commit still found room in its block.
    said = daemon.err.read_text().count("tried again")
    assert 1 <= said <= 2
    ouzel.go_on(1.5, daemon)
    ouzel.stop(daemon)
    with Records.open(folder / "water.db") as records:
        assert records.check() == ""
        backs = list(records.events(kind="store_back"))
        assert len(backs) == said
        assert sum(one.data["stalled_s"] for one in backs) >= held_s - 0.5
        times = [one.stamp.t_s for one in records.readings()]
    assert max(b - a for a, b in itertools.pairwise(times)) < 1.0  # nothing of that time is missing


def test_a_full_disk_is_told_of_and_nothing_is_lost_once_there_is_room(
    ouzel, recording, small_disk
):
    no_room(ouzel, recording, small_disk[0], full, 2.0)


def test_files_that_may_not_grow_are_told_of_and_nothing_is_lost_once_they_may(ouzel, recording):
    # Longer than a command waits that a person stands beside.
    no_room(ouzel, recording, ouzel.folder, limited, 10.5)


def test_a_stop_while_the_disk_is_full_is_in_time_and_says_what_is_lost(ouzel, recording):
    daemon = recording(ouzel.folder)
    with limited(ouzel.folder, daemon):
        ouzel.wait(lambda: "tried again every second" in daemon.err.read_text(), daemon)
        ouzel.stop(daemon, signal.SIGTERM, within=12)
    assert daemon.returncode == 5
    assert "could not be written, now lost" in daemon.err.read_text()
    assert "Traceback" not in daemon.err.read_text()
    again = ouzel.start("serve", "--json")
    ouzel.wait(lambda: "recording" in again.err.read_text(), again)
    ouzel.stop(again)
    with Records.open(ouzel.folder / "water.db") as records:
        assert records.check() == ""


def test_folders_in_place_of_the_tail_cost_no_reading_and_are_told_of_once(ouzel, recording):
    daemon = recording(ouzel.folder)
    tails = [ouzel.folder / f"water.db-tail{n}" for n in (0, 1)]
    for file in tails:
        file.unlink(missing_ok=True)
        file.mkdir()
    ouzel.wait(lambda: '"store_tail_stalled"' in daemon.out.read_text(), daemon)
    ouzel.go_on(3.5, daemon)  # of commits each second
    found = ouzel.run("doctor", "--json", code=1)
    assert "water.db-tail0: something else stands in its place: move that away" in found.stdout
    for file in tails:
        file.rmdir()
    ouzel.go_on(2.5, daemon)
    assert any(file.is_file() and file.stat().st_size for file in tails)
    ouzel.stop(daemon)
    assert daemon.err.read_text().count("Nothing is lost") == 1
    assert "tried again every second" not in daemon.err.read_text()
    with Records.open(ouzel.folder / "water.db") as records:
        assert records.check() == ""
        (told,) = records.events(kind="store_tail_stalled")
        assert re.search(r"-tail[01]: writing failed: .*: (move that|leave it)", told.text)
        times = [one.stamp.t_s for one in records.readings()]
    assert max(b - a for a, b in itertools.pairwise(times)) < 1.0
    assert not any(file.exists() for file in tails)


def test_a_disk_that_may_only_be_read_ends_the_daemon_in_one_line_and_serves_readers(
    ouzel, recording, small_disk
):
    folder, remount = small_disk
    daemon = recording(folder)
    ouzel.stop(daemon)
    before = (folder / "water.db").read_bytes()
    assert remount("ro") == 0
    refused = ouzel.run("serve", "--json", code=5)
    assert refused.stderr.count("\n") == 1
    assert "ouzel needs to create files" in refused.stderr
    assert "kitchen" in ouzel.run("export", "csv", "readings").stdout
    assert (folder / "water.db").read_bytes() == before
    assert remount("rw") == 0
    again = ouzel.start("serve", "--json")
    ouzel.wait(lambda: "recording" in again.err.read_text(), again)
    ouzel.stop(again)


# -- a ruined store -----------------------------------------------------------------------------


async def fill(path):
    clock = SystemClock()
    async with await StoreWriter.open(path, clock=clock) as writer:
        for n in range(400):
            stamp = Stamp(1_790_000_000_000 + n * 1000, 10**12 + n * 10**9)
            await writer.add(Reading("kitchen", stamp, {"ph": 7.0, "orp": float(n)}))
        await writer.flush()
        # As a crash leaves it: the newest part stands in the log.
        await writer.add(Reading("kitchen", stamp, {"ph": 7.0}))
        await writer.flush()
        files = {one.name: one.read_bytes() for one in path.parent.iterdir()}
    for name, content in files.items():
        if not name.endswith("-shm"):
            (path.parent / name).write_bytes(content)


async def begin(path):
    """What `ouzel serve` does of a start, without meters."""
    works = Daemon(config.load(None), [], SystemClock(), store=path, keeps_on=True)
    works.stop()
    await works.run()


def ruin(content, chance):
    """Overwrite, cut or blank some of it, as failing flash does; gives other bytes."""
    spoilt = bytearray(content)
    match chance.randrange(4):
        case 0:
            for _ in range(chance.randint(1, 40)):
                at = chance.randrange(len(spoilt))
                spoilt[at : at + 512] = chance.randbytes(min(512, len(spoilt) - at))
        case 1:
            del spoilt[chance.randrange(len(spoilt)) :]
        case 2:
            at = chance.randrange(len(spoilt) // 1024) * 1024
            spoilt[at : at + 4096] = bytes(min(4096, len(spoilt) - at))
        case 3:
            spoilt[: chance.choice((16, 100, 1024))] = b"\xff" * 16
    return bytes(spoilt)


def held(folder):
    return sorted(
        one.read_bytes()
        for one in folder.iterdir()
        if not one.name.endswith((".lock", "-shm")) and one.stat().st_size
    )


@pytest.mark.timeout(60 + 2 * DAMAGES)
async def test_a_ruined_store_is_put_aside_whole_and_a_new_one_begun(tmp_path, caplog):
    origin = tmp_path / "origin"
    origin.mkdir()
    await fill(origin / "water.db")
    chance = random.Random(7)
    anew = 0
    for number in range(DAMAGES):
        folder = tmp_path / f"d{number}"
        shutil.copytree(origin, folder)
        path = folder / "water.db"
        path.write_bytes(ruin(path.read_bytes(), chance))
        before = held(folder)
        caplog.clear()
        try:
            await begin(path)
        except StoreError as refusal:
            # The very bytes that say whose it is were hit: it may be somebody else's now.
            assert re.search("of another program|install a newer", str(refusal))  # noqa: PT017
            assert held(folder) == before
            continue
        aside = [one for one in folder.iterdir() if ".damaged-" in one.name]
        with Records.open(path) as records:
            assert records.check() == ""
            told = list(records.events(kind="store_set_aside"))
            count = len(list(records.readings()))
        if not aside:
            # The log held the ruined pages whole, or they held nothing: a store as good as before.
            assert (count, told) == (401, [])
        else:
            anew += 1
            assert count == 0
            assert aside[0].name.partition("-")[0] in told[0].text
            assert "put aside" in caplog.text
            kept = held(folder)
            for content in before:  # to the byte, the log too
                assert content in kept
        shutil.rmtree(folder)
    assert anew >= DAMAGES / 3


async def test_a_file_that_may_be_something_else_is_never_put_aside(tmp_path):
    path = tmp_path / "notes.txt"
    path.write_text("not a store\n" * 100)
    with pytest.raises(StoreDamaged, match="not a database"):
        await begin(path)
    assert [one.name for one in tmp_path.iterdir()] == ["notes.txt"]


async def test_only_a_daemon_that_nobody_stands_beside_puts_a_store_aside(tmp_path):
    await fill(tmp_path / "water.db")
    (tmp_path / "water.db").write_bytes(b"\xff" * 5000)
    before = held(tmp_path)
    works = Daemon(config.load(None), [], SystemClock(), store=tmp_path / "water.db")
    with pytest.raises(StoreDamaged):
        await works.run()
    assert held(tmp_path) == before


async def test_damage_met_while_writing_is_looked_for_everywhere_at_the_next_start(
    tmp_path, monkeypatch
):
    """In a store too large to be read whole at each start."""
    from acquire.store import database
    from acquire.store.ledger import Ledger

    monkeypatch.setattr(database, "CHECKED_WHOLE_BYTES", 1000)
    path = tmp_path / "water.db"
    await fill(path)
    await begin(path)

    def meets_damage(*_):
        raise StoreDamaged("database disk image is malformed")

    with monkeypatch.context() as patched, contextlib.suppress(StoreError):
        async with await StoreWriter.open(path, clock=SystemClock()) as writer:
            patched.setattr(Ledger, "_transact", meets_damage)
            await writer.add(Reading("kitchen", Stamp(1_790_000_900_000, 10**15), {"ph": 7.0}))
            await writer.flush()
    assert (tmp_path / "water.db.suspect").exists()
    looked = []
    problems = database.problems

    def look(connection, *, whole):
        looked.append(whole)
        return problems(connection, whole=whole)

    monkeypatch.setattr(database, "problems", look)
    await begin(path)
    await begin(path)
    assert looked == [True, False]  # everything once; found sound, it is trusted again
    assert not (tmp_path / "water.db.suspect").exists()
