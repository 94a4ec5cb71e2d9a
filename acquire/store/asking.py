"""An open store, for reading: opened, seen in one state, asked, beside a running writer.

What there is to ask is in records.py.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from acquire.errors import StoreError
from acquire.paths import real
from acquire.store.database import (
    connect_reading,
    is_at_rest,
    is_ours,
    mapped,
    problems,
    require_sqlite,
    require_version,
)
from acquire.store.migrations import known_version, version_of
from acquire.store.rows import clean
from acquire.store.tail import snapshot

__all__ = ["OpenStore"]


class OpenStore:
    """A connection that can change nothing. Use it in the thread that opened it; close it."""

    def __init__(self, path: Path) -> None:
        """Use `open` instead."""
        require_sqlite()
        self.path = path = real(path)
        known = known_version()
        if not is_ours(path, known):
            raise StoreError(
                f"no store at {path} yet: start `ouzel serve` or `ouzel capture` to make one"
            )
        self._connection, self._needs_rest = connect_reading(path)
        try:
            with self._mapped():
                version = version_of(self._connection)
            require_version(path, version, known)
            _require_current(path, version, known)
        except BaseException:
            self.close()
            raise

    @classmethod
    def open(cls, path: Path | str) -> Self:
        """Open a store for reading.

        Raises:
            StoreError: there is none yet, or it is of an older version.
            StoreNewer, StoreDamaged: see acquire.errors.

        """
        return cls(Path(path))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        self._connection.close()

    def check(self) -> str:
        """Check the whole file, however long it takes; gives what is wrong, nothing if sound."""
        with self._mapped():
            return problems(self._connection, whole=True)

    def _all(self, query: str, *values: object) -> list[tuple[Any, ...]]:
        asked = [clean(value) if isinstance(value, str) else value for value in values]
        with self._mapped():
            rows = self._connection.execute(query, asked).fetchall()
        if self._needs_rest and not is_at_rest(self.path):
            raise StoreError(
                f"{self.path}: ouzel began to write to it while it was read: do it again"
            )
        return rows

    @contextmanager
    def _snapshot(self) -> Iterator[None]:
        """See one state of the store through several queries."""
        with self._mapped(), snapshot(self._connection):
            yield

    def _mapped(self) -> Any:
        return mapped(self.path, "reading")

    def _rows(self, query: str, values: Sequence[object] = ()) -> list[tuple[Any, ...]]:
        return self._all(query, *values)


def _require_current(path: Path, version: int, known: int) -> None:
    if version < known:
        raise StoreError(
            f"{path}: the store has version {version}, this ouzel reads {known}: start "
            "`ouzel serve` once to bring it up to date (it keeps a copy)"
        )
