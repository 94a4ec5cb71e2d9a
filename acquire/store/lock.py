"""One writer a store: an advisory lock on `<store>.lock` that dies with its process.

The kernel drops the lock when the process ends, however it ends, so no stale lock can keep a
person out. The file itself stays: removing it would let two writers lock two different files.
"""

from __future__ import annotations

import fcntl
import os
from contextlib import suppress
from pathlib import Path

from acquire.errors import StoreError, StoreTaken

__all__ = ["StoreLock"]


class StoreLock:
    """Holds the right to write; `release` gives it back."""

    def __init__(self, store: Path) -> None:
        """Take the lock.

        Raises:
            StoreTaken: another process (or another writer in this one) has it; names its pid.
            StoreError: the lock file cannot be made.

        """
        path = store.with_name(store.name + ".lock")
        try:
            descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as error:
            raise StoreError(
                f"{store}: cannot write beside it ({error.strerror}): ouzel needs to create files "
                f"in {store.parent}; give it that right or choose another place for the store"
            ) from error
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            holder = os.read(descriptor, 32).decode("ascii", "replace").strip()
            os.close(descriptor)
            who = f"process {holder}" if holder.isdigit() else "another process"
            raise StoreTaken(
                f"{store}: {who} is writing to this store; stop it first, or use another store"
            ) from error
        except OSError as error:
            os.close(descriptor)
            raise StoreError(
                f"{store}: this file system cannot lock files ({error.strerror}); keep the store "
                "on a local disk"
            ) from error
        with suppress(OSError):  # a full disk: then nobody is told which process it is
            os.ftruncate(descriptor, 0)
            os.pwrite(descriptor, f"{os.getpid()}\n".encode(), 0)
        self._descriptor: int | None = descriptor

    def release(self) -> None:
        """Let others write; safe to call twice."""
        descriptor, self._descriptor = self._descriptor, None
        if descriptor is not None:
            os.close(descriptor)
