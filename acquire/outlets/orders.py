"""What a broker may ask the daemon for: off unless allowed, each one kept as an event."""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable, Collection

from acquire.clock import Clock
from acquire.outlets.broker import Tell
from acquire.readings import Event

__all__ = ["Act", "Orders"]

Act = Callable[[str, str, str], Awaitable[str]]
"""What carries an order out: word, meter, text; gives what was done, ValueError says why not."""

_LONGEST = 1000
_MOST, _SPAN_S = 10, 10.0
"""Orders taken in so many seconds."""


class Orders:
    """Takes orders as JSON (`{"meter": ..., "water": ...}`), answers in JSON."""

    def __init__(self, allowed: Collection[str], act: Act, clock: Clock, tell: Tell) -> None:
        self._allowed = frozenset(allowed)
        self._act = act
        self._clock = clock
        self._tell = tell
        self._recent: list[float] = []

    async def take(self, word: str, payload: bytes) -> bytes:
        """Carry one out, or say why not; never raises for what came in."""
        if self._is_too_much():
            return b'{"ok": false, "error": "too many at once"}'
        try:
            if word not in self._allowed:
                raise ValueError(f"not allowed: {word[:40]!r}")  # noqa: TRY301
            meter, text = _read(payload)
            done = await self._act(word, meter, text)
        except ValueError as error:
            answer = {"ok": False, "error": str(error)[:200]}
        else:
            answer = {"ok": True, "done": done}
        said = answer.get("done") or answer.get("error")
        await self._tell(
            Event("order", self._clock.now(), "", f"{word[:40]}: {said}", {"ok": str(answer["ok"])})
        )
        return json.dumps(answer).encode()

    def _is_too_much(self) -> bool:
        """Each order costs a write to the store: a flood of them must not."""
        now_s = self._clock.now().t_s
        self._recent = [t_s for t_s in self._recent if now_s - t_s < _SPAN_S]
        if len(self._recent) >= _MOST:
            return True
        self._recent.append(now_s)
        return False


def _read(payload: bytes) -> tuple[str, str]:
    """Give the meter and the water named; both may be missing."""
    if len(payload) > _LONGEST:
        raise ValueError(f"longer than {_LONGEST} bytes")
    try:
        said = json.loads(payload or b"{}")
    except (ValueError, RecursionError) as error:
        raise ValueError('not JSON: say {"meter": "...", "water": "..."}') from error
    if not isinstance(said, dict) or not all(
        isinstance(said.get(key, ""), str) for key in ("meter", "water")
    ):
        raise ValueError('say {"meter": "...", "water": "..."}')
    return said.get("meter", ""), said.get("water", "").strip()[:80]
