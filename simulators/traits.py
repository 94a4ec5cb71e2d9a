"""How a simulated probe and its meter are built: every constant with the reason beside it.

Chosen once from what is known of such probes, never from how a settling detector fares on them.
Marks: [measured] on open data; [quoted] from published texts; [practice] common practice, no
source; [chosen] here, inside the range such probes are known to show.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

__all__ = ["Bias", "Traits", "Troubles"]


@dataclass(frozen=True, slots=True)
class Traits:
    """Time constants in seconds, temperatures in °C."""

    averaging_s: float = 2.0
    """The meter's own averaging, as a first-order lag: "a few seconds" [practice]."""

    cooling_s: float = 8.5
    """Thermometer in water: 8.5 s for a round steel sheath, 5.7 s for a flat one, in field tests
    of an open-hardware conductivity-temperature-depth logger [quoted]."""
    warming_s: float = 16.0
    """The same tests: warming takes almost twice as long as cooling [quoted]."""
    air_s: float = 60.0
    """Thermometer in still air, where heat crosses more slowly [chosen]."""
    cup_s: float = 1800.0
    """A glass of water comes to room temperature in 20 to 60 min [practice]."""

    compensation_per_c: float = 0.02
    """Linear, to 25 °C, by the meter's own lagging thermometer [practice]."""
    cell_s: float = 1.2
    """Exchange of the cell's bulk; the electronics are instant beside it [chosen]."""
    film_s: float = 40.0
    """Exchange of the film and corners: calibrations of an open-hardware logger were still
    0.1 to 1.5 % low after 60 to 100 s [measured]."""
    hold_up: float = 0.01
    hold_up_most: float = 0.07
    """Share of the cell that exchanges so slowly. In the same calibrations the first reading was
    low by 0.1 to 7 %, the median 1 %: log-normal with this median, drawn anew each immersion."""

    ph_s: float = 11.5
    """pH in a water of buffer capacity 1 mmol/L a pH; it goes with capacity to the power −1/3.
    The power law is [chosen] to pass through t95 = 3 tau of 5-15 s in buffers, 30-60 s in tap
    water, minutes in pure water [practice]."""
    ph_tail_share: float = 0.45
    ph_tail_times: float = 4.0
    ph_tail_us_cm: float = 50.0
    """A junction in thin water adds a slow tail: its share is ph_tail_share / (1 + EC25 / this),
    its time constant that many times ph's, so that t95 in pure water comes to 2-10 min
    [practice for the range, chosen for the form]."""
    half_cell_s: float = 90.0
    """The reference half-cell comes to temperature in the body of the probe: a step of 10 to 20 °C
    disturbs pH for 1 to 5 min [practice]."""
    half_cell_ph_per_c: float = 0.005
    """0.0035 pH/K a unit of isopotential error (Analyst 1987) [quoted]; 1.5 units [chosen]."""

    orp_s: float = 8.0
    """The quick part of platinum [chosen]."""
    orp_tail_s: float = 60.0
    """The slow part, divided by the poise: a minute in a redox standard, ten and more in water
    that nothing poises; 30 to 45 min are quoted for a first wetting [quoted, form chosen]."""
    orp_tail_least: float = 0.2
    orp_tail_more: float = 0.5
    """Share of the slow part: the least at full poise, so much more at none [chosen]."""
    orp_falling: float = 1.5
    """An oxide film delays falling readings [practice]; how much is [chosen]."""

    float_s: float = 30.0
    float_ph: float = 1.2
    float_mv: float = 60.0
    """In air the open inputs wander off to somewhere, drawn anew each time: how far (standard
    deviation) and how fast [chosen]."""


@dataclass(frozen=True, slots=True)
class Bias:
    """How far this one instrument is out; all zero is a perfect calibration."""

    ph: float = 0.0
    ph_slope: float = 1.0
    """Of Nernst; 0.95 to 1.05 pass as good (common laboratory window, from memory)."""
    orp_mv: float = 0.0
    conductivity: float = 1.0
    temperature_c: float = 0.0

    @classmethod
    def drawn(cls, seed: object) -> Bias:
        """Draw an instrument whose accuracies (pH 0.05, 5 mV, 2 %, 0.5 °C) are two sigma."""
        draw = random.Random(f"bias:{seed}")
        return cls(
            ph=draw.gauss(0.0, 0.025),
            ph_slope=1.0 + draw.gauss(0.0, 0.005),
            orp_mv=draw.gauss(0.0, 2.5),
            conductivity=1.0 + draw.gauss(0.0, 0.01),
            temperature_c=draw.gauss(0.0, 0.25),
        )


@dataclass(frozen=True, slots=True)
class Troubles:
    """How often things go wrong by themselves; chances in [0, 1] [all chosen]."""

    spike: float = 0.0005
    """An update: one quantity jumps far off for it (a touched cable)."""
    dropout: float = 0.0005
    """An update: no quantity has a reading."""
    error: float = 0.0
    """An update: one quantity shows the meter's error word."""
    bubble: float = 0.05
    """An immersion: a bubble shades the cell for 10 to 40 s, then leaves."""

    @classmethod
    def none(cls) -> Troubles:
        return cls(spike=0.0, dropout=0.0, error=0.0, bubble=0.0)
