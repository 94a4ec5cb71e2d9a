"""One meter at the bench: captures taken, what follows worked out, findings told. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from acquire.bench.derive import derive
from acquire.bench.findings import Findings
from acquire.bench.standing import Explanation, Status
from acquire.bench.taker import CaptureTaker
from acquire.checks import StandingCorrection
from acquire.readings import Capture, CaptureState, Channel, Event, Reading, Stamp

__all__ = ["Desk"]


class Desk:
    """Says what its `CaptureTaker` says; each capture with what is derived from it.

    A final capture is followed by the findings about it. `corrections` are those in force.
    """

    def __init__(
        self,
        meter: str,
        channels: Sequence[Channel],
        taker: CaptureTaker,
        corrections: Mapping[str, StandingCorrection] | None = None,
    ) -> None:
        self._taker = taker
        self._channels = {channel.quantity: channel for channel in channels}
        self._corrections = corrections or {}
        self._findings = Findings(meter, channels)

    def update(self, reading: Reading) -> list[Capture | Event]:
        """Take one reading; give what became of captures, in order."""
        self._findings.see(reading)
        return self._finish(self._taker.update(reading), reading.stamp)

    @property
    def plan(self) -> CaptureTaker:
        """What knows which waters come next, to be told otherwise."""
        return self._taker

    def interrupt(self, stamp: Stamp, why: str) -> list[Capture | Event]:
        """The meter went away or the program stops: what is open ends with what it has."""
        return self._finish(self._taker.interrupt(stamp, why), stamp)

    def again(self, stamp: Stamp) -> list[Capture | Event]:
        """Take another capture of the present water; ValueError where there is none."""
        return self._finish(self._taker.again(stamp), stamp)

    def correct(self, corrections: Mapping[str, StandingCorrection]) -> None:
        """Other corrections are in force, for what is told from now on."""
        self._corrections = corrections

    def explain(self, capture: Capture) -> Explanation:
        """Give the terms as they stand now, and what the uncertainty budget is made of."""
        return replace(
            self._taker.explain(capture), channels=self._channels, corrections=self._corrections
        )

    def status(self) -> Status | None:
        """Give how things stand at the last reading; None before the first."""
        return self._taker.status()

    def _finish(self, news: Sequence[Capture | Event], stamp: Stamp) -> list[Capture | Event]:
        if not news:
            return []
        done: list[Capture | Event] = []
        for item in news:
            if not isinstance(item, Capture):
                done.append(item)
                continue
            derived = derive(item.values, self._channels, self._corrections)
            capture = replace(item, derived=derived)
            done.append(capture)
            if capture.state is CaptureState.FINAL:
                done += self._findings.of(capture, stamp)
        return done
