"""The person of a simulated round: looks now and then, moves the probe, is hasty, errs. Seeded.

It sees what a person sees: the sentence on the screen, the question, its own glasses. It knows
nothing of the walk's state.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import dataclass

from acquire.rounds import Guidance, Stop

__all__ = ["Mistakes", "Person"]


@dataclass
class Mistakes:
    """What went wrong by hand, for the score."""

    wrong_glass: int = 0
    short_rinse: int = 0
    no_rinse: int = 0
    early: int = 0


class Person:
    """Somebody with a probe in hand. `glass` is where the probe is; None is air."""

    def __init__(
        self, seed: object, stops: tuple[Stop, ...], glasses: Mapping[str, object]
    ) -> None:
        self._draw = random.Random(f"person:{seed}")
        self._stops = stops
        self._glasses = list(glasses)
        haste = self._draw.random()
        self._look_s = self._draw.uniform(1.0, 4.0 + 8.0 * (1.0 - haste))
        self._in_air_s = (6.0, 10.0 + 12.0 * (1.0 - haste))
        self._errs = 0.03 + 0.09 * haste
        self._answers = self._draw.choice((0.5, 0.9, 1.0))
        self._is_hasty = haste > 0.7
        self.glass: str | None = None
        self.mistakes = Mistakes()
        self._next_s = self._draw.uniform(5.0, 30.0)
        self._leave_s = float("inf")
        self._question = ""
        self._answer_s = float("inf")
        self._looked_s = -1e9

    def act(self, t_s: float, guidance: Guidance) -> str | None:
        """Do what is due; gives an answer to what is asked, when there is one."""
        said = self._listen(t_s, guidance)
        if t_s < self._next_s:
            return said
        if self.glass is None:
            self._go(t_s, guidance)
        elif t_s >= self._leave_s or self._is_told_to_lift(t_s, guidance):
            self.glass = None
            self._next_s = t_s + self._draw.uniform(*self._in_air_s)
        return said

    def _listen(self, t_s: float, guidance: Guidance) -> str | None:
        if guidance.question != self._question:
            self._question = guidance.question
            hears = bool(guidance.question) and self._draw.random() < self._answers
            self._answer_s = t_s + self._draw.uniform(4.0, 25.0) if hears else float("inf")
            # Whoever answers looks at the glass the probe is in, or was in when it was asked.
            is_past = "was the probe" in guidance.question and self.glass is not None
            self._meant = self._before if is_past else self.last
        if guidance.question and t_s >= self._answer_s:
            self._answer_s = float("inf")
            return self._meant if self._meant in guidance.answers else guidance.answers[-1]
        if not guidance.question and guidance.say.startswith("Count"):
            return " ".join(str(self._draw.randint(0, 4)) for _ in range(5))
        return None

    last: str | None = None
    _before: str | None = None
    _meant: str | None = None

    def _go(self, t_s: float, guidance: Guidance) -> None:
        if guidance.position >= len(self._stops):
            return
        position, draw = guidance.position, self._draw
        stop = self._stops[position]
        if stop.kind == "count":
            return
        self._leave_s = float("inf")
        target = stop.water
        if stop.kind == "rinse" and draw.random() < self._errs:
            target = self._stops[position + 1].water
            self.mistakes.no_rinse += 1
        elif draw.random() < self._errs:
            target = draw.choice([name for name in self._glasses if name != target])
            self.mistakes.wrong_glass += 1
        elif stop.kind == "rinse":
            is_short = draw.random() < 2.0 * self._errs
            self.mistakes.short_rinse += is_short
            dwell_s = (
                draw.uniform(3.0, 10.0) if is_short else stop.least_s + draw.uniform(0.0, 15.0)
            )
            self._leave_s = t_s + dwell_s
        if stop.kind != "rinse" and draw.random() < self._errs:
            self._leave_s = t_s + draw.uniform(10.0, 120.0)
            self.mistakes.early += 1
        self._before = self.last
        self.glass = self.last = target
        self._next_s = t_s + 2.0

    def _is_told_to_lift(self, t_s: float, guidance: Guidance) -> bool:
        if t_s - self._looked_s < self._look_s:
            return False
        self._looked_s = t_s
        words = ("Captured", "Set aside", "Rinsed", "This is none", "The round")
        if guidance.say.startswith("Settled"):
            return self._is_hasty and self._draw.random() < 0.3
        if "does not come to rest" in guidance.say:
            return True
        return guidance.say.startswith(words)
