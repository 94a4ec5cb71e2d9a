"""What the routes of the page share."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from acquire.clock import Clock
from acquire.config import Config
from acquire.daemon import Typed
from acquire.page.answers import Refused
from acquire.page.reader import Reader
from acquire.page.standing import MeterStanding, Standing
from acquire.page.static_files import StaticFiles
from acquire.page.tokens import Tokens
from acquire.readings import Event

if TYPE_CHECKING:
    from acquire.errands import Bookkeeper
    from acquire.page.search import Search
    from acquire.page.stream import Hub

__all__ = ["Page"]

Act = Callable[[str, str, str], Awaitable[str]]
"""Carries an order out: word, meter, text; gives what was done, ValueError says why not."""


@dataclass(slots=True)
class Page:
    """Everything a route may ask or tell."""

    config: Config
    clock: Clock
    store: Path
    reader: Reader
    standing: Standing
    static: StaticFiles
    tokens: Tokens | None
    hub: Hub = field(init=False)
    search: Search = field(init=False)
    tell: Callable[[Event], Awaitable[None]] | None = None
    act: Act | None = None
    take_typed: Typed | None = None
    keeper: Bookkeeper | None = None
    is_secure: bool = False
    """Whether browsers come by TLS."""

    def now_ms(self) -> int:
        return self.clock.now().at_ms

    async def note(self, kind: str, text: str, **data: float | str) -> None:
        """Keep and tell that something happened."""
        if self.tell is not None:
            await self.tell(Event(kind, self.clock.now(), "", text, data))

    def meter(self, name: str) -> MeterStanding:
        """Give a configured meter; 404 when there is none of that name."""
        found = self.standing.meters.get(name)
        if found is None:
            known = ", ".join(self.standing.meters) or "none is configured"
            raise Refused(404, f"no such meter; there are: {known}")
        return found
