"""Files of the tail that cannot be used, and real ones: nothing is lost, doubled or held up."""

from __future__ import annotations

import errno
import os
import re
import shutil
import sqlite3
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

import pytest

from acquire.errors import StoreError, StoreStalled
from acquire.readings import Event, Stamp
from acquire.store.ledger import Ledger
from acquire.store.records import Records
from acquire.store.rows import EventRow, ReadingRows, event_row
from acquire.store.tail import SUFFIXES
from acquire.store.upkeep import verify
from acquire.store.writer import StoreWriter

START = 1_790_000_400_000  # a whole number of ten minutes
NOBODY = 65534


def at(ms: int) -> Stamp:
    return Stamp(START + ms, (START + ms) * 1_000_000)


def said(ms: int) -> ReadingRows:
    return ReadingRows("kitchen", at(ms), (("ph", 7.01, 0), ("orp", 215.0, 0)))


def note(ms: int) -> EventRow:
    return event_row(Event("note", at(ms), "", "something"))


def told(path: Path) -> list[int]:
    with Records.open(path) as records:
        return [r.stamp.at_ms - START for r in records.readings()]


def both(path: Path) -> list[Path]:
    return [path.with_name(path.name + suffix) for suffix in SUFFIXES]


def in_use(path: Path) -> Path:
    (found,) = (one for one in both(path) if one.is_file() and one.stat().st_size)
    return found


class Filling:
    """A store that is given ten readings at each commit, and what must be found in it."""

    def __init__(self, path: Path) -> None:
        self.ledger = Ledger(path, at(0))
        self.path = path
        self.second = 0
        self.goes_on(6)  # the first by a transaction, the others into the tail

    def goes_on(self, commits: int = 1) -> int:
        """Commit readings, look that every one is there once; gives how many took a transaction."""
        transactions = 0
        for _ in range(commits):
            before = self.ledger.wal_bytes, self.ledger.checkpoints
            self.ledger.commit([said((self.second + s) * 1000) for s in range(10)])
            transactions += before != (self.ledger.wal_bytes, self.ledger.checkpoints)
            self.second += 10
            assert told(self.path) == list(range(0, self.second * 1000, 1000))
        return transactions

    def has_power_cut(self) -> None:
        """Look into the files as they stand, and take them over as the next process does."""
        with tempfile.TemporaryDirectory() as folder:
            for file in self.path.parent.glob(self.path.name + "*"):
                if file.is_file() and not file.name.endswith(("-shm", ".lock")):
                    shutil.copy(file, folder)
            copy = Path(folder) / self.path.name
            assert told(copy) == list(range(0, self.second * 1000, 1000))
            Ledger(copy, at(self.second * 1000)).close(at(self.second * 1000))
            assert told(copy) == list(range(0, self.second * 1000, 1000))
            verify(copy)

    def ends(self) -> None:
        self.ledger.close(at(self.second * 1000))
        assert told(self.path) == list(range(0, self.second * 1000, 1000))
        assert verify(self.path)[-1].startswith(f"{self.second * 2} values")

    @property
    def fault(self) -> str:
        return str(self.ledger.tail_fault or "")


@pytest.fixture
def filling(tmp_path: Path) -> Filling:
    return Filling(tmp_path / "water.db")


@pytest.fixture
def unprivileged() -> Iterator[Path]:
    """A folder in which rights hold for the tests too, whoever runs them."""
    folder = Path(tempfile.mkdtemp(prefix="ouzel-"))
    is_root = os.geteuid() == 0
    if is_root:
        os.chown(folder, NOBODY, NOBODY)
        os.seteuid(NOBODY)
    try:
        yield folder
    finally:
        if is_root:
            os.seteuid(0)
        folder.chmod(0o700)
        shutil.rmtree(folder)


# -- each fault, on real files --------------------------------------------------------------------


def folder_there(file: Path) -> None:
    file.unlink(missing_ok=True)
    file.mkdir()


def link_there(file: Path) -> None:
    file.unlink(missing_ok=True)
    file.symlink_to(file.with_name("elsewhere"))


def pipe_there(file: Path) -> None:
    file.unlink(missing_ok=True)
    os.mkfifo(file)


def device_there(file: Path) -> None:
    if os.geteuid() != 0:
        pytest.skip("only root may make a device")
    file.unlink(missing_ok=True)
    os.mknod(file, 0o600 | 0o020000, os.makedev(1, 3))


def freed(file: Path) -> None:
    file.rmdir() if file.is_dir() and not file.is_symlink() else file.unlink()


