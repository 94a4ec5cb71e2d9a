"""How a probe follows where it is: one closed formula for each stay in a water or in air."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from simulators.decays import Decays, TwoSpeed, two_speed
from simulators.traits import Bias, Traits
from simulators.waters import Water

__all__ = ["State", "Stay", "in_air", "in_water", "read_out"]

_KELVIN = 273.15


@dataclass(frozen=True, slots=True)
class State:
    """What the probe carries along when it is moved."""

    ph_quick: float
    ph_slow: float
    ph_shown: float
    orp_quick: float
    orp_slow: float
    orp_shown: float
    cell: float
    """Compensated conductivity of the cell's bulk, µS/cm."""
    film: float
    """The same of the film that exchanges slowly."""
    thermometer_c: float
    half_cell_c: float


@dataclass(frozen=True, slots=True)
class Stay:
    """One stay; every course counts from its beginning. Noise is (quick, slow, outlier) sizes."""

    water: Water | None
    water_c: Decays
    water_ph: Decays
    ph_quick: Decays
    ph_slow: Decays
    ph_shown: Decays
    orp_quick: Decays
    orp_slow: Decays
    orp_shown: Decays
    cell: Decays
    film: Decays
    hold_up: float
    thermometer_c: TwoSpeed
    half_cell_c: Decays
    noise: Mapping[str, tuple[float, float, float]]

    def state(self, t_s: float) -> State:
        return State(
            self.ph_quick(t_s),
            self.ph_slow(t_s),
            self.ph_shown(t_s),
            self.orp_quick(t_s),
            self.orp_slow(t_s),
            self.orp_shown(t_s),
            self.cell(t_s),
            self.film(t_s),
            self.thermometer_c(t_s),
            self.half_cell_c(t_s),
        )

    def shown(self, t_s: float, traits: Traits, bias: Bias) -> dict[str, float]:
        """Give pH, ORP, conductivity and temperature as the meter makes them, without noise."""
        cell = (1.0 - self.hold_up) * self.cell(t_s) + self.hold_up * self.film(t_s)
        return read_out(
            traits,
            bias,
            ph=self.ph_shown(t_s),
            orp=self.orp_shown(t_s),
            cell=cell,
            per_c=traits.compensation_per_c if self.water is None else self.water.ec_per_c,
            water_c=self.water_c(t_s),
            thermometer_c=self.thermometer_c(t_s),
            half_cell_c=self.half_cell_c(t_s),
        )

    def truth(self, t_s: float, traits: Traits, bias: Bias) -> dict[str, float]:
        """Give what the meter would show of this water at t, had the probe always stood in it."""
        water_c = self.water_c(t_s)
        if self.water is None:
            return {"conductivity": 0.0, "temperature": water_c + bias.temperature_c}
        return read_out(
            traits,
            bias,
            ph=self.water_ph(t_s),
            orp=self.water.orp_mv,
            cell=self.water.ec_25_us_cm,
            per_c=self.water.ec_per_c,
            water_c=water_c,
            thermometer_c=water_c,
            half_cell_c=water_c,
        )


def read_out(
    traits: Traits,
    bias: Bias,
    *,
    ph: float,
    orp: float,
    cell: float,
    per_c: float,
    water_c: float,
    thermometer_c: float,
    half_cell_c: float,
) -> dict[str, float]:
    """Turn what the sensors feel into what the meter makes of it with its own thermometer.

    Conductivity: reported / true = (1 + a·(Tw − 25)) / (1 + a·(Ts − 25)), Tw of the water, Ts of
    the thermometer. pH: the glass gives k·Tw of millivolts a pH from pH 7, the meter divides by
    k·Ts, both in kelvin (Nernst); the half-cell adds its own lag.
    """
    said_c = thermometer_c + bias.temperature_c
    slope = bias.ph_slope * (water_c + _KELVIN) / (said_c + _KELVIN)
    half_cell = traits.half_cell_ph_per_c * (water_c - half_cell_c)
    raw = cell * (1.0 + per_c * (water_c - 25.0))
    return {
        "ph": 7.0 + (ph - 7.0) * slope + half_cell + bias.ph,
        "orp": orp + bias.orp_mv,
        "conductivity": bias.conductivity * raw / (1.0 + traits.compensation_per_c * (said_c - 25)),
        "temperature": said_c,
    }


