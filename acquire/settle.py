"""Decide when a reading has come to rest, where, and how sure that is. Pure: no clock, no I/O.

One `Settler` follows one quantity through one immersion. It does not ask whether the last readings
look quiet but how far the value may still be from where it comes to rest: tails of several kinds
are held against the recent past (`settle_tail`), which stands in a fixed amount of memory
(`settle_history`). What they leave in doubt, and other signs of a halt that deceives
(`settle_signs`), go into the learnt risk that a record of now would be wrong (`settle_risk`): a
value is settled once that risk is as small as the preset asks, after the time it has stayed.

The method, its limits and its figures: docs/settling.md.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import cbrt, exp, inf, isfinite, nan, pi, sqrt

from acquire.presets import Preset, find_preset
from acquire.quantities import Tolerance
from acquire.readings import Phase
from acquire.settle_history import History, middle_mean
from acquire.settle_risk import load, risk_of
from acquire.settle_signs import signs
from acquire.settle_tail import outlook
from acquire.settle_view import View

__all__ = ["Settler", "Settling", "Tolerance"]

_BLOCK_S = 1.45
"""A base block closes with the first sample this long after the last one."""
_NONSENSE = 1e15
"""A number this large is no reading."""
_PER_KELVIN = {
    "ph": (0.005, 0.0),
    "conductivity": (0.0, 0.02),
    "tds": (0.0, 0.02),
    "salinity": (0.0, 0.02),
}
"""What one kelvin still to come may do: absolute, and as a fraction of the value. pH: lag of the
half-cells (common practice, no source); conductivity: 2 %/K of thermometer lag."""


@dataclass(frozen=True, slots=True)
class Settling:
    """How one quantity stands after a reading."""

    phase: Phase
    value: float
    """Best estimate of where it comes to rest; NaN before the first reading."""
    expanded_u: float
    """95 % expanded uncertainty of that: noise, resolution and what may still be left to move."""
    drift_per_min: float
    """Rate of change now, in the unit of the quantity per minute."""
    eta_s: float | None
    """Seconds until it is expected to settle; 0 when it has, None when that cannot be told."""
    reason: str
    """Why it is not settled, in words; empty when it is."""


_LEAST = 1e-9
"""A tolerance of nothing (a fraction of zero) would make every noise infinite."""
_LAST_BITS = 5e-5
"""A scatter this many tolerances small is of the arithmetic, not of the meter."""
_MOVED_ON = "moved on after it had settled"
_REMEMBERS_S = 15.0
"""How long the reason goes on saying so."""
_NOTHING = Settling("moving", nan, inf, 0.0, None, "no reading yet")


class Settler:
    """Follow one quantity of one immersion; `update` with every reading, `restart` at the next.

    `resolution` is the step of the meter's display (0 when not known), `quantity` its name in the
    table of quantities, `preset` a name from presets.toml or a Preset.
    """

    __slots__ = (
        "_anchor",
        "_begun",
        "_block",
        "_block_end",
        "_block_t",
        "_block_warm",
        "_block_warm_n",
        "_gap_t",
        "_history",
        "_jump",
        "_jumps",
        "_last_t",
        "_level",
        "_look_at",
        "_moved_t",
        "_off",
        "_off_t",
        "_pending",
        "_period",
        "_preset",
        "_quantity",
        "_resolution",
        "_settled",
        "_sigma",
        "_state",
        "_tolerance",
        "_view",
    )

    def __init__(
        self,
        tolerance: Tolerance,
        *,
        resolution: float = 0.0,
        quantity: str = "",
        preset: str | Preset = "bench",
    ) -> None:
        self._tolerance = tolerance
        self._resolution = resolution if resolution and isfinite(resolution) else 0.0
        self._quantity = quantity
        self._preset = preset if isinstance(preset, Preset) else find_preset(preset)
        self._last_t = -inf
        self._clear(None)
        self._state = _NOTHING
        load()  # here, where it may raise and take its milliseconds: `update` must not

    def _clear(self, begun: float | None) -> None:
        self._begun = begun
        self._history: History | None = None
        self._block: list[float] = []
        self._block_t = 0.0
        self._block_warm = 0.0
        self._block_warm_n = 0
        self._block_end = -inf
        self._pending: tuple[float, float, float | None] | None = None
        self._level: float | None = None
        self._jump = 0.0
        self._sigma = 0.0
        self._jumps = 0.0
        self._period = 0.0
        self._gap_t = -inf
        self._look_at = -inf
        self._settled = False
        self._anchor = 0.0
        self._off = 0
        self._off_t = 0.0
        self._moved_t = -inf
        self._view: View | None = None

    def restart(self, t_s: float) -> None:
        """Forget the past: a new immersion or a known disturbance began at `t_s`."""
        self._clear(t_s if isfinite(t_s) else None)
        self._state = Settling("moving", self._state.value, inf, 0.0, None, "just restarted")

    def update(self, t_s: float, value: float, temperature: float | None = None) -> Settling:
        """Take one reading. NaN, repeated and late ones change nothing; nothing here raises.

        `t_s` is monotonic seconds, `value` in the unit of the quantity, `temperature` °C.
        """
        last = self._last_t
        if not (last < t_s < inf and -_NONSENSE < value < _NONSENSE):
            return self._state
        self._last_t = t_s
        level = self._level
        if level is None:
            self._first(t_s, value, temperature)
            return self._state
        period = self._period
        step = t_s - last
        if period == 0.0:
            self._period = min(step, 60.0)
        elif step > 5.0 * period and step > 8.0:
            self._gap_t = t_s
        else:
            self._period = period + 0.1 * (step - period)
        jump = abs(value - level)
        if jump > self._jump or self._pending is not None:
            if self._is_spike(t_s, value, temperature, jump):
                return self._state
            level = self._level = value
        else:
            self._level = level + 0.5 * (value - level)
            self._jumps += jump
        self._take(t_s, value, temperature)
        if self._settled and self._moved_on(t_s, value):
            return self._state
        if t_s - self._block_end >= _BLOCK_S:
            self._close(t_s)
        return self._state

    def budget(self) -> Mapping[str, float]:
        """Standard uncertainties behind `expanded_u`, in the unit of the quantity."""
        view = self._view
        if view is None:
            return {"noise": inf, "resolution": inf, "remaining": inf}
        return {"noise": view.noise, "resolution": view.resolution, "remaining": view.remaining}

    def explain(self) -> list[tuple[str, str]]:
        """The terms that decided last, each with its value in words."""
        view = self._view
        return [] if view is None else view.in_words(self._preset)

    def _bound(self, value: float) -> float:
        """The tolerance at a value, but never finer than the display can tell."""
        return max(self._tolerance.at(value), 0.5 * self._resolution, _LEAST)

    # ---- one sample ----

    def _first(self, t: float, value: float, temperature: float | None) -> None:
        if self._begun is None or self._begun > t:
            self._begun = t
        self._level = value
        self._jumps = 0.0
        self._jump = self._gate(self._bound(value))
        self._block_end = t - 0.5 * _BLOCK_S
        self._take(t, value, temperature)
        self._state = Settling("moving", value, inf, 0.0, None, "the first reading")

    def _gate(self, tolerance: float) -> float:
        # Two digits and a half: a jump of two whole ones must not hang on a last bit.
        return max(0.75 * tolerance, 2.5 * self._resolution, 6.0 * self._sigma)

    def _is_spike(self, t: float, value: float, temperature: float | None, jump: float) -> bool:
        """Hold a sample that jumps until the next one says whether it was a move."""
        pending = self._pending
        if pending is not None:
            self._pending = None
            if abs(value - pending[1]) < jump:
                self._take(*pending)
                return False
        if jump > self._jump:
            self._pending = (t, value, temperature)
            return True
        return False

    def _take(self, t: float, value: float, temperature: float | None) -> None:
        self._block.append(value)
        self._block_t += t
        if temperature is not None and -_NONSENSE < temperature < _NONSENSE:
            self._block_warm += temperature
            self._block_warm_n += 1

    def _moved_on(self, t: float, value: float) -> bool:
        tolerance = self._bound(self._anchor)
        if abs(value - self._state.value) <= tolerance + 1.5 * self._sigma:
            self._off = 0
            return False
        if self._off == 0:
            self._off_t = t
        self._off += 1
        if self._off < 3 or t - self._off_t < 2.0:
            return False
        self._clear(self._off_t)
        self._first(t, value, None)
        self._moved_t = t
        self._state = Settling("moving", value, inf, 0.0, None, _MOVED_ON)
        return True

    # ---- one block ----

    def _close(self, t: float) -> None:
        block = self._block
        n = len(block)
        level = middle_mean(block)
        warm = self._block_warm / self._block_warm_n if self._block_warm_n else None
        history = self._history
        if history is None:
            history = self._history = History()
        tolerance = self._bound(level)
        history.add(self._block_t / n, level, warm, tolerance)
        self._block = []
        self._block_t = self._block_warm = 0.0
        self._block_warm_n = 0
        self._block_end = t
        # mean |reading - running level| of white noise is 0.92 sigma for a level that halves
        self._sigma += 0.2 * (self._jumps / (0.92 * n) - self._sigma)
        self._jumps = 0.0
        self._jump = self._gate(tolerance)
        step, apart = history.step()
        if not self._settled and abs(step) > 3.0 * tolerance:
            self._rush(level, step / apart)
        elif t >= self._look_at and self._off == 0:  # else: first see whether it has moved on
            self._decide(t, history)

    def _rush(self, level: float, rate: float) -> None:
        """So fast that there is nothing to weigh."""
        per_min = 60.0 * rate
        words = f"moving, {per_min:+.2g} per minute"
        self._state = Settling("moving", level, inf, per_min, None, words)

    def _decide(self, t: float, history: History) -> None:
        preset = self._preset
        begun = self._begun if self._begun is not None else t
        tolerance = self._bound(history.newest)
        level = history.level(tolerance)
        q = self._resolution
        expected = sqrt((0.3 * q) ** 2 + (preset.noise * tolerance) ** 2)
        noise = history.noise(expected, preset.colour, preset.colour_weight)
        rounding = _rounding(q, self._sigma)
        to_come = self._thermal(level, history)
        bound = max(tolerance - abs(to_come), 0.2 * tolerance)
        fixed = rounding + (0.02 * tolerance) ** 2
        w = history.windows(
            t,
            begun,
            level,
            tolerance=tolerance,
            noise=noise,
            fixed=fixed,
            discrepancy=preset.discrepancy,
            look=preset.look,
        )
        found = outlook(w, max(t - begun, 1.0), bound, preset.tail)
        dwell = min(w.dwell(found.rest, tolerance + 1.5 * sqrt(noise)), t - self._gap_t)
        value = level + found.rest
        unseen = preset.unseen_u(tolerance, dwell)
        before, view = self._view, View(found, tolerance, dwell, to_come, unseen, q)
        self._view = view
        if not self._settled:
            if view.may_rest(preset) and len(w.lag) >= preset.least_windows:
                colour = history.colour(preset.colour, preset.colour_weight, _LAST_BITS * tolerance)
                seen = signs(history, t, value, view, t - begun, scatter=self._sigma, colour=colour)
                view.risk, view.asked_s = self._risk(seen), dwell
                self._settled = view.risk <= preset.risk_allowed(dwell)
            self._anchor = value
            self._off = 0
        elif abs(value - self._anchor) > tolerance or found.doubt > preset.doubt_withdraws:
            self._settled = False
        elif before is not None:
            view.risk, view.asked_s = before.risk, before.asked_s
        self._tell(t, value, view)
        self._look_at = t + self._pause(view, t - begun)

    def _risk(self, seen: list[float]) -> float:
        """A step of its own, so that the learner sees what the program sees."""
        return risk_of(seen)

    def _pause(self, view: View, elapsed: float) -> float:
        """Seconds until the next decision is worth its cost: it is the dear part of the work."""
        if self._settled:
            return min(8.0 + 0.03 * elapsed, 30.0)
        preset = self._preset
        pause = min(3.0, 0.05 * elapsed)
        dwell = view.dwell
        if dwell < preset.dwell_s:
            return min(pause, 0.7 * (preset.dwell_s - dwell))
        if view.risk is None:
            return pause
        over = view.risk / preset.risk_allowed(dwell)
        return min(pause, 0.5 * dwell * (cbrt(max(over, 1.0)) - 1.0))

    def _tell(self, t: float, value: float, view: View) -> None:
        found = view.outlook
        reason = "" if self._settled else view.reason(self._quantity)
        if reason and t - self._moved_t < _REMEMBERS_S:
            reason = f"{_MOVED_ON}; {reason}"
        phase: Phase = "settled" if self._settled else "settling" if view.dwell >= 5 else "moving"
        self._state = Settling(
            phase,
            value,
            view.expanded_u,
            found.rate * 60.0,
            0.0 if self._settled else view.eta_s(self._preset),
            reason,
        )

    def _thermal(self, level: float, history: History) -> float:
        """What the temperature still to come may do to the value, in its unit."""
        per_kelvin = _PER_KELVIN.get(self._quantity)
        if per_kelvin is None:
            return 0.0
        absolute, relative = per_kelvin
        return history.temperature_left() * (absolute + relative * abs(level))


def _rounding(q: float, sigma: float) -> float:
    """Variance that averaging does not take from readings rounded to `q` with noise `sigma`.

    Noise works as a dither: what is left of q²/12 falls as exp(-4 pi² sigma² / q²) (first harmonic
    of the rounding error; Widrow & Kollár, Quantization Noise, 2008, chapter 4).
    """
    if q == 0.0:
        return 0.0
    return q * q / 12.0 * exp(-min(50.0, 4.0 * pi * pi * (sigma / q) ** 2))
