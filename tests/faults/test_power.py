"""The power goes at any instant: every promise given before it holds, and the store opens again.

`power.py` says what a disk may then hold. OUZEL_POWER_CUTS=20000 makes the long form.
"""

from __future__ import annotations

import os
import pickle
import random
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

from acquire.errors import StoreError
from acquire.readings import CaptureState, Stamp
from acquire.store import Records
from acquire.store.ledger import Ledger
from acquire.store.upkeep import verify
from tests.faults.power import Disk

CUTS = int(os.environ.get("OUZEL_POWER_CUTS", "120"))
CHILD = Path(__file__).with_name("writes_recorded.py")
ORDER = [CaptureState.PROVISIONAL, CaptureState.FINAL]


def recorded(folder: Path, how: str, seconds: int = 150) -> list[tuple[object, ...]]:
    store, log = folder / "store" / "water.db", folder / "log"
    subprocess.run(
        [sys.executable, str(CHILD), str(store), str(log), str(seconds), how], check=True
    )
    return pickle.loads(log.read_bytes())


def broken_promises(folder: Path, promises: list[tuple[object, ...]]) -> str:
    """What a person would miss in the store as it was found; empty when nothing."""
    path = folder / "water.db"
    if not path.exists() and not promises:
        return ""
    try:
        Ledger(path, Stamp(1_790_900_000_000, 10**15)).close(Stamp(1_790_900_000_001, 10**15))
        with Records.open(path) as records:
            found = records.check()
            if found:
                return f"damaged: {found}"
            captures = {one.id: one.state for one in records.captures()}
            events = {one.text for one in records.events(kind="note")}
            said = list(records.readings())
        verify(path)
    except StoreError as error:
        return f"does not open: {error}"
    last_ms = max((one.stamp.at_ms for one in said), default=0)
    times = Counter(round(one.values["orp"]) for one in said)
    if any(count > 1 for count in times.values()):
        return f"readings are there twice: {times.most_common(3)}"
    for promise in promises:
        match promise:
            case ("readings", at_ms) if last_ms < at_ms:
                return f"readings up to {at_ms} were durable, there are those up to {last_ms}"
            case ("reading", n) if n not in times:
                return f"reading {n} was durable, it is not there"
            case ("capture", name, state) if name not in captures or ORDER.index(
                captures[name]
            ) < ORDER.index(state):
                return f"capture {name} was {state}, it is {captures.get(name)}"
            case ("event", text) if text not in events:
                return f"{text} is not there"
    return ""


def cut(tmp_path: Path, log: list[tuple[object, ...]], cuts: int, seed: int) -> Counter[str]:
    chance = random.Random(seed)
    # Half anywhere, half where promises stand on fresh writes: right after one was given.
    given = [at + 1 for at, op in enumerate(log) if op[0] == "promise"]
    instants = sorted(
        chance.choice(given) if n % 2 else chance.randrange(len(log) + 1) for n in range(cuts)
    )
    disk, played, found = Disk(str(tmp_path / "store")), 0, Counter()
    for number, instant in enumerate(instants):
        disk.play(log[played:instant])
        played = instant
        image = tmp_path / "image"
        image.mkdir()
        disk.lose_power(image, chance)
        problem = broken_promises(image, disk.promises)
        found["broken" if problem else "held"] += 1
        if problem:
            found[f"{number}: {problem}"] += 1
        for file in image.iterdir():
            file.unlink()
        image.rmdir()
    return found


@pytest.mark.timeout(120 + CUTS)
def test_no_promise_is_broken_by_a_power_cut_at_any_instant(tmp_path):
    log = recorded(tmp_path, "FULL")
    kinds = Counter(op[0] for op in log)
    # The log is of the real thing: commits, checkpoints that move and empty the log, renames.
    assert kinds["sync"] > 100
    assert kinds["truncate"] > 3
    assert kinds["rename"] == 1
    assert sum(op[0] == "write" and "-tail" in str(op[1]) for op in log) > 20
    found = cut(tmp_path, log, CUTS, seed=1)
    assert not found["broken"], found
    assert found["held"] == CUTS


@pytest.mark.timeout(120 + CUTS)
@pytest.mark.parametrize("how", ["AHEAD", "FAILING", "GIVING UP"])
def test_nor_with_a_wrong_clock_or_a_disk_that_fails_now_and_then(tmp_path, how):
    log = recorded(tmp_path, how)
    appended = sum(op[0] == "write" and "-tail" in str(op[1]) for op in log)
    assert appended > 20
    assert sum(op[0] == "promise" and op[1] == "reading" for op in log) > 40
    found = cut(tmp_path, log, CUTS, seed=3)
    assert not found["broken"], found
    assert found["held"] == CUTS


@pytest.mark.parametrize("how", ["NORMAL", "OFF", "NO TAIL"])
def test_a_store_that_synced_less_would_be_found_out(tmp_path, how):
    """The proof above can fail: with weaker promises to the disk the same cuts break them."""
    found = cut(tmp_path, recorded(tmp_path, how), 60, seed=2)
    assert found["broken"] >= 5, found
