"""Power loss, made honestly: what a disk may hold when the current goes at any instant.

`Recorder` puts itself between SQLite and its own file layer, as a VFS (sqlite.org, "The OS
Interface"): every write, truncation, sync and deletion goes on to the real one and is noted in
order, with the promises the program gave in between. What the store writes without SQLite, its tail,
goes through `os` and is noted the same way. `Disk` replays that log up to an instant and
gives the files as they may then be found:

* what was written to a file before its last completed sync is there: that is all a sync promises,
  and a disk which lies about it is outside of what any program can stand;
* each later write is there, is not, or is there in some of its 512-byte sectors, in any order;
  a file may have grown without its content (zeros) or not at all;
* names (made, renamed, deleted) not followed by a sync of their folder hold up to some point only.

SQLite syncs the folder itself when it first syncs a log or journal it has made, and after deletions
that ask for it (os_unix.c, from memory); nothing else is granted to it. The shared memory file is no
record and never survives.
"""

from __future__ import annotations

import ctypes
import os
import random
import sqlite3  # noqa: F401  (loads the library that is recorded)
import sys
from collections.abc import Iterable
from ctypes import CFUNCTYPE, POINTER, c_char_p, c_int, c_int64, c_void_p
from dataclasses import dataclass, field
from pathlib import Path

from acquire.store.tail import SUFFIXES

SECTOR = 512
_IOERR_FSYNC = 1034
_CREATE, _JOURNALS = 0x4, 0x800 | 0x80000  # SQLITE_OPEN_CREATE; _MAIN_JOURNAL, _WAL

Op = tuple[object, ...]


class _Methods(ctypes.Structure):
    """sqlite3_io_methods up to what is replaced; the rest is copied as bytes."""

    _fields_ = [("iVersion", c_int)] + [
        (name, c_void_p) for name in ("xClose", "xRead", "xWrite", "xTruncate", "xSync")
    ]


_METHODS_BYTES = 8 * 19  # version 3: iVersion and 18 functions


class _Vfs(ctypes.Structure):
    _fields_ = [
        ("iVersion", c_int),
        ("szOsFile", c_int),
        ("mxPathname", c_int),
        ("pNext", c_void_p),
        ("zName", c_char_p),
        ("pAppData", c_void_p),
        ("xOpen", c_void_p),
        ("xDelete", c_void_p),
        ("rest", c_void_p * 15),  # up to version 3
    ]


# Names as bare pointers: SQLite keeps the one it was given, a copy would be freed under it.
_OPEN = CFUNCTYPE(c_int, c_void_p, c_void_p, c_void_p, c_int, POINTER(c_int))
_DELETE = CFUNCTYPE(c_int, c_void_p, c_void_p, c_int)
_WRITE = CFUNCTYPE(c_int, c_void_p, c_void_p, c_int, c_int64)
_TRUNCATE = CFUNCTYPE(c_int, c_void_p, c_int64)
_SYNC = CFUNCTYPE(c_int, c_void_p, c_int)


