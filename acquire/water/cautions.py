"""What must be said wherever a verdict stands: the one place these words come from."""

from __future__ import annotations

from typing import Final

__all__ = ["ADVICE", "MICROSCOPE", "SAFETY"]

SAFETY: Final = (
    "These readings never show that a water is safe to drink: they cannot see microbes, lead, "
    "arsenic, nitrate, PFAS and much else. For that, ask a certified laboratory, your local "
    "authority, and a licensed professional for any work on the plumbing."
)

ADVICE: Final = (
    "A difference between two waters says that they differ, not that either is better or harmful. "
    "This is no medical and no legal advice."
)

MICROSCOPE: Final = (
    "A light microscope cannot prove plastic: fibres of cotton, glass, dust, algae, salt crystals "
    "and plastic look alike. What a particle is made of needs a laboratory (infrared or Raman "
    "spectroscopy)."
)
