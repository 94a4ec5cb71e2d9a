"""What a right meter shows in a known solution, and how far off it may be. Pure."""

from __future__ import annotations

from acquire.readings import Channel
from acquire.water.conductivity import compensation_of
from acquire.water.corrections import acceptance_ph, acceptance_standard
from acquire.water.solutions import Expected, Solution, expected_reading

__all__ = ["allowed_error", "right_reading"]


def right_reading(solution: Solution, channel: Channel, temp_c: float) -> Expected:
    """Give what a right meter of this kind shows: its compensation, its reference electrode.

    WaterError when the solution says nothing of the quantity, or the profile too little of it.
    """
    return expected_reading(
        solution,
        channel.quantity,
        temp_c,
        compensation=compensation_of(channel),
        reference=channel.reference_electrode,
    )


def allowed_error(channel: Channel, expected: float) -> tuple[float | None, str]:
    """Give the ± a meter is held to in the unit of its quantity, and who says so.

    The maker's accuracy, the larger of its two parts. Without one the published acceptance: pH
    ±0.05 (USGS NFM A6.4), conductivity ±5 µS/cm to 100 µS/cm and 3 % above (USGS NFM A6.3). None
    when nobody says.
    """
    maker = max(channel.accuracy, channel.accuracy_relative * abs(expected))
    if maker > 0:
        return maker, "the maker's accuracy, from the profile"
    match channel.quantity:
        case "ph":
            return acceptance_ph("usgs-nfm-a6.4"), "USGS National Field Manual A6.4"
        case "conductivity":
            allowed = acceptance_standard("usgs-nfm-a6.3", expected)
            return allowed, "USGS National Field Manual A6.3, section 3.0"
        case _:
            return None, ""
