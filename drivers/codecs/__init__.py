"""Pure codecs: bytes to frames to values and back. No port, no clock, no event loop."""

from __future__ import annotations

__all__: list[str] = []
