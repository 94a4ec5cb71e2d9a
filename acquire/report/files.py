"""Files that are whole or not there: written beside their place, then moved into it."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from acquire.errors import StoreError

__all__ = ["scratch_folder", "whole_file"]


@contextmanager
def whole_file(out: Path) -> Iterator[Path]:
    """Give where to write; it takes the place of `out` at the end, and is gone after any failure.

    StoreError when it cannot be written; an earlier file then stays as it was.
    """
    part = out.with_name(f".{out.name}.{os.getpid()}.part")
    try:
        yield part
        with part.open("rb") as written:
            os.fsync(written.fileno())
        part.replace(out)
    except OSError as error:
        raise StoreError(f"{out} cannot be written: {error.strerror or error}") from error
    finally:
        part.unlink(missing_ok=True)


@contextmanager
def scratch_folder(out: Path) -> Iterator[Path]:
    """Give a folder beside `out` (where that has room, this has), gone afterwards.

    It is named before it is made: a signal that comes while it is being made finds it to remove,
    which a folder named by the system in the making does not promise.
    """
    folder = out.with_name(f".{out.name}.{os.getpid()}.scratch")
    try:
        folder.mkdir(mode=0o700, exist_ok=True)  # left over from a run that was killed
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
