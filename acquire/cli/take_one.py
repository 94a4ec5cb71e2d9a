"""Takes one capture hands-free with the daemon in the foreground, for commands that need one."""

from __future__ import annotations

import sys
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from acquire.bench.budgets import budgets
from acquire.bench.findings import FINDING
from acquire.bench.standing import Explanation, Status
from acquire.cli.by_hand import take_by_hand
from acquire.cli.run_daemon import is_over, run_daemon, wants_live
from acquire.clock import Clock
from acquire.config import Config, MeterConfig
from acquire.daemon import Said
from acquire.errors import MeterUnavailable, NotSettled
from acquire.outlets.as_json import as_json
from acquire.outlets.budget import budget_json
from acquire.outlets.explain import explain_lines
from acquire.outlets.lines import PlainLines
from acquire.outlets.live import LiveTable
from acquire.outlets.words import capture_lines, finding_lines, is_typed
from acquire.readings import Capture, CaptureState, Event, Reading, Role

__all__ = ["Taken", "take_one"]


@dataclass(frozen=True, slots=True)
class Taken:
    """What came of it: the record as it was kept last, and all that explains it."""

    record: Capture | None
    explanations: Sequence[Explanation]
    readings: Sequence[Reading]
    findings: Sequence[Event]
    why_nothing: str

    @property
    def explanation(self) -> Explanation | None:
        mine = (e for e in reversed(self.explanations) if self.record is not None)
        return next((e for e in mine if self.record and e.capture_id == self.record.id), None)

    def final(self) -> Capture:
        """Give the capture; NotSettled says why there is none."""
        if self.record is None:
            raise NotSettled(self.why_nothing)
        if self.record.state is not CaptureState.FINAL:
            raise NotSettled(self.record.reason)
        return self.record

    def as_json(self, *, explain: bool) -> dict[str, Any]:
        """The record with its findings, and its uncertainty budgets where explained."""
        if self.record is None:
            return {}
        said = as_json(self.record)
        said["findings"] = [dict(event.data) for event in self.findings]
        if explain and self.explanation is not None:
            made_of = budgets(self.record, self.explanation)
            said["budgets"] = {name: budget_json(budget) for name, budget in made_of.items()}
        return said

    def lines(self, config: Config, *, explain: bool, live: bool) -> list[str]:
        """The record for people; a live table has said the short form already."""
        if self.record is None or (live and not explain and not is_typed(self.record)):
            return []
        if explain:
            lines = explain_lines(
                self.record, self.explanation, self.readings, config.quantities, config.tolerance
            )
        else:
            lines = iter(capture_lines(self.record, config.quantities))
        told = [line for event in self.findings for line in finding_lines(event)]
        return [*lines, *told]


def take_one(
    config: Config,
    meter: MeterConfig,
    clock: Clock,
    *,
    store: Path,
    stop: tuple[str, Role | None],
    timeout_s: float | None,
    json: bool,
) -> Taken:
    """Wait for one capture in the water `stop` names, or until the time is over or a signal.

    Of a meter that a person reads the numbers are asked for instead.
    """
    if meter.driver == "by_hand":
        return take_by_hand(config, meter, clock, store=store, stop=stop)
    if timeout_s is not None:
        bench = config.bench.model_copy(update={"timeout_s": timeout_s})
        config = replace(config, bench=bench)
    taken: list[Capture] = []
    seen: list[Status] = []
    findings: list[Event] = []
    readings: deque[Reading] = deque(maxlen=20_000)
    explained: list[Explanation] = []
    trouble: list[str] = []

    def until(said: Said) -> bool:
        match said:
            case Status():
                seen[:] = [said]
                # Settled is not enough: a false halt moves on within half a minute.
                return said.capture is not None and said.unconfirmed_s <= 0
            case Reading():
                readings.append(said)
            case Explanation():
                explained.append(said)
            case Event(kind=kind) if kind == FINDING:
                findings.append(said)
            case Event(kind="meter_not_reached"):
                trouble.append(said.text)
            case Capture():
                taken.append(said)
                return said.state in {CaptureState.FINAL, CaptureState.UNSETTLED}
        return is_over(said)

    ended = run_daemon(
        config,
        [meter],
        clock,
        LiveTable(config.quantities)
        if wants_live(json=json)
        else PlainLines(config.quantities, every_s=10.0, file=sys.stderr),
        store=store,
        stops=[stop],
        until=until,
        # The probe may still be on its way to the water; then the taker's own time-out runs.
        for_s=2 * config.bench.timeout_s,
        closing="",
    )
    final = next((c for c in reversed(taken) if c.state is CaptureState.FINAL), None)
    record = final or (taken[-1] if taken else None)
    if record is None and ended == "signal":
        raise KeyboardInterrupt
    if record is None and not readings and trouble:
        raise MeterUnavailable(trouble[-1])
    mine = [e for e in findings if record is not None and e.data.get("capture") == record.id]
    return Taken(record, explained, readings, mine, _why_nothing(seen))


def _why_nothing(seen: list[Status]) -> str:
    """Say what kept a capture from even beginning."""
    if not seen:
        return "stopped before the meter said anything"
    if seen[0].medium == "air":
        return "stopped while the probe was still in air: put it into the water"
    if seen[0].immersion == 0:
        return "stopped before it was certain that the probe is in water: give it more time"
    return "stopped before there was a capture"
