"""Leaves out what says where and whose: places and notes always, names of waters when asked.

What a person shares should be theirs to choose. Names of meters are places (`kitchen`), and so are
a serial number and a time zone; plans and notes are free text and may hold anything.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace

from acquire.checks import Check
from acquire.readings import Capture, Reading
from acquire.rounds import ParticleCount, Round, Stop, Visit
from acquire.store.records import Records

__all__ = ["OPEN", "Redaction", "redaction_of"]


@dataclass(frozen=True, slots=True)
class Redaction:
    """What is shown in place of what; `OPEN` changes nothing."""

    hides_places: bool = False
    """Also notes, plan names, serial numbers, local time."""
    meters: Mapping[str, str] = field(default_factory=dict)
    waters: Mapping[str, str] = field(default_factory=dict)
    _instead: Mapping[str, str] = field(init=False, repr=False)
    _names: re.Pattern[str] | None = field(init=False, repr=False)

    def __post_init__(self) -> None:
        names = {**self.meters, **self.waters}
        instead = {name.casefold(): other for name, other in names.items() if name}
        object.__setattr__(self, "_instead", instead)
        # The longest first: a name may be part of another, but no name is part of a word.
        said = "|".join(re.escape(name) for name in sorted(names, key=len, reverse=True) if name)
        found = re.compile(rf"(?<!\w)(?:{said})(?!\w)", re.IGNORECASE) if said else None
        object.__setattr__(self, "_names", found)

    @property
    def is_open(self) -> bool:
        return not (self.hides_places or self.meters or self.waters)

    def meter(self, name: str) -> str:
        return self.meters.get(name, name)

    def water(self, name: str) -> str:
        return self.waters.get(name, name)

    def note(self, text: str) -> str:
        """Give what a person typed; nothing when places are hidden."""
        return "" if self.hides_places else self.text(text)

    def text(self, text: str) -> str:
        """Give a sentence of ours, with the names in it replaced, however they are written."""
        if self._names is None:
            return text
        return self._names.sub(lambda found: self._instead.get(found[0].casefold(), "…"), text)

    # -- whole things -----------------------------------------------------------------------

    def reading(self, one: Reading) -> Reading:
        return one if self.is_open else replace(one, meter=self.meter(one.meter), raw="")

    def capture(self, one: Capture) -> Capture:
        if self.is_open:
            return one
        return replace(
            one,
            meter=self.meter(one.meter),
            water=self.water(one.water),
            reason=self._reason(one),
        )

    def _reason(self, one: Capture) -> str:
        """Why it is as it is; that of an imported one holds a file's name and a note."""
        is_imported = any(value.source == "imported" for value in one.values.values())
        return "imported" if self.hides_places and is_imported else self.text(one.reason)

    def check(self, one: Check) -> Check:
        if self.is_open:
            return one
        return replace(one, meter=self.meter(one.meter), reason=self.text(one.reason))

    def count(self, one: ParticleCount) -> ParticleCount:
        if self.is_open:
            return one
        note, optics = self.note(one.note), self.note(one.optics)
        return replace(one, water=self.water(one.water), note=note, optics=optics)

    def round(self, one: Round) -> Round:
        if self.is_open:
            return one
        return replace(
            one,
            plan="" if self.hides_places else self.text(one.plan),
            plan_text="" if self.hides_places else self.text(one.plan_text),
            meter=self.meter(one.meter),
            stops=tuple(self._stop(stop) for stop in one.stops),
            visits=tuple(self._visit(visit) for visit in one.visits),
            note=self.note(one.note),
        )

    def _stop(self, stop: Stop) -> Stop:
        return replace(stop, water=self.water(stop.water), note=self.note(stop.note))

    def _visit(self, visit: Visit) -> Visit:
        flags = tuple(self.text(flag) for flag in visit.flags)
        return replace(visit, note=self.note(visit.note), flags=flags)


OPEN = Redaction()


def redaction_of(
    records: Records,
    *,
    hide_places: bool,
    number_waters: bool,
    more_waters: Iterable[str] = (),
    heard: Callable[[], None] = lambda: None,
) -> Redaction:
    """Make the names that stand in for the real ones, the same for every export of one store.

    Waters are numbered in the order of their first capture, `more_waters` (of counts, of plans)
    after them. `heard` is called now and then.
    """
    meters: dict[str, str] = {}
    if hide_places:
        names = dict.fromkeys(series.meter for series in records.series())
        meters = {name: f"meter {number}" for number, name in enumerate(names, 1)}
    waters: dict[str, str] = {}
    if number_waters:
        found: dict[str, None] = {}
        for capture in records.captures():
            heard()
            found.pop(capture.water, None)
            found[capture.water] = None  # the earliest is met last
        ordered = dict.fromkeys([*reversed(found), *more_waters])
        ordered.pop("", None)
        waters = {name: f"water {number}" for number, name in enumerate(ordered, 1)}
    return Redaction(hide_places, meters, waters)