class Recorder:
    """Notes what this process's SQLite does to files; make one, before anything is opened."""

    def __init__(self) -> None:
        self.log: list[Op] = []
        self.refuses_syncs = False
        """Whether the disk reports an error at each sync that SQLite asks for; all is written."""
        import _sqlite3

        library = ctypes.CDLL(_sqlite3.__file__)  # the very library that is in use
        library.sqlite3_vfs_find.restype = c_void_p
        library.sqlite3_vfs_register.argtypes = [c_void_p, c_int]
        base = library.sqlite3_vfs_find(None)
        self._vfs = _Vfs.from_buffer_copy(ctypes.string_at(base, ctypes.sizeof(_Vfs)))
        self._base_open = _OPEN(self._vfs.xOpen)
        self._base_delete = _DELETE(self._vfs.xDelete)
        self._kept = [_OPEN(self._open), _DELETE(self._delete)]
        self._vfs.zName = b"recorded"
        self._vfs.xOpen, self._vfs.xDelete = (ctypes.cast(one, c_void_p) for one in self._kept)
        self._tables: dict[int, ctypes.Array[ctypes.c_char]] = {}
        self._names: dict[int, str] = {}
        self._new: set[int] = set()
        assert library.sqlite3_vfs_register(ctypes.addressof(self._vfs), 1) == 0
        sys.addaudithook(self._audit)
        self._fsync, self._pwrite, self._fdatasync = os.fsync, os.pwrite, os.fdatasync
        os.fsync, os.pwrite, os.fdatasync = self._sync_folder, self._put, self._sync_tail

    def promise(self, *what: object) -> None:
        """The program has just said that this is durable."""
        self.log.append(("promise", *what))

    def _audit(self, event: str, arguments: tuple[object, ...]) -> None:
        if event == "os.rename":  # os.replace too
            self.log.append(
                ("rename", *(str(Path(os.fspath(a)).absolute()) for a in arguments[:2]))
            )
        elif event == "os.remove":
            self.log.append(("delete", str(Path(os.fspath(arguments[0])).absolute())))
        elif event == "open" and _is_tail(arguments[0]) and arguments[2] & os.O_CREAT:
            self.log.append(("open", str(Path(os.fspath(arguments[0])).absolute())))

    def _put(self, descriptor: int, data: bytes, offset: int) -> int:
        amount = self._pwrite(descriptor, data, offset)
        path = str(_named(descriptor))
        if _is_tail(path):
            self.log.append(("write", path, offset, bytes(data)[:amount]))
        return amount

    def _sync_tail(self, descriptor: int) -> None:
        self._fdatasync(descriptor)
        self.log.append(("sync", str(_named(descriptor))))

    def _sync_folder(self, descriptor: int) -> None:
        self._fsync(descriptor)
        if _named(descriptor).is_dir():
            self.log.append(("folder",))

    def _open(self, vfs, name, file, flags, out):
        code = self._base_open(vfs, name, file, flags, out)
        if code == 0 and name is not None:
            place = ctypes.cast(file, POINTER(c_void_p))
            original = place[0]
            if original not in self._tables:
                self._tables[original] = self._wrapped(original)
            place[0] = ctypes.addressof(self._tables[original])
            self._names[file] = path = _path(name)
            self.log.append(("open", path))
            self._new.discard(file)
            if flags & _CREATE and flags & _JOURNALS:
                self._new.add(file)
        return code

    def _wrapped(self, original: int) -> ctypes.Array[ctypes.c_char]:
        table = ctypes.create_string_buffer(ctypes.string_at(original, _METHODS_BYTES))
        methods = _Methods.from_buffer(table)
        write, truncate = _WRITE(methods.xWrite), _TRUNCATE(methods.xTruncate)
        sync = _SYNC(methods.xSync)

        def on_write(file, data, amount, offset):
            code = write(file, data, amount, offset)
            if code == 0:
                said = ctypes.string_at(data, amount)
                self.log.append(("write", self._names[file], offset, said))
            return code

        def on_truncate(file, size):
            code = truncate(file, size)
            if code == 0:
                self.log.append(("truncate", self._names[file], size))
            return code

        def on_sync(file, flags):
            code = _IOERR_FSYNC if self.refuses_syncs else sync(file, flags)
            if code == 0:
                self.log.append(("sync", self._names[file]))
                if file in self._new:
                    self._new.discard(file)
                    self.log.append(("folder",))
            return code

        mine = [_WRITE(on_write), _TRUNCATE(on_truncate), _SYNC(on_sync)]
        self._kept += [*mine, write, truncate, sync, methods]
        methods.xWrite, methods.xTruncate, methods.xSync = (ctypes.cast(m, c_void_p) for m in mine)
        return table

    def _delete(self, vfs, name, sync_folder):
        code = self._base_delete(vfs, name, sync_folder)
        if code == 0:
            self.log.append(("delete", _path(name)))
            if sync_folder:
                self.log.append(("folder",))
        return code


