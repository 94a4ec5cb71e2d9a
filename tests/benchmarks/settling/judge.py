"""Judge a settling rule on immersions: what it records, how wrong, how late, how sure, how fast."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Protocol

from immersions import Channel, Immersion

__all__ = ["Outcome", "Score", "judge", "run_channel"]


class State(Protocol):
    phase: str
    value: float
    expanded_u: float


class Rule(Protocol):
    def update(self, t_s: float, value: float, temperature: float | None = None) -> State: ...


Make = Callable[[Channel], Rule]


@dataclass(slots=True)
class Outcome:
    """What one rule did on one channel of one immersion."""

    immersion: Immersion
    channel: Channel
    record_s: float | None = None
    value: float = 0.0
    expanded_u: float = 0.0
    final_value: float | None = None
    final_u: float = 0.0
    withdrawn: int = 0
    seconds: float = 0.0
    updates: int = 0

    @property
    def is_false(self) -> bool:
        return self.record_s is not None and not self._good(self.value, self.record_s)

    @property
    def final_is_false(self) -> bool:
        if self.final_value is None:
            return False
        if self.immersion.lift_s < self.immersion.t[-1]:
            return False
        return self.channel.truth is None or abs(self.final_value - self.channel.truth) > (
            self.channel.tolerance * 1.000001
        )

    def _good(self, value: float, at: float) -> bool:
        truth = self.channel.truth
        return (
            truth is not None
            and at < self.immersion.lift_s
            and abs(value - truth) <= self.channel.tolerance * 1.000001
        )

    @property
    def should_settle(self) -> bool:
        """It comes to rest and stays there long enough that anyone would expect a record."""
        oracle = self.channel.oracle_s
        if oracle is None:
            return False
        return min(self.immersion.lift_s, self.immersion.t[-1]) - oracle >= 120

    @property
    def is_missed(self) -> bool:
        return self.should_settle and self.record_s is None

    @property
    def extra_s(self) -> float | None:
        if self.record_s is None or self.is_false or self.channel.oracle_s is None:
            return None
        return self.record_s - self.channel.oracle_s


def run_channel(make: Make, immersion: Immersion, quantity: str) -> Outcome:
    channel = immersion.channels[quantity]
    rule = make(channel)
    temperature = None
    if immersion.gives_temperature and quantity != "temperature":
        temperature = immersion.channels["temperature"].value
    out = Outcome(immersion, channel)
    update = rule.update
    was = False
    state = None
    begun = time.perf_counter()
    for i, (t, value) in enumerate(zip(immersion.t, channel.value, strict=True)):
        if t >= immersion.lift_s and out.final_value is None and was and state is not None:
            out.final_value, out.final_u = state.value, state.expanded_u
        state = update(t, value, None if temperature is None else temperature[i])
        is_settled = state.phase == "settled"
        if is_settled and not was:
            if out.record_s is None:
                out.record_s, out.value, out.expanded_u = t, state.value, state.expanded_u
        elif was and not is_settled:
            out.withdrawn += 1
        was = is_settled
    out.seconds = time.perf_counter() - begun
    out.updates = len(immersion.t)
    if was and state is not None and immersion.lift_s > immersion.t[-1]:
        out.final_value, out.final_u = state.value, state.expanded_u
    return out


@dataclass(slots=True)
class Score:
    outcomes: list[Outcome] = field(default_factory=list)

    @property
    def false(self) -> float:
        return _share(o.is_false for o in self.outcomes)

    @property
    def final_false(self) -> float:
        return _share(o.final_is_false for o in self.outcomes)

    @property
    def missed(self) -> float:
        return _share(o.is_missed for o in self.outcomes if o.should_settle)

    @property
    def coverage(self) -> float:
        return _share(
            abs(o.value - o.channel.truth) <= o.expanded_u
            for o in self.outcomes
            if o.record_s is not None
            and o.channel.truth is not None
            and o.record_s < o.immersion.lift_s
        )

    def extra(self, quantile: float) -> float:
        return _quantile([o.extra_s for o in self.outcomes if o.extra_s is not None], quantile)

    def error(self, quantile: float) -> float:
        return _quantile(
            [
                abs(o.value - o.channel.truth) / o.channel.tolerance
                for o in self.outcomes
                if o.record_s is not None
                and o.channel.truth is not None
                and o.record_s < o.immersion.lift_s
            ],
            quantile,
        )

    @property
    def us_per_update(self) -> float:
        updates = sum(o.updates for o in self.outcomes)
        return 1e6 * sum(o.seconds for o in self.outcomes) / max(updates, 1)

    def only(self, keep: Callable[[Outcome], bool]) -> Score:
        return Score([o for o in self.outcomes if keep(o)])


def judge(make: Make, material: Iterable[Immersion], only: tuple[str, ...] = ()) -> Score:
    score = Score()
    for immersion in material:
        for quantity in only or immersion.channels:
            score.outcomes.append(run_channel(make, immersion, quantity))
    return score


def _share(flags: Iterable[bool]) -> float:
    found = [bool(flag) for flag in flags]
    return sum(found) / len(found) if found else 0.0


def _quantile(values: list[float], quantile: float) -> float:
    if not values:
        return float("nan")
    ordered = sorted(values)
    at = quantile * (len(ordered) - 1)
    low = int(at)
    high = min(low + 1, len(ordered) - 1)
    return ordered[low] + (at - low) * (ordered[high] - ordered[low])
