"""Simulated probes: the physics, the hand that moves them, the port they stand behind."""

from __future__ import annotations

__all__: list[str] = []