def _named(descriptor: int) -> Path:
    return Path(f"/proc/self/fd/{descriptor}").readlink()


def _is_tail(path: object) -> bool:
    return isinstance(path, str | os.PathLike) and os.fspath(path).endswith(SUFFIXES)


def _path(name: int) -> str:
    return str(Path(os.fsdecode(ctypes.string_at(name))).absolute())


@dataclass
class _File:
    """One file, whatever it is called: what is certain, and what is not yet."""

    durable: bytearray = field(default_factory=bytearray)
    pending: list[Op] = field(default_factory=list)

    def sync(self) -> None:
        for op in self.pending:
            _apply(self.durable, op)
        self.pending.clear()

    def found(self, chance: random.Random) -> bytes:
        content = bytearray(self.durable)
        how = chance.choice(("nothing", "everything", "some", "torn"))
        for op in self.pending:
            if how == "everything" or (how != "nothing" and chance.random() < 0.5):
                _apply(content, op)
            elif how == "torn" and op[0] == "write":
                _tear(content, op, chance)
        if self.pending and chance.random() < 0.3:  # grown, but not written
            size = max((op[1] + len(op[2]) for op in self.pending if op[0] == "write"), default=0)
            content.extend(bytes(max(0, size - len(content))))
        return bytes(content)


def _apply(content: bytearray, op: Op) -> None:
    match op:
        case ("truncate", size):
            content[size:] = b""
            content.extend(bytes(size - len(content)))
        case ("write", offset, data):
            content.extend(bytes(max(0, offset - len(content))))
            content[offset : offset + len(data)] = data


def _tear(content: bytearray, op: Op, chance: random.Random) -> None:
    _, offset, data = op
    at = 0
    while at < len(data):
        step = SECTOR - (offset + at) % SECTOR
        if chance.random() < 0.5:
            _apply(content, ("write", offset + at, data[at : at + step]))
        at += step


class Disk:
    """A folder of files as a log leaves it, instant by instant."""

    def __init__(self, folder: str) -> None:
        self._folder = folder
        self._names: dict[str, _File] = {}
        self._certain: dict[str, _File] = {}
        self._moves: list[Op] = []
        self.promises: list[Op] = []

    def play(self, ops: Iterable[Op]) -> None:
        for op in ops:
            match op:
                case ("promise", *what):
                    self.promises.append(tuple(what))
                case ("open", name):
                    if name not in self._names:
                        self._names[name] = file = _File()
                        self._moves.append(("make", name, file))
                case ("write", name, offset, data):
                    self._names[name].pending.append(("write", offset, data))
                case ("truncate", name, size):
                    self._names[name].pending.append(("truncate", size))
                case ("sync", name):
                    self._names[name].sync()
                case ("delete", name):
                    self._names.pop(name, None)
                    self._moves.append(("delete", name))
                case ("rename", old, new) if old in self._names:
                    self._names[new] = self._names.pop(old)
                    self._moves.append(op)
                case ("folder",):
                    self._certain = self._moved(self._moves)
                    self._moves.clear()

    def _moved(self, moves: Iterable[Op]) -> dict[str, _File]:
        names = dict(self._certain)
        for op in moves:
            match op:
                case ("make", name, file):
                    names[name] = file
                case ("delete", name):
                    names.pop(name, None)
                case ("rename", old, new) if old in names:
                    names[new] = names.pop(old)
        return names

    def lose_power(self, into: Path, chance: random.Random) -> None:
        """Put the files as they may be found afterwards into a folder."""
        names = self._moved(self._moves[: chance.randint(0, len(self._moves))])
        for name, file in names.items():
            path = Path(name)
            if str(path.parent) == self._folder:
                (into / path.name).write_bytes(file.found(chance))
