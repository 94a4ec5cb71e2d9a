"""A simulated probe and its meter: where it is, what the display shows, what is true.

Pure: time is given by the caller in seconds of any clock that does not go back. The display
changes at the meter's own updates, `period_s` apart; each update is computed from the beginning of
the stay in one formula and the noise moves once an update, so what is shown at an instant does not
depend on how often anyone looked before.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from typing import Literal

from drivers.codecs.dialects import ERROR
from simulators.display import QUANTITIES, Shown, derive, quantise
from simulators.noise import Noise, NoiseTraits
from simulators.response import State, Stay, in_air, in_water
from simulators.traits import Bias, Traits, Troubles
from simulators.waters import Water

__all__ = ["InAir", "Probe"]

InAir = Literal["live", "hold", "blank"]
"""What the meter does out of water: shows what it gets, keeps the last digits, shows dashes."""

_MEASURED = ("ph", "orp", "conductivity", "temperature")
_SPIKE = {"ph": 1.0, "orp": 80.0, "conductivity": 300.0, "temperature": 5.0}
"""How far a spike goes, as a Laplace scale: far outside any settling, chosen here."""


@dataclass(frozen=True, slots=True)
class _Bubble:
    start_s: float
    end_s: float
    share: float


@dataclass(frozen=True, slots=True)
class _Stuck:
    end_s: float
    digits: Shown


class Probe:
    """Stands in air at room temperature from `start_s` on; `move_to` takes it elsewhere."""

    def __init__(
        self,
        seed: object,
        *,
        start_s: float = 0.0,
        period_s: float = 1.0,
        room_c: float = 21.0,
        traits: Traits = Traits(),  # noqa: B008  (frozen)
        bias: Bias = Bias(),  # noqa: B008
        troubles: Troubles = Troubles(),  # noqa: B008
        noise: NoiseTraits | None = NoiseTraits(),  # noqa: B008
        in_air: InAir = "live",
    ) -> None:
        """`noise=None` leaves the sensors alone: the deterministic part, quantised."""
        self._traits, self._bias, self._troubles = traits, bias, troubles
        self._room_c, self._in_air = room_c, in_air
        self._start_s, self._period_s = start_s, period_s
        self._moves = random.Random(f"moves:{seed}")
        self._noisy = noise is not None
        self._noise = Noise(f"noise:{seed}", _MEASURED, period_s, noise or NoiseTraits())
        self._bubbles: list[_Bubble] = []
        self._stuck: list[_Stuck] = []
        # As it comes out of its storage solution: near pH 4.5, wetted platinum, dry cell.
        state = State(4.5, 4.5, 4.5, 250.0, 250.0, 250.0, 0.0, 0.0, room_c, room_c)
        self._since_s = start_s
        self._stay: Stay = self._leave(state)
        self._update = -1
        self._shown: Shown = {}
        self._look(start_s)

    def move_to(
        self,
        water: Water | None,
        t_s: float,
        *,
        poured_s: float | None = None,
        flowing: bool = False,
    ) -> None:
        """Put the probe into a water at t, or lift it into the air (None).

        `poured_s` is when this glass was poured (now, unless given); a `flowing` water stays as
        it comes out of the line.
        """
        self._look(t_s)
        state = self._stay.state(t_s - self._since_s)
        self._since_s = t_s
        self._bubbles.clear()  # moving shakes them off
        if water is None:
            self._stay = self._leave(state)
            return
        traits, draw = self._traits, self._moves
        hold_up = min(traits.hold_up * math.exp(draw.gauss(0.0, 1.0)), traits.hold_up_most)
        bubble, share, for_s = draw.random(), draw.uniform(0.02, 0.15), draw.uniform(10.0, 40.0)
        self._stay = in_water(
            traits,
            water,
            state,
            room_c=self._room_c,
            age_s=0.0 if poured_s is None else max(0.0, t_s - poured_s),
            flowing=flowing,
            hold_up=hold_up,
        )
        if bubble < self._troubles.bubble:
            self.bubble(t_s, for_s, share)

    def display(self, t_s: float) -> Shown:
        """Give what the display shows at t, in the units of `acquire.quantities`."""
        self._look(t_s)
        return dict(self._shown)

    def truth(self, t_s: float) -> dict[str, float]:
        """Give where the display is heading at t: no lag, no noise, no steps, no troubles.

        It is what this meter, with its own bias and its own compensation, would show of the water
        as it is at t. Infinity gives the water come to rest in the room. In air there is no true
        pH and no true ORP, so these are left out.
        """
        values = self._stay.truth(t_s - self._since_s, self._traits, self._bias)
        return derive(values)

    def bubble(self, t_s: float, for_s: float, share: float) -> None:
        """Shade that share of the cell, from t on, for so long or until the probe is moved."""
        self._bubbles.append(_Bubble(t_s, t_s + for_s, share))

    def stick(self, t_s: float, for_s: float, quantity: str | None = None) -> None:
        """Let one quantity, or the whole display, keep the digits it shows at t, for so long."""
        self._look(t_s)
        kept = {name: said for name, said in self._shown.items() if quantity in {None, name}}
        self._stuck = [stuck for stuck in self._stuck if stuck.end_s > t_s]
        self._stuck.append(_Stuck(t_s + for_s, kept))

    def _leave(self, state: State) -> Stay:
        traits, draw = self._traits, self._moves
        ph = state.ph_shown + draw.gauss(0.0, traits.float_ph)
        orp = state.orp_shown + draw.gauss(0.0, traits.float_mv)
        return in_air(traits, state, room_c=self._room_c, ph=min(max(ph, 0.0), 14.0), orp=orp)

    def _look(self, t_s: float) -> None:
        """Bring the display up to t: to the last update not after it."""
        # The small part keeps an update asked for at its very instant from being missed.
        update = math.floor((t_s - self._start_s) / self._period_s + 1e-6)
        if update <= self._update:
            return
        self._noise.step(update, update - self._update)
        self._update = update
        at_s = max(self._start_s + update * self._period_s, self._since_s)
        self._shown = self._compute(at_s)
        for stuck in self._stuck:
            if at_s < stuck.end_s:
                self._shown.update(stuck.digits)

    def _compute(self, at_s: float) -> Shown:
        dry = self._stay.water is None
        if dry and self._in_air == "hold" and self._shown:
            return dict(self._shown)
        values = self._stay.shown(at_s - self._since_s, self._traits, self._bias)
        for bubble in self._bubbles:
            if bubble.start_s <= at_s < bubble.end_s:
                values["conductivity"] *= 1.0 - bubble.share
        if self._noisy:
            for name, (quick, slow, outlier) in self._stay.noise.items():
                values[name] += (
                    quick * self._noise.quick[name]
                    + slow * self._noise.slow[name]
                    + outlier * self._noise.outlier[name]
                )
        shown = self._troubled(values)
        if dry and self._in_air == "blank":
            shown.update({name: None for name in QUANTITIES if name != "temperature"})
        return shown

    def _troubled(self, values: dict[str, float]) -> Shown:
        """Let this update's lot decide whether something goes wrong with it."""
        spike, dropout, error = self._troubles.spike, self._troubles.dropout, self._troubles.error
        lot = self._noise.lot
        if lot >= spike + dropout + error:
            return quantise(derive(values))
        luck = random.Random(lot)  # of this update alone
        name = luck.choice(_MEASURED)
        if lot < spike:
            values[name] += luck.choice((-1.0, 1.0)) * _SPIKE[name] * (0.3 + luck.expovariate(1.0))
            return quantise(derive(values))
        shown = quantise(derive(values))
        if lot < spike + dropout:
            return dict.fromkeys(shown)
        shown[name] = ERROR
        return shown
