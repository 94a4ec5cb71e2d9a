"""Long answers, given piece by piece: so many at one time and no more."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Mapping
from typing import TextIO

from starlette.responses import StreamingResponse

from acquire.page.answers import Refused
from acquire.page.reader import Reader
from acquire.store.records import Records

__all__ = ["Downloads"]


class Downloads:
    """Those of one kind; `busy` says in words that as many as may are under way."""

    def __init__(self, reader: Reader, most: int, busy: str) -> None:
        self._reader = reader
        self._most = most
        self._busy = busy
        self._under_way = 0

    def give(
        self,
        write: Callable[[Records, TextIO], object],
        media_type: str,
        headers: Mapping[str, str],
    ) -> StreamingResponse:
        """Answer with what `write` writes, as `Reader.stream` gives it."""
        if self._under_way >= self._most:
            raise Refused(503, self._busy)
        return StreamingResponse(self._pieces(write), media_type=media_type, headers=headers)

    async def _pieces(self, write: Callable[[Records, TextIO], object]) -> AsyncIterator[bytes]:
        self._under_way += 1
        try:
            async for piece in self._reader.stream(write):
                yield piece
        finally:
            self._under_way -= 1
