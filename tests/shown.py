"""What a meter of all seven quantities shows in a tap water, as several tests let it show."""

from __future__ import annotations

SHOWN = {
    "ph": 7.01,
    "orp": 215.0,
    "conductivity": 512.0,
    "tds": 256.0,
    "salinity": 0.3,
    "specific_gravity": 1.0,
    "temperature": 21.4,
}