def in_water(
    traits: Traits,
    water: Water,
    state: State,
    *,
    room_c: float,
    age_s: float,
    flowing: bool,
    hold_up: float,
) -> Stay:
    """Give the stay of a probe in this state in a water poured `age_s` ago, or flowing past."""
    if flowing:
        water_c = Decays(water.temperature_c)
    else:
        water_c = water.temperature(room_c, traits.cup_s).later(age_s)
    water_ph = water.ph(water_c, age_s, standing=not flowing)
    ph_s = traits.ph_s * water.buffer_mmol_l ** (-1.0 / 3.0)
    tail = traits.ph_tail_share / (1.0 + water.ec_25_us_cm / traits.ph_tail_us_cm)
    ph_quick = water_ph.lagged(ph_s, state.ph_quick)
    ph_slow = water_ph.lagged(ph_s * traits.ph_tail_times, state.ph_slow)
    ph = ph_quick.scaled(1.0 - tail) + ph_slow.scaled(tail)

    rest = Decays(water.orp_mv)
    slowness = traits.orp_falling if rest.rest < state.orp_shown else 1.0
    share = traits.orp_tail_least + traits.orp_tail_more * (1.0 - water.poise)
    orp_quick = rest.lagged(traits.orp_s * slowness, state.orp_quick)
    orp_slow = rest.lagged(traits.orp_tail_s * slowness / water.poise, state.orp_slow)
    orp = orp_quick.scaled(1.0 - share) + orp_slow.scaled(share)
    return Stay(
        water=water,
        water_c=water_c,
        water_ph=water_ph,
        ph_quick=ph_quick,
        ph_slow=ph_slow,
        ph_shown=ph.lagged(traits.averaging_s, state.ph_shown),
        orp_quick=orp_quick,
        orp_slow=orp_slow,
        orp_shown=orp.lagged(traits.averaging_s, state.orp_shown),
        cell=Decays(water.ec_25_us_cm).lagged(traits.cell_s, state.cell),
        film=Decays(water.ec_25_us_cm).lagged(traits.film_s, state.film),
        hold_up=hold_up,
        thermometer_c=two_speed(
            water_c,
            state.thermometer_c,
            warming_s=traits.warming_s,
            cooling_s=traits.cooling_s,
        ),
        half_cell_c=water_c.lagged(traits.half_cell_s, state.half_cell_c),
        noise=_noise_in(water),
    )


def in_air(traits: Traits, state: State, *, room_c: float, ph: float, orp: float) -> Stay:
    """Give the stay of a probe out of water: pH and ORP float to the values given.

    The glass and the cell keep a film of the water they left, so their bodies stay as they were.
    """
    air_c = Decays(room_c)
    thermometer_c = air_c.lagged(traits.air_s, state.thermometer_c)
    return Stay(
        water=None,
        water_c=air_c,
        water_ph=Decays(math.nan),
        ph_quick=Decays(state.ph_quick),
        ph_slow=Decays(state.ph_slow),
        ph_shown=Decays(ph).lagged(traits.float_s, state.ph_shown),
        orp_quick=Decays(state.orp_quick),
        orp_slow=Decays(state.orp_slow),
        orp_shown=Decays(orp).lagged(traits.float_s, state.orp_shown),
        cell=Decays(0.0).lagged(traits.cell_s, state.cell),
        film=Decays(state.film),
        hold_up=0.0,
        thermometer_c=TwoSpeed(thermometer_c, math.inf, thermometer_c),
        half_cell_c=air_c.lagged(2.0 * traits.half_cell_s, state.half_cell_c),
        noise=_NOISE_IN_AIR,
    )


def _noise_in(water: Water) -> dict[str, tuple[float, float, float]]:
    """Give sizes of quick noise, slow wander and outliers (one Laplace scale), in each unit.

    pH: an open titrator's plateaus have a robust sd of 0.28 mV, 0.005 pH; thin water lets the
    junction wander more. Conductivity: 0.02 to 0.06 % on an open-hardware logger. ORP wanders as
    little as the water is poised. The split into quick and slow is chosen here.
    """
    thin = 50.0 / (50.0 + water.ec_25_us_cm)
    ec = water.ec_25_us_cm
    return {
        "ph": (0.004 * (1.0 + thin), 0.003 + 0.009 * thin, 0.02),
        "orp": (0.5, 0.4 + 1.5 * (1.0 - water.poise), 1.5),
        "conductivity": (0.1 + 0.0004 * ec, 0.05 + 0.0003 * ec, 0.002 * ec),
        "temperature": (0.015, 0.01, 0.03),
    }


_NOISE_IN_AIR = {
    "ph": (0.04, 0.2, 0.1),
    "orp": (3.0, 12.0, 5.0),
    "conductivity": (0.1, 0.05, 0.2),
    "temperature": (0.015, 0.02, 0.03),
}
