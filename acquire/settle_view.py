"""What one decision of the stabilisation detector rested on, in numbers and in words."""

from __future__ import annotations

from dataclasses import dataclass
from math import log, sqrt

from acquire.presets import Preset
from acquire.settle_tail import Outlook

__all__ = ["View"]

_ENDLESS = {
    "ph": "reference junction, carbon dioxide or a sample still warming",
    "orp": "a water that holds its potential poorly",
    "conductivity": "temperature, or something still dissolving",
    "temperature": "the sample itself is warming or cooling",
}


@dataclass(frozen=True, slots=True)
class View:
    """Everything one decision rested on, kept for those who ask."""

    outlook: Outlook
    tolerance: float
    dwell: float
    plateau: float
    to_come: float
    unseen: float
    step: float

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
        """Guess the seconds until the doubt is small enough; None for a drift."""
        found = self.outlook
        if found.drifting > 0.5:
            return None
        wait = 0.0
        if self.plateau > 0.5 * preset.doubt:
            span = preset.plateau_s - preset.plateau_shortest_s
            wait = span * (1.0 - 0.5 * preset.doubt / self.plateau)
            wait = min(wait, preset.plateau_s - self.dwell)
        left = abs(found.left)
        if left > self.tolerance and found.rate != 0.0:
            wait += abs(found.left / found.rate) * log(left / self.tolerance)
        counted = preset.counted(found.doubt, self.dwell)
        if counted > preset.doubt:  # evidence about a slope grows as the cube of the time
            wait = max(wait, self.dwell * ((counted / preset.doubt) ** 0.33 - 1.0))
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
        if self.plateau > found.doubt:
            quiet = f"quiet for {self.dwell:.0f} s"
            return f"{quiet}; waiting to rule out a false plateau (old film, bubble)"
        if abs(found.left) > 0.5 * self.tolerance:
            return f"coming to rest, {rate}, about {abs(found.left):.2g} left"
        if abs(self.to_come) > 0.5 * self.tolerance:
            return f"the temperature still moves: about {abs(self.to_come):.2g} to come"
        return f"nearly there; a slow tail of {_KINDS[found.kind]} cannot be ruled out yet"

    def in_words(self, preset: Preset) -> list[tuple[str, str]]:
        """The terms that decided, each with its value."""
        found = self.outlook
        return [
            ("tolerance", f"±{self.tolerance:.3g}"),
            ("within it for", f"{self.dwell:.0f} s"),
            ("left to move", f"{found.left:+.2g}"),
            ("rate", f"{found.rate * 60.0:+.2g} per minute"),
            ("doubt: not at rest", f"{100 * found.doubt:.1f} %, most of it {_KINDS[found.kind]}"),
            ("doubt that counts", f"{100 * preset.counted(found.doubt, self.dwell):.1f} % by now"),
            ("doubt: a false plateau", f"{100 * self.plateau:.1f} %"),
            ("doubt allowed", f"{100 * preset.doubt:.1f} % together"),
            ("temperature to come", f"{self.to_come:+.2g}"),
            ("u noise", f"{self.noise:.2g}"),
            ("u resolution", f"{self.resolution:.2g}"),
            ("u remaining", f"{self.remaining:.2g}"),
        ]


_KINDS = {
    "rest": "none",
    "tail": "an exponential tail",
    "diffusion": "a diffusion tail",
    "drift": "a drift",
}
