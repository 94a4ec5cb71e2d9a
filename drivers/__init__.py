"""Drivers: each turns one kind of connection into readings, to the contract in `acquire.meter`."""

from __future__ import annotations

__all__: list[str] = []
