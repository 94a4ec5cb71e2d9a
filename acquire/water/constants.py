"""Constants of nature (exact since the SI of 2019, CODATA) and what follows from them."""

from __future__ import annotations

from typing import Final

__all__ = ["FARADAY", "GAS_CONSTANT", "ZERO_C_IN_K"]

GAS_CONSTANT: Final = 8.314462618  # J/(mol K)
FARADAY: Final = 96485.33212  # C/mol
ZERO_C_IN_K: Final = 273.15