@pytest.mark.timeout(60)
@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (folder_there, "a folder stands in its place: move that away"),
        (link_there, "a link stands in its place: move that away"),
        (pipe_there, "something else stands in its place: move that away"),
        (device_there, "something else stands in its place: move that away"),
    ],
)
@pytest.mark.parametrize("is_used", [True, False])
def test_what_stands_in_the_place_of_a_file_costs_one_transaction_and_no_reading(
    filling: Filling, spoil: Callable[[Path], None], words: str, is_used: bool
) -> None:
    used = in_use(filling.path)
    (other,) = (one for one in both(filling.path) if one != used)
    spoilt = used if is_used else other
    spoil(spoilt)
    if is_used:
        assert filling.goes_on() == 1
        assert filling.fault.startswith(f"{spoilt}: writing failed: {words}")
        filling.has_power_cut()
    # The other file takes the readings of every second five minutes, and of all others too.
    assert filling.goes_on(90) <= 3 + 1
    assert filling.fault.startswith(f"{spoilt}: writing failed: {words}")
    filling.has_power_cut()
    freed(spoilt)
    assert filling.goes_on(60) == 2
    assert filling.fault == ""
    filling.ends()


@pytest.mark.timeout(60)
def test_without_any_file_each_commit_is_a_transaction_until_there_is_one(filling: Filling) -> None:
    for file in both(filling.path):
        folder_there(file)
    assert filling.goes_on(12) == 12
    filling.ledger.commit([], [note(filling.second * 1000)])
    filling.has_power_cut()
    assert "a folder stands in its place" in filling.fault
    both(filling.path)[0].rmdir()
    assert filling.goes_on() == 1  # finds it usable
    assert filling.goes_on(10) == 0
    assert "-tail1: " in filling.fault  # the other one is not
    both(filling.path)[1].rmdir()
    filling.goes_on(60)
    assert filling.fault == ""
    filling.ends()


def test_files_that_may_not_be_written_are_done_without_until_they_may(unprivileged: Path) -> None:
    filling = Filling(unprivileged / "water.db")
    used = in_use(filling.path)
    with suppress(FileNotFoundError):
        next(one for one in both(filling.path) if one != used).unlink()
    used.chmod(0)
    unprivileged.chmod(0o500)  # nor may another one be made
    filling_told = filling.ledger.commit([said(filling.second * 1000 + s) for s in range(10)])
    assert filling_told == []
    words = r"it may not be used: check the rights of the file and its folder \(Permission denied\)"
    assert re.search(words, filling.fault)
    expected = [*range(0, 60_000, 1000), *(60_000 + s for s in range(10))]
    assert told(filling.path) == expected  # though a file of the tail may not be read either
    for second in range(61, 64):
        filling.ledger.commit([said(second * 1000)])
    unprivileged.chmod(0o700)
    used.chmod(0o600)
    for second in range(64, 700):
        filling.ledger.commit([said(second * 1000)])
    assert filling.fault == ""
    filling.ledger.close(at(700_000))
    assert told(filling.path) == [*expected, *range(61_000, 700_000, 1000)]


@pytest.mark.parametrize("how", ["away", "cut", "replaced"])
def test_a_file_that_somebody_took_away_in_use_takes_nothing_with_it(
    filling: Filling, how: str
) -> None:
    used = in_use(filling.path)
    match how:
        case "away":
            used.unlink()
        case "cut":
            os.truncate(used, used.stat().st_size - 1)
        case "replaced":
            copy = used.with_name("copy")
            shutil.copy(used, copy)
            copy.replace(used)
    assert filling.goes_on() == 1
    assert "somebody took it away: leave it where it is" in filling.fault
    filling.has_power_cut()
    assert filling.goes_on(60) == 2
    assert filling.fault == ""
    filling.ends()


@contextmanager
def mounted(file: Path, *, is_full: bool) -> Iterator[None]:
    """Put the file onto a disk of its own, that has no room or may not be written."""

    def ran(*words: str) -> bool:
        return subprocess.run(words, capture_output=True, check=False).returncode == 0

    disk = file.with_name("disk")
    disk.mkdir()
    size = "size=64k" if is_full else "size=1m"
    if os.geteuid() != 0 or not ran("mount", "-t", "tmpfs", "-o", size, "none", str(disk)):
        pytest.skip("only root may mount a file system")
    try:
        shutil.copy2(file, disk / "file")
        if is_full:
            with suppress(OSError), (disk / "ballast").open("wb", buffering=0) as ballast:
                while True:
                    ballast.write(bytes(4096))
        elif not ran("mount", "-o", "remount,ro", str(disk)):
            pytest.skip("only root may mount a file system")
        assert ran("mount", "--bind", str(disk / "file"), str(file))
        yield
    finally:
        ran("umount", "-l", str(file))
        ran("umount", "-l", str(disk))


@pytest.mark.timeout(60)
@pytest.mark.parametrize(
    ("is_full", "words"),
    [
        (True, "there is no room left on the disk: make room"),
        (False, "it may not be written: check the rights of the file and its folder"),
    ],
)
def test_a_full_disk_and_one_that_may_only_be_read_cost_no_reading(
    filling: Filling, is_full: bool, words: str
) -> None:
    used = in_use(filling.path)
    (other,) = (one for one in both(filling.path) if one != used)
    other.touch()
    with mounted(other, is_full=is_full):
        assert filling.goes_on(60) <= 4
        assert filling.fault.startswith(f"{other}: writing failed: {words}")
        filling.has_power_cut()
    filling.goes_on(60)
    assert filling.fault == ""
    filling.ends()


