"""What one capture of a round says of the others: reads the same, reads otherwise. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

from acquire.bench.flagged import (
    CARRY_OVER,
    PERHAPS,
    READS_LIKE,
    RIGHT_GLASS,
    is_not_passed,
    is_said,
)
from acquire.bench.likeness import are_apart, how_far, values_of
from acquire.bench.walk_state import Dip, UnderWay, WalkNews
from acquire.bench.walk_which import Which
from acquire.readings import Capture
from acquire.rounds import Visit

__all__ = ["Others"]

_OTHERWISE = f"{PERHAPS}, or not at rest: other repeats read otherwise"

_MORE_LIKE = "reads more like it than its other repeats do"
_THE_SAME = "reads the same as this check, which did not pass"
_NEARER = 0.5
"""Another water is clearly nearer from this part of the distance on (judgement, no source)."""


class Others:
    """Flags visits for what other captures show, and takes such flags back."""

    def __init__(self, at: UnderWay, which: Which, keep: Callable[[Visit], list[WalkNews]]) -> None:
        self._at = at
        self._which = which
        self._keep = keep
        self._because: dict[str, list[tuple[Visit, str]]] = {}
        """By capture: what was said of other visits because of it."""

    def doubt_before(self, water: str, capture: Capture, dip: Dip) -> list[WalkNews]:
        """Flag earlier visits that read as this water does, when it is in doubt which was which."""
        if not dip.was_doubted:
            return []
        course = self._at.course
        news: list[WalkNews] = []
        for visit, other in list(course.taken_captures()):
            mine = course.stops[visit.position]
            if mine.water == water or mine.kind == "rinse" or other.id == capture.id:
                continue
            if mine.water != dip.was_like or mine.kind == "check":
                continue  # no other water reads as a solution does: its own values tell it
            if is_said(visit.flags) or self._is_repeated(visit, other):
                continue
            flag = _reads_like_it(water)
            if flag not in visit.flags:
                news += self._keep(replace(visit, flags=(*visit.flags, flag)))
                self._because.setdefault(capture.id, []).append((visit, flag))
        return news

    def doubt_by_rinse(self, rinse: str) -> list[WalkNews]:
        """Flag visits that read as a rinse was seen to, more than their own water does."""
        news: list[WalkNews] = []
        flag = _reads_like_it(rinse)
        for visit, capture in list(self._at.course.taken_captures()):
            stop = self._at.course.stops[visit.position]
            if stop.kind in {"rinse", "check"} or is_said(visit.flags):
                continue
            values = values_of(capture)
            doubt = self._which.like_rinse(stop, values, but=capture.id, afterwards=True)
            is_like = doubt is not None and doubt.like == rinse
            is_like = is_like and not self._is_repeated(visit, capture)
            if is_like and flag not in visit.flags and not _is_doubted(visit):
                news += self._keep(replace(visit, flags=(*visit.flags, flag)))
            elif not is_like and flag in visit.flags:  # seen better by now
                news += self._without(visit, flag)
        return news

    def doubt_repeats(self, position: int) -> list[WalkNews]:
        """Flag repeats that none of the others bears out; one that a later one does, no longer.

        One that is doubted for another reason bears out nothing.
        """
        found = [(v, c) for v, c in self._at.course.taken_captures() if v.position == position]
        news: list[WalkNews] = []
        for visit, capture in found:
            others = [(v, other) for v, other in found if other.id != capture.id]
            near = [v for v, other in others if not are_apart(capture, other)]
            is_borne_out = len(near) == len(others) or any(not _is_doubted(v) for v in near)
            # Against one of which somebody said that it is this water, no number of others counts.
            is_denied = any(is_said(v.flags) and are_apart(capture, other) for v, other in others)
            is_odd = (is_denied or not is_borne_out) and not is_said(visit.flags)
            flags = tuple(flag for flag in visit.flags if flag != _OTHERWISE)
            flags = (*flags, _OTHERWISE) if is_odd else flags
            if self._is_repeated(visit, capture):
                flags = tuple(f for f in flags if RIGHT_GLASS not in f or _MORE_LIKE in f)
            if flags != visit.flags:
                news += self._keep(replace(visit, flags=flags))
        return news

    def look_again(self) -> list[WalkNews]:
        """Flag what only a later capture may tell, and take such flags back: after each of them."""
        return [*self.doubt_nearer(), *self._doubt_checks()]

    def doubt_nearer(self) -> list[WalkNews]:
        """Flag repeats that are a little off the others and clearly nearer to another water's."""
        stops = self._at.course.stops
        found = [
            (v, c) for v, c in self._at.course.taken_captures() if stops[v.position].kind == "water"
        ]
        news: list[WalkNews] = []
        for visit, capture in found:
            like = "" if is_said(visit.flags) else self._nearer_to(visit, capture, found)
            news += self._mark(visit, like, _MORE_LIKE)
        return news

    def _doubt_checks(self) -> list[WalkNews]:
        """Flag checks that did not pass and read what a water of the round reads.

        A meter that is off is off in both: it shows no solution as it shows a water.
        """
        stops = self._at.course.stops
        found = list(self._at.course.taken_captures())
        news: list[WalkNews] = []
        for visit, capture in found:
            if stops[visit.position].kind == "check":
                is_clear = is_said(visit.flags) or not is_not_passed(visit.flags)
                like = "" if is_clear else self._same_as(capture, found)
                news += self._mark(visit, like, _THE_SAME)
        return news

    def _same_as(self, capture: Capture, found: Sequence[tuple[Visit, Capture]]) -> str:
        """Give the water that read the same, in what tells waters at once and in another quantity.

        By one number alone two waters are the same too often; and a capture that is unlike its own
        water may have been made in the solution.
        """
        stops, values = self._at.course.stops, values_of(capture)
        for one, other in found:
            stop, both = stops[one.position], values.keys() & values_of(other).keys()
            is_told = self._which.ionic in both and both & {"ph", "orp"}
            is_it = stop.kind == "water" and not _is_unlike(one)
            if is_it and is_told and not are_apart(capture, other):
                return stop.water
        return ""

    def _mark(self, visit: Visit, like: str, words: str) -> list[WalkNews]:
        """Keep the flag that a water is like what a visit reads; without one, that flag goes."""
        flag = f"{like} {words}: {RIGHT_GLASS}?"
        if like and flag in visit.flags:
            return []
        flags = tuple(old for old in visit.flags if words not in old)
        flags = (*flags, flag) if like else flags
        return [] if flags == visit.flags else self._keep(replace(visit, flags=flags))

    def _nearer_to(
        self, visit: Visit, capture: Capture, found: Sequence[tuple[Visit, Capture]]
    ) -> str:
        """Give the other water that a repeat is clearly nearer to than to its own; else nothing."""
        stops = self._at.course.stops
        own = [
            how_far(capture, other)
            for one, other in found
            if one.position == visit.position and other.id != capture.id and not _is_doubted(one)
        ]
        if not own or min(own) <= 1.0:
            return ""
        others = [
            (how_far(capture, other), stops[one.position].water)
            for one, other in found
            if stops[one.position].water != stops[visit.position].water
        ]
        off, water = min(others, default=(math.inf, ""))
        return water if off < _NEARER * min(own) else ""

    def take_back(self, capture_id: str) -> list[WalkNews]:
        """A capture is no longer its water's: what was said of others because of it goes."""
        news: list[WalkNews] = []
        for named, flag in self._because.pop(capture_id, []):
            news += self._without(named, flag)
        return [*news, *self.look_again()]

    def _is_repeated(self, visit: Visit, capture: Capture) -> bool:
        """Whether another immersion of its stop read the same: nobody errs twice to one glass."""
        return any(
            one.position == visit.position
            and other.id != capture.id
            and not _is_doubted(one)
            and not are_apart(capture, other)
            for one, other in self._at.course.taken_captures()
        )

    def _without(self, named: Visit, flag: str) -> list[WalkNews]:
        for visit in self._at.course.visits:
            same = (visit.position, visit.at_ms) == (named.position, named.at_ms)
            if same and flag in visit.flags:
                flags = tuple(one for one in visit.flags if one != flag)
                return self._keep(replace(visit, flags=flags))
        return []


def _reads_like_it(water: str) -> str:
    return f"{water} reads like it: {RIGHT_GLASS}, both times?"


def _is_unlike(visit: Visit) -> bool:
    """Whether it may be another water's for more than that it reads like one."""
    likes = tuple(flag for flag in visit.flags if flag.startswith(f"{PERHAPS}: {READS_LIKE}"))
    return _is_doubted(replace(visit, flags=tuple(f for f in visit.flags if f not in likes)))


def _is_doubted(visit: Visit) -> bool:
    """Whether it may be another water's, or mixed with it, by more than other repeats read."""
    return any(
        flag.startswith((PERHAPS, CARRY_OVER)) and flag != _OTHERWISE for flag in visit.flags
    )
