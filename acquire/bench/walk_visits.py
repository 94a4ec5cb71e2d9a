"""What a round keeps: visits of its stops, with what is odd about each, and counts. Pure."""

from __future__ import annotations

from dataclasses import replace

from acquire.bench.check import check_capture
from acquire.bench.flagged import NOT_AT_REST, PERHAPS, SAID
from acquire.bench.likeness import values_of
from acquire.bench.walk_odd import carry_over, check_flags, not_rinsed, temperature_apart
from acquire.bench.walk_others import Others
from acquire.bench.walk_state import Bench, Dip, UnderWay, WalkNews
from acquire.bench.walk_which import Which
from acquire.bench.walk_words import stop_in_words
from acquire.checks import Check
from acquire.errors import WaterError
from acquire.quantities import BUILT_IN
from acquire.readings import Capture, CaptureState, Event, Role, Stamp
from acquire.rounds import ParticleCount, Stop, Visit, VisitState

__all__ = ["Visits"]

_UNHEARD_OF = (
    "nothing was known of it yet, and it was taken once: another glass would not have been noticed"
)
"""No doubt, but a word: a repeat is worth having."""

_UNITS = {name: quantity.shown_unit for name, quantity in BUILT_IN.items()}


class Visits:
    """Makes the visits of a round and keeps them."""

    def __init__(self, at: UnderWay, which: Which, bench: Bench) -> None:
        self._at = at
        self._which = which
        self._bench = bench
        self.others = Others(at, which, self.keep)
        self._channels = {channel.quantity: channel for channel in bench.channels}

    def new(
        self,
        position: int,
        state: VisitState,
        at_ms: int,
        *,
        capture_id: str = "",
        count_id: str = "",
        flags: tuple[str, ...] = (),
    ) -> Visit:
        """Give the next visit of a stop; the note typed meanwhile goes with it."""
        note, self._at.note = self._at.note, ""
        course = self._at.course
        return Visit(
            course.round.id,
            position,
            course.next_repeat(position),
            state,
            at_ms,
            capture_id,
            count_id,
            note,
            flags,
        )

    def keep(self, visit: Visit) -> list[WalkNews]:
        """Take a visit in, or what became of one; flags it did not have are told."""
        at, course = self._at, self._at.course
        before = {v for v in course.visits if v.at_ms == visit.at_ms}
        course.keep(visit)
        told: list[WalkNews] = [visit]
        old = {flag for one in before for flag in one.flags}
        stop = course.stops[visit.position]
        for flag in visit.flags:
            if flag not in old and at.now is not None:
                text = f"{stop_in_words(stop)}: {flag}"
                told.append(Event("round_flag", at.now, course.round.meter, text, at.data()))
        return told

    # -- captures ---------------------------------------------------------------------------

    def finish(self, dip: Dip, capture: Capture) -> list[WalkNews]:
        """A capture is final: it becomes a visit of its stop, with what is odd about it."""
        at, course = self._at, self._at.course
        course.captures[capture.id] = capture
        at_ms = capture.taken.at_ms
        stop = at.stop_of(dip)
        if stop is None or dip.is_stray:
            return []
        if stop.kind == "rinse":
            dip.visit = Visit(course.round.id, dip.position, 1, "taken", at_ms, capture.id)
            return []
        flags = [*at.pending.pop(dip.position, ()), *dip.flags]
        flags += self._flags(dip, stop, capture)
        checks: tuple[Check, ...] = ()
        if stop.kind == "check" and not dip.is_discarded:
            checks, told = self._judged(stop.solution, capture)
            flags += told
        state: VisitState = "set aside" if dip.is_discarded else "taken"
        visit = self.new(
            dip.position, state, at_ms, capture_id=capture.id, flags=tuple(dict.fromkeys(flags))
        )
        dip.visit = visit
        at.warnings.clear()
        if dip.is_discarded:
            at.pending[dip.position] = ["done again"]
        news: list[WalkNews] = [*self.keep(visit), *checks]
        news += [self.keep(again)[0] for again in list(carry_over(course, dip.position))]
        news += self.others.doubt_before(stop.water, capture, dip)
        news += self.others.doubt_repeats(dip.position)
        news += self.others.look_again()
        for rinse in self._which.rinses_seen:
            news += self.others.doubt_by_rinse(rinse)
        return [*news, *at.move_on(capture.taken)]

    def _flags(self, dip: Dip, stop: Stop, capture: Capture) -> list[str]:
        """Give what is odd about a capture as it stands by itself."""
        flags = []
        if capture.state is not CaptureState.FINAL:
            flags.append(f"{NOT_AT_REST}: {capture.reason}")
        elif capture.reason:
            flags.append(capture.reason)
        if not dip.is_sure:
            doubt = self._which.doubt(stop, values_of(capture), but=capture.id)
            if doubt is not None:
                dip.doubt, dip.was_doubted, dip.was_like = doubt, doubt.why, doubt.like
        if dip.was_doubted and not dip.is_sure:
            flags.append(f"{PERHAPS}: {dip.was_doubted}")
        if not dip.was_doubted and not dip.is_sure and self._which.is_unheard_of(stop):
            flags.append(_UNHEARD_OF)
        dry_s = dip.dry.before(capture.taken.t_s)
        if dry_s > 0:
            flags.append(
                f"for {dry_s:.0f} s the cell read as in air: was the probe lifted, and put back "
                "into the same glass?"
            )
        if "temperature" in values_of(capture):
            warm = capture.values["temperature"].value
            apart = temperature_apart(self._at.course, stop.role, warm, but=capture.id)
            flags += [apart] if apart else []
        missing = not_rinsed(self._at.course, dip.position)
        return [*flags, missing] if missing else flags

    def be_sure(self, dip: Dip) -> list[WalkNews]:
        """Somebody has said that a visit was of its water: doubts of it go.

        What was said of others because of it stays: two waters are alike, or one glass was taken
        for another then.
        """
        visit = self.standing(dip)
        if visit is None:
            return []
        said = f"{SAID} {self._at.course.stops[visit.position].water}"
        kept = [flag for flag in visit.flags if not flag.startswith(PERHAPS)]
        dip.visit = replace(visit, flags=(*kept, said))
        news = [*self.keep(dip.visit), *self.others.doubt_repeats(visit.position)]
        return [*news, *self.others.look_again()]

    def be_told(self, dip: Dip) -> list[WalkNews]:
        """Somebody has said, from memory and against all numbers, that it was of its water.

        The numbers may be right: the doubt stays, and what was said with it.
        """
        visit = self.standing(dip)
        if visit is None:
            return []
        water = self._at.course.stops[visit.position].water
        said = f"; afterwards {SAID} {water}"
        flags = tuple(
            flag + said if flag.startswith(PERHAPS) and said not in flag else flag
            for flag in visit.flags
        )
        dip.visit = replace(visit, flags=flags)
        return self.keep(dip.visit)

    def standing(self, dip: Dip) -> Visit | None:
        """Give the visit an immersion made, with the flags it has by now."""
        made = dip.visit
        if made is None:
            return None
        same = (made.position, made.repeat, made.at_ms)
        visits = self._at.course.visits
        return next((v for v in visits if (v.position, v.repeat, v.at_ms) == same), made)

    def _judged(self, name: str, capture: Capture) -> tuple[tuple[Check, ...], list[str]]:
        try:
            checks = check_capture(
                capture,
                self._bench.solutions[name],
                self._channels,
                corrections=self._bench.corrections,
                solutions=self._bench.solutions,
            )
        except WaterError as error:
            return (), [f"the check could not be judged: {error}"]
        return checks, list(check_flags(checks, _UNITS))

    # -- counts -----------------------------------------------------------------------------

    def count(self, text: str, stamp: Stamp) -> tuple[str, list[WalkNews]]:
        """Take a count that was typed: a whole number for each field of view."""
        words = text.replace(",", " ").replace(";", " ").split()
        if not words or not all(word.isdecimal() and len(word) < 7 for word in words):
            raise ValueError("type the number of objects in each field, such as: 3 0 2 1")
        at, course = self._at, self._at.course
        stop = course.stops[course.current]
        count = ParticleCount(
            at.new_id(),
            stamp.at_ms,
            stop.water,
            tuple(int(word) for word in words),
            role=self.role_of(stop.water),
            round_id=course.round.id,
        )
        visit = self.new(course.current, "taken", stamp.at_ms, count_id=count.id)
        said = f"{sum(count.fields)} in {len(words)} fields of {stop.water}"
        return said, [count, *self.keep(visit), *at.move_on(stamp)]

    def counted(self, count: ParticleCount, stamp: Stamp) -> list[WalkNews]:
        """Take a count made elsewhere; it is a visit when its stop is due or to come."""
        course = self._at.course
        for position, stop in enumerate(course.stops):
            is_its = stop.kind == "count" and stop.water == count.water
            if is_its and not course.is_done(position):
                visit = self.new(position, "taken", count.at_ms, count_id=count.id)
                return [*self.keep(visit), *self._at.move_on(stamp)]
        return []

    def taken_back(self, count_id: str, stamp: Stamp, *, is_back: bool) -> list[WalkNews]:
        """A count was withdrawn, so that its stop is due again; or it counts again."""
        state: VisitState = "taken" if is_back else "set aside"
        for visit in self._at.course.visits:
            if visit.count_id == count_id and visit.state != state:
                return [*self.keep(replace(visit, state=state)), *self._at.move_on(stamp)]
        return []

    def role_of(self, water: str) -> Role | None:
        """Give what a water is to this round."""
        return next((s.role for s in self._at.course.stops if s.water == water and s.role), None)
