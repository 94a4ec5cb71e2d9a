"""Files that nobody but their owner reads."""

from __future__ import annotations

import os
from pathlib import Path

__all__ = ["write_private"]


def write_private(file: Path, text: str) -> None:
    """Write it beside its place first: it is whole or as before, and never open to others.

    OSError when it cannot be written.
    """
    unfinished = file.with_name(f"{file.name}.new")
    unfinished.unlink(missing_ok=True)
    descriptor = os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as written:
        written.write(text)
        written.flush()
        os.fsync(written.fileno())
    unfinished.replace(file)
