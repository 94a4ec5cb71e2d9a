"""Asks the store in threads, so that no question holds up the readings."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator, Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TextIO, TypeVar, cast

from acquire.store.records import Records

__all__ = ["Reader"]

T = TypeVar("T")
_THREADS = 3
_CHUNK = 64 * 1024
_AHEAD = 2
_STEP_S = 0.5


class _Gone(Exception):
    """Nobody wants the rest."""


class Reader:
    """One store, many questions."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._pool = ThreadPoolExecutor(_THREADS, thread_name_prefix="page")
        self._is_closed = threading.Event()

    async def ask(self, question: Callable[[Records], T]) -> T:
        """Give the answer; whatever the question raises is raised here."""
        return await asyncio.get_running_loop().run_in_executor(self._pool, self._ask, question)

    def _ask(self, question: Callable[[Records], T]) -> T:
        with Records.open(self._path) as records:
            return question(records)

    async def stream(self, write: Callable[[Records, TextIO], object]) -> AsyncIterator[bytes]:
        """Give, piece by piece, what `write` writes; it waits while nobody takes the pieces.

        It has a thread of its own: a long download must not hold up short questions.
        """
        loop = asyncio.get_running_loop()
        pieces: asyncio.Queue[bytes | BaseException | None] = asyncio.Queue(_AHEAD)
        gone = threading.Event()

        def put(piece: bytes | BaseException | None) -> None:
            waits = asyncio.run_coroutine_threadsafe(pieces.put(piece), loop)
            while not (gone.is_set() or self._is_closed.is_set()):
                try:
                    waits.result(_STEP_S)
                except TimeoutError:
                    continue
                return
            waits.cancel()
            raise _Gone

        def work() -> None:
            file = _Pieces(put)
            try:
                with Records.open(self._path) as records:
                    write(records, cast("TextIO", file))
                file.flush()
                put(None)
            except _Gone:
                return
            except BaseException as error:  # noqa: BLE001  (raised again where it was asked)
                try:
                    put(error)
                except _Gone:
                    return

        threading.Thread(target=work, name="page download", daemon=True).start()
        try:
            while (piece := await pieces.get()) is not None:
                if isinstance(piece, BaseException):
                    raise piece
                yield piece
        finally:
            gone.set()

    def close(self) -> None:
        """Answer nothing more; what is being asked ends by itself."""
        self._is_closed.set()
        self._pool.shutdown(wait=False, cancel_futures=True)


class _Pieces:
    """As much of a text file as a writer of CSV uses."""

    def __init__(self, put: Callable[[bytes], None]) -> None:
        self._put = put
        self._held = bytearray()

    def write(self, text: str) -> int:
        self._held += text.encode("utf-8", "replace")
        if len(self._held) >= _CHUNK:
            self.flush()
        return len(text)

    def flush(self) -> None:
        if self._held:
            self._put(bytes(self._held))
            self._held = bytearray()
