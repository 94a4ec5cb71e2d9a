"""Which water an immersion is in: asked as soon as it can be told, and what an answer changes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from acquire.bench.flagged import PERHAPS, SAID, TOO_SHORT, is_said
from acquire.bench.likeness import values_of
from acquire.bench.walk_odd import temperature_apart
from acquire.bench.walk_state import Dip, UnderWay, WalkNews
from acquire.bench.walk_visits import Visits
from acquire.bench.walk_which import ANOTHER, Which
from acquire.readings import Role, Stamp
from acquire.rounds import VisitState

__all__ = ["Doubts"]


class Doubts:
    """Asks, hears answers, and moves an immersion to the stop it belongs to."""

    def __init__(self, at: UnderWay, visits: Visits, which: Which) -> None:
        self._at = at
        self._visits = visits
        self._which = which

    def look(self, dip: Dip, values: Mapping[str, float], *, is_all: bool) -> list[WalkNews]:
        """Ask, or warn, as soon as enough has settled to tell."""
        stop = self._at.stop_of(dip)
        if stop is None or dip.is_stray:
            return []
        news: list[WalkNews] = []
        if stop.kind == "rinse":
            news += self.see_through_rinse(dip, values, is_all=is_all)
        stop = self._at.course.stops[dip.position]
        if stop.kind == "rinse":
            return news
        if "temperature" in values:
            apart = temperature_apart(self._at.course, stop.role, values["temperature"])
            dip.apart = f"{stop.water} is {apart}." if apart else ""
        if dip.is_sure or dip.doubt is not None or not self._which.can_tell(values):
            return news
        doubt = self._which.doubt(stop, values)
        if doubt is not None and (is_all or not dip.was_doubted):
            dip.doubt, dip.was_doubted, dip.was_like = doubt, doubt.why, doubt.like
        return news

    def ask_again(self) -> None:
        """After an interruption: ask what nobody had answered of the last capture."""
        course = self._at.course
        last = next(reversed(list(course.taken_captures())), None)
        if last is None:
            return
        visit, capture = last
        stop = course.stops[visit.position]
        if stop.kind == "rinse" or is_said(visit.flags) or not _is_open(visit.flags):
            return
        doubt = self._which.doubt(stop, values_of(capture), but=capture.id)
        if doubt is None:
            return
        self._at.past = Dip(
            capture.started.t_s, visit.position, visit=visit, doubt=doubt,
            was_doubted=doubt.why, was_like=doubt.like,
        )  # fmt: skip

    def see_through_rinse(
        self, dip: Dip, values: Mapping[str, float], *, is_all: bool
    ) -> list[WalkNews]:
        """Notice that a probe thought to be rinsing is in the next water already."""
        course = self._at.course
        ahead = course.after(dip.position)
        following = None if ahead is None else course.stops[ahead]
        stop = course.stops[dip.position]
        if dip.is_sure or not self._which.can_tell(values):
            return []
        if following is not None and following.water == stop.water:
            is_rinse: bool | None = not is_all  # nobody waits for all to settle in a rinse
        else:
            is_rinse = self._which.is_rinse(stop, following, values)
        if is_rinse is False and ahead is not None:
            return self._pass_over_rinse(dip, ahead)
        if is_rinse is None and is_all and dip.doubt is None:
            dip.doubt = self._which.rinse_doubt(stop, following)
        return []

    def _pass_over_rinse(self, dip: Dip, ahead: int) -> list[WalkNews]:
        at = self._at
        rinse, stop = dip.position, at.course.stops[dip.position]
        seen = f"{at.rinsed_s:.0f} s of {stop.least_s:.0f} s seen"
        flag = f"rinse {TOO_SHORT}: {seen}" if at.rinsed_s else "rinse left out: none was seen"
        state: VisitState = "taken" if at.rinsed_s else "skipped"
        dip.position, dip.doubt, at.rinsed_s = ahead, None, 0.0
        at_ms = at.now.at_ms if at.now is not None else at.course.round.began_ms
        visit = self._visits.new(rinse, state, at_ms, flags=(flag,))
        news = self._visits.keep(visit)
        at.warn(f"{flag}. If drops of the last water may have come along, lift and rinse.")
        # Stops between the rinse and that water are none of the probe's: counts stay due.
        at.aim(dip.position)
        return news

    def settle(self, dip: Dip, chosen: str, stamp: Stamp) -> list[WalkNews]:
        """Somebody has said which water the immersion is, or was, in."""
        # With the probe in another glass by now, it is that glass that people speak of; and against
        # all numbers nobody's memory is enough.
        has_left = dip is not self._at.dip
        is_unlike = dip.doubt is not None and dip.doubt.is_unlike
        is_late = has_left and (self._at.dip is not None or is_unlike)
        why, dip.doubt, dip.is_sure = dip.was_doubted, None, True
        stop = self._at.stop_of(dip)
        if stop is not None and stop.kind == "rinse":
            return self._settle_rinse(dip, chosen)
        if stop is not None and chosen == stop.water:
            if is_late:
                self._at.warn(
                    f"{chosen} keeps its doubt, for the probe had left it before the answer came. "
                    "To be sure, do it again and answer with the probe in it."
                )
                return self._visits.be_told(dip)
            dip.flags.append(f"{SAID} {chosen}")
            if dip.was_like:
                self._which.learn_alike(chosen, dip.was_like)
            return self._visits.be_sure(dip)
        return self._move(dip, chosen, f"taken for {stop.water if stop else ''}: {why}", stamp)

    def _settle_rinse(self, dip: Dip, chosen: str) -> list[WalkNews]:
        course = self._at.course
        if chosen == course.stops[dip.position].water:
            return []
        ahead = course.open_for(chosen)
        if chosen == ANOTHER or ahead is None:
            dip.is_stray = True
            return self._rename(dip, "", None)
        news = self._pass_over_rinse(dip, ahead)
        stop = course.stops[ahead]
        return [*news, *self._rename(dip, stop.water, stop.role)]

    def _move(self, dip: Dip, chosen: str, flag: str, stamp: Stamp) -> list[WalkNews]:
        """The immersion was in another water: of another stop, or of none."""
        course = self._at.course
        news: list[WalkNews] = []
        old = self._visits.standing(dip)
        if old is not None:
            news += self._visits.keep(replace(old, state="set aside", flags=(*old.flags, flag)))
            news += self._visits.others.take_back(old.capture_id)
        position = None if chosen == ANOTHER else course.open_for(chosen)
        name, role = "", None
        for stop in course.stops:
            if chosen != ANOTHER and stop.water == chosen and stop.kind != "count":
                name, role = stop.water, stop.role
        dip.is_stray = position is None
        if position is not None:
            dip.position = position
        news += self._rename(dip, name, role)
        if old is not None and position is not None:
            flags = self._flags_of_moved(dip, position, old.capture_id)
            visit = self._visits.new(
                position, "taken", old.at_ms, capture_id=old.capture_id, flags=flags
            )
            dip.visit = visit
            news += self._visits.keep(visit)
        news += self._visits.others.look_again()
        self._at.aim()
        return [*news, *self._at.move_on(stamp)]

    def _flags_of_moved(self, dip: Dip, position: int, capture_id: str) -> tuple[str, ...]:
        """Whoever says it with the probe in the water is believed; afterwards, if it can be."""
        stop, here = self._at.course.stops[position], self._at.dip
        said = f"{SAID} {stop.water}"
        values = values_of(self._at.course.captures[capture_id])
        doubt = None if here is dip else self._which.doubt(stop, values, but=capture_id)
        if doubt is None or not doubt.is_unlike:
            return (said,)
        return (f"{PERHAPS}: {doubt.why}; afterwards {said}",)

    def _rename(self, dip: Dip, name: str, role: Role | None) -> list[WalkNews]:
        """Give the capture of an immersion under its right name, when it is kept already."""
        if dip.provisional is not None:
            self._at.named[dip.provisional.id] = (name, role)
        captures = self._at.course.captures
        kept = captures.get(dip.visit.capture_id) if dip.visit else None
        if kept is None:
            return []
        named = replace(kept, water=name, role=role)
        captures[named.id] = named
        return [named]


def _is_open(flags: Sequence[str]) -> bool:
    """Whether it may be another water's, and nobody has said anything to that."""
    return any(flag.startswith(PERHAPS) and SAID not in flag for flag in flags)
