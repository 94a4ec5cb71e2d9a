"""Makes the settler a preset asks for."""

from __future__ import annotations

from acquire.bench.standing import Settles
from acquire.quantities import Tolerance
from acquire.settle import Settler

__all__ = ["make_settler"]


def make_settler(preset: str, *, tolerance: Tolerance, resolution: float, quantity: str) -> Settles:
    """Give a fresh settler for one quantity of one immersion."""
    return Settler(tolerance, resolution=resolution, quantity=quantity, preset=preset)
