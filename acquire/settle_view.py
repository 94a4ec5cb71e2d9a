"""What one decision of the stabilisation detector rested on, in numbers and in words."""

from __future__ import annotations

from dataclasses import dataclass
from math import cbrt, log, sqrt

from acquire.presets import Preset
from acquire.settle_tail import Outlook

__all__ = ["View"]

_CLEAR = 0.02
"""With so little doubt of the tails it is the shortness of the stay that is waited for."""
_FILM_S = 45.0
"""False plateaus seldom last longer."""
_ENDLESS = {
    "ph": "reference junction, carbon dioxide or a sample still warming",
    "orp": "a water that holds its potential poorly",
    "conductivity": "temperature, or something still dissolving",
    "temperature": "the sample itself is warming or cooling",
}


@dataclass(slots=True)
class View:
    """Everything one decision rested on, kept for those who ask."""

    outlook: Outlook
    tolerance: float
    dwell: float
    to_come: float
    unseen: float
    step: float
    risk: float | None = None
    """That a record would be wrong, when it was last asked; None where it was not."""
    asked_s: float = 0.0
    """Seconds within the tolerance when it was."""

    def may_rest(self, preset: Preset) -> bool:
        """Tell whether it is near enough to rest, and long enough, for the risk to be asked."""
        found, tolerance = self.outlook, self.tolerance
        return (
            self.dwell >= preset.dwell_s
            and found.doubt < preset.doubt_withdraws
            and abs(found.rest) < tolerance
            and abs(found.left) < tolerance
            and abs(self.to_come) < 0.7 * tolerance
        )

    @property
    def noise(self) -> float:
        return sqrt(self.outlook.mean_variance)

    @property
    def resolution(self) -> float:
        return self.step / sqrt(12.0)

    @property
    def remaining(self) -> float:
        found = self.outlook
        spread = max(found.variance - found.mean_variance, 0.0)
        return sqrt(spread + self.unseen**2 + self.to_come**2 / 3.0)

    @property
    def expanded_u(self) -> float:
        return 2.0 * sqrt(self.noise**2 + self.resolution**2 + self.remaining**2)

    def eta_s(self, preset: Preset) -> float | None:
        """Guess the seconds until the risk is small enough; None where time alone will not do."""
        found = self.outlook
        if found.drifting > 0.5:
            return None
        wait = max(0.0, preset.dwell_s - self.dwell)
        left = abs(found.left)
        if left > self.tolerance and found.rate != 0.0:
            wait += abs(found.left / found.rate) * log(left / self.tolerance)
        if self.risk is None and wait == 0.0:
            return None  # something else bars it: the temperature, too few readings
        # Evidence about a slope grows as the cube of the time.
        risk = found.doubt if self.risk is None else self.risk
        allowed = preset.risk_allowed(self.dwell + wait)
        if risk > allowed:
            wait = max(wait, self.dwell * (cbrt(risk / allowed) - 1.0))
        return wait

    def reason(self, quantity: str) -> str:
        """Say in words why it is not settled."""
        found = self.outlook
        rate = f"{found.rate * 60.0:+.2g} per minute"
        if found.drifting > 0.3 and self.dwell >= 5.0:
            cause = _ENDLESS.get(quantity)
            looks = "looks like a drift that does not end"
            return f"unsettled, drifting {rate}; {looks}{f' ({cause})' if cause else ''}"
        if self.dwell < 5.0:
            # In the first seconds there is no rate worth a number yet.
            is_known = abs(found.rate) * 60.0 > 0.1 * self.tolerance
            return f"moving, {rate}" if is_known else "only just there, too early to tell"
        return self._nearly(rate)

    def _nearly(self, rate: str) -> str:
        found, risk = self.outlook, self.risk
        is_clear = found.doubt < _CLEAR or (risk is not None and found.doubt < 0.5 * risk)
        if abs(self.to_come) > 0.5 * self.tolerance:
            return f"the temperature still moves: about {abs(self.to_come):.2g} to come"
        if is_clear and self.dwell < _FILM_S:
            quiet = f"quiet for {self.dwell:.0f} s"
            return f"{quiet}; waiting to rule out a false plateau (old film, bubble)"
        if abs(found.left) > 0.5 * self.tolerance:
            return f"coming to rest, {rate}, about {abs(found.left):.2g} left"
        if is_clear:
            return f"nearly there, {rate}; such a halt has still deceived too often"
        return f"nearly there; a slow tail of {_KINDS[found.kind]} cannot be ruled out yet"

    def in_words(self, preset: Preset) -> list[tuple[str, str]]:
        """The terms that decided, each with its value."""
        found = self.outlook
        return [
            ("tolerance", f"±{self.tolerance:.3g}"),
            ("within it for", f"{self.dwell:.0f} s"),
            ("left to move", f"{found.left:+.2g}"),
            ("rate", f"{found.rate * 60.0:+.2g} per minute"),
            ("doubt: not at rest", f"{_share(found.doubt)}, most of it {_KINDS[found.kind]}"),
            *self._risk_in_words(preset),
            ("temperature to come", f"{self.to_come:+.2g}"),
            ("u noise", f"{self.noise:.2g}"),
            ("u resolution", f"{self.resolution:.2g}"),
            ("u remaining", f"{self.remaining:.2g}"),
        ]

    def _risk_in_words(self, preset: Preset) -> list[tuple[str, str]]:
        if self.risk is None:
            return [("risk of a wrong record", f"asked near rest, from {preset.dwell_s:.0f} s on")]
        return [
            ("risk of a wrong record", f"{_share(self.risk)} after {self.asked_s:.0f} s"),
            ("risk allowed then", _share(preset.risk_allowed(self.asked_s))),
        ]


_KINDS = {
    "rest": "none",
    "tail": "an exponential tail",
    "diffusion": "a diffusion tail",
    "drift": "a drift",
}


def _share(chance: float) -> str:
    return f"{100 * chance:.1f} %"
