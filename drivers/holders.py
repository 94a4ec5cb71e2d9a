"""Who has a port open, as far as /proc tells (Linux; empty elsewhere)."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

__all__ = ["holder_of", "holders"]


def holder_of(device: str) -> str | None:
    """Name the program that holds a port, such as ``PID 812 (name)``; None when unknown."""
    return holders([device]).get(device)


def holders(devices: Iterable[str], proc: Path = Path("/proc")) -> dict[str, str]:
    """Give device to holder for those known to be open. One pass over /proc for all of them.

    The files of other users' programs cannot be seen without privilege; their locks can.
    """
    by_path = {os.path.realpath(device): device for device in devices}
    held: dict[str, int] = {}
    for device, pid in _locked(by_path, proc):
        held.setdefault(device, pid)
    for device, pid in _opened(by_path, proc):
        held.setdefault(device, pid)
    return {device: f"PID {pid}{_name(pid, proc)}" for device, pid in held.items()}


def _locked(by_path: dict[str, str], proc: Path) -> Iterable[tuple[str, int]]:
    """Devices under flock: the exclusive opening that well-behaved programs ask for."""
    nodes = {}
    for path, device in by_path.items():
        try:
            status = Path(path).stat()
        except OSError:
            continue
        major, minor = os.major(status.st_dev), os.minor(status.st_dev)
        nodes[f"{major:02x}:{minor:02x}:{status.st_ino}"] = device
    try:
        lines = (proc / "locks").read_text().splitlines()
    except OSError:
        return
    for line in lines:  # 1: FLOCK  ADVISORY  WRITE 4711 00:18:5 0 EOF   (proc_locks(5))
        words = line.split()
        if len(words) > 5 and words[1] == "FLOCK" and words[5] in nodes and int(words[4]) > 0:
            yield nodes[words[5]], int(words[4])


def _opened(by_path: dict[str, str], proc: Path) -> Iterable[tuple[str, int]]:
    try:
        programs = [entry for entry in proc.iterdir() if entry.name.isdigit()]
    except OSError:
        return
    for program in programs:
        try:
            opened = list((program / "fd").iterdir())
        except OSError:  # another user's, or just ended
            continue
        for entry in opened:
            try:
                target = str(entry.readlink())
            except OSError:
                continue
            if target in by_path:
                yield by_path[target], int(program.name)


def _name(pid: int, proc: Path) -> str:
    if pid == os.getpid():
        return " (this program itself)"
    try:
        text = (proc / str(pid) / "comm").read_text(errors="replace").strip()
    except OSError:
        return ""
    return f" ({''.join(one for one in text if one.isprintable())})"
