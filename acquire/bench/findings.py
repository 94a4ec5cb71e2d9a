"""Do the numbers of a meter agree with each other? Asked after each capture. Pure."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from acquire.errors import WaterError
from acquire.readings import Capture, Channel, Event, Reading, Stamp
from acquire.water.behaviour import stuck
from acquire.water.consistency import Finding, consistency
from acquire.water.dissolved_solids import NACL_FACTOR

__all__ = ["FINDING", "Findings", "agreement"]

FINDING = "finding"
"""The kind of event a finding is kept as."""
_READINGS = 1200
_FAR_STEPS = 30.0  # others must move by this before a value that stands still is suspect


class Findings:
    """Watches one meter: what it sees of its readings, and what a capture's values say."""

    def __init__(self, meter: str, channels: Sequence[Channel]) -> None:
        self._meter = meter
        self._channels = {channel.quantity: channel for channel in channels}
        # A room's temperature may rightly stand still, and so may what is computed from another.
        self._watched = {
            channel.quantity: channel.resolution
            for channel in channels
            if channel.is_required and channel.quantity != "temperature"
        }
        self._seen: deque[tuple[float, ...]] = deque(maxlen=_READINGS)
        self._finals = 0
        self._noted: set[tuple[str, str]] = set()

    def see(self, reading: Reading) -> None:
        """Take one reading, in water or air."""
        try:
            self._seen.append(tuple(reading.values[quantity] for quantity in self._watched))
        except KeyError:  # one of them showed no number
            return

    def of(self, capture: Capture, stamp: Stamp) -> list[Event]:
        """Give what is wrong or worth knowing of a final capture; nothing where all agrees.

        A note that is about the meter and not about this water comes once.
        """
        self._finals += 1
        found = [
            finding for finding in agreement(capture, self._channels) if self._is_news(finding)
        ]
        # Over one still water every value may rightly stand still.
        if self._finals > 1:
            columns = zip(*self._seen, strict=True)
            series = dict(zip(self._watched, columns, strict=False))
            found += stuck(series, self._watched, others_move=_FAR_STEPS)
        return [self._event(finding, capture, stamp) for finding in found]

    def _is_news(self, finding: Finding) -> bool:
        if finding.kind == "agrees":
            return False
        if finding.kind == "disagrees" or finding.about == "ph":
            return True
        note = (finding.about, finding.text)
        is_new = note not in self._noted
        self._noted.add(note)
        return is_new

    def _event(self, finding: Finding, capture: Capture, stamp: Stamp) -> Event:
        data: Mapping[str, str] = {
            "capture": capture.id,
            "about": finding.about,
            "kind": finding.kind,
            "says": finding.text,
            "arithmetic": finding.arithmetic,
        }
        return Event(FINDING, stamp, self._meter, f"{finding.text} {finding.arithmetic}.", data)


def agreement(capture: Capture, of_meter: Mapping[str, Channel]) -> Iterator[Finding]:
    """Hold the settled values of one capture against each other, as far as they are there."""
    channels = dict(of_meter)
    values = {
        name: _as_shown(value.value, channels[name].resolution)
        for name, value in capture.values.items()
        if value.phase == "settled" and name in channels
    }
    made = capture.derived.get("conductivity")
    if made is not None and "conductivity" in channels:
        channel = channels["conductivity"]
        if channel.reference_c != 25.0:
            values["conductivity"] = _as_shown(made.value, channel.resolution)
            channels["conductivity"] = replace(channel, reference_c=25.0, coefficient=None)
    try:
        usual = consistency(values, channels, factor=NACL_FACTOR)
        own = consistency(values, channels)
    except WaterError:
        return  # a value no formula holds for: it is flagged as such already
    # Half of the conductivity is what most meters show; only another factor is worth a word.
    for with_factor, without in zip(usual, own, strict=True):
        yield with_factor if with_factor.kind == "agrees" else without


def _as_shown(value: float, step: float) -> float:
    """A mean of readings with one digit more than the display, as people would write it."""
    return round(value * 10.0 / step) * step / 10.0