# -- failures in between --------------------------------------------------------------------------


def fails(code: int) -> Callable[..., None]:
    def fail(*_: object) -> None:
        raise OSError(code, os.strerror(code))

    return fail


@pytest.mark.parametrize("what", ["fdatasync", "pwrite", "fsync"])
def test_what_the_disk_did_not_take_is_committed_all_the_same(
    filling: Filling, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    if what == "fsync":  # of the folder, when a file is new
        for file in both(filling.path):
            file.unlink(missing_ok=True)
        assert filling.goes_on() == 1
    with monkeypatch.context() as patch:
        patch.setattr(os, what, fails(errno.EIO))
        assert filling.goes_on(3) == 3
        assert "the disk reports an error" in filling.fault
    filling.has_power_cut()
    filling.goes_on(60)
    assert filling.fault == ""
    filling.ends()


@pytest.mark.parametrize("is_noted", [False, True])
@pytest.mark.parametrize("is_taken_back", [False, True])
def test_what_neither_took_is_tried_again_and_found_once(
    filling: Filling, monkeypatch: pytest.MonkeyPatch, is_noted: bool, is_taken_back: bool
) -> None:
    """As a disk that turns read-only at the first error, until somebody repairs it."""
    pwrite = os.pwrite

    def write(descriptor: int, content: bytes, where: int) -> int:
        if content == bytes(len(content)) and not is_taken_back:
            raise OSError(errno.EROFS, "Read-only file system")
        return pwrite(descriptor, content, where)

    late = [said((60 + s) * 1000) for s in range(10)]
    with (
        closing(sqlite3.connect(filling.path, isolation_level=None)) as busy,
        monkeypatch.context() as patch,
    ):
        patch.setattr(os, "fdatasync", fails(errno.EIO))
        patch.setattr(os, "pwrite", write)
        filling.ledger._connection.execute("PRAGMA busy_timeout = 1")
        busy.execute("BEGIN IMMEDIATE")
        for _ in range(3):
            with pytest.raises(StoreStalled, match="another program holds it"):
                filling.ledger.commit(late)
            seen = told(filling.path)  # at most once, and only what could not be taken back
            assert seen == list(range(0, (60 if is_taken_back else 70) * 1000, 1000))
    more = [said((70 + s) * 1000) for s in range(120)]  # does not fit into the same block
    filling.ledger.commit(late + more, [note(70_000)] if is_noted else [])
    assert told(filling.path) == list(range(0, 190_000, 1000))
    filling.second = 190
    filling.goes_on(3)
    filling.has_power_cut()
    filling.ends()


def test_what_a_crash_left_and_nobody_may_read_is_not_begun_without(unprivileged: Path) -> None:
    filling = Filling(unprivileged / "water.db")
    crashed = unprivileged / "crashed"
    crashed.mkdir()
    for file in (filling.path, filling.path.with_name("water.db-wal"), in_use(filling.path)):
        shutil.copy(file, crashed)
    tail = in_use(crashed / "water.db")
    tail.chmod(0)
    for _ in range(2):
        with pytest.raises(StoreError, match=r"tail.: reading failed: .*check the rights of the f"):
            Ledger(crashed / "water.db", at(60_000))
        with pytest.raises(StoreError, match=r"tail.: reading failed: .*check the rights of the f"):
            told(crashed / "water.db")
    tail.chmod(0o600)
    Ledger(crashed / "water.db", at(60_000)).close(at(60_000))
    assert told(crashed / "water.db") == list(range(0, 60_000, 1000))
    filling.ends()


async def test_a_writer_tells_of_it_once_and_of_its_end(
    tmp_path: Path, fake_clock, until: Callable[[Callable[[], bool]], object]
) -> None:
    from acquire.readings import Reading

    heard: list[str] = []
    path = tmp_path / "water.db"
    async with await StoreWriter.open(path, clock=fake_clock) as writer:
        writer.on_tail = lambda fault: heard.append(str(fault or "back"))
        stalls: list[object] = []
        writer.on_stall = stalls.append
        count = 0

        async def say(seconds: int) -> None:
            nonlocal count
            for _ in range(seconds):
                await fake_clock.advance(1)
                await writer.add(Reading("kitchen", fake_clock.now(), {"ph": 7.0}))
                await writer.flush()
                count += 1

        await say(5)
        assert heard == []
        for file in both(path):
            folder_there(file)
        await say(20)
        assert len(heard) == 1
        assert "a folder stands in its place: move that away" in heard[0]
        for file in both(path):
            file.rmdir()
        await say(700)
        assert heard[1:] == ["back"]
        assert stalls == []
        assert (writer.stats.readings, writer.stats.failures) == (count, 0)
    with Records.open(path) as records:
        assert len(list(records.readings())) == count
