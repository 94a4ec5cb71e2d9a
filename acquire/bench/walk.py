"""A round as it is walked: what the bench sees and what a person says go in, visits come out.

Pure. The person only moves the probe: each immersion belongs to the stop that is due, unless its
values say that it is another water. Nothing is forbidden and nothing waits for a word: what is odd
is asked, warned of, and kept with the visit as a flag.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

from acquire.bench.check import check_capture
from acquire.bench.likeness import from_captures, values_of
from acquire.bench.standing import Status
from acquire.bench.walk_course import Course
from acquire.bench.walk_odd import carry_over, check_flags, not_rinsed, temperature_apart
from acquire.bench.walk_which import ANOTHER, Doubt, Which
from acquire.bench.walk_words import invited, stop_in_words, told_then
from acquire.checks import Check, StandingCorrection
from acquire.errors import WaterError
from acquire.quantities import BUILT_IN
from acquire.readings import Capture, CaptureState, Channel, Event, Role, Stamp
from acquire.rounds import (
    Guidance,
    ParticleCount,
    Round,
    RoundState,
    Stop,
    Visit,
    VisitState,
)
from acquire.water.solutions import Solution

__all__ = ["Bench", "Dip", "Seat", "Walk", "WalkNews"]

WalkNews = Round | Visit | Check | ParticleCount | Capture | Event
"""What a walk gives to be kept, in this order."""
_UNITS = {name: quantity.shown_unit for name, quantity in BUILT_IN.items()}
_LONGEST = 300


class Seat(Protocol):
    """Whoever names the water met next: the taker."""

    def expect(self, water: str, role: Role | None = None) -> None: ...
    def expect_nothing(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Bench:
    """What a walk must know of the meter."""

    channels: Sequence[Channel]
    solutions: Mapping[str, Solution]
    corrections: Mapping[str, StandingCorrection] = field(default_factory=dict)


@dataclass(slots=True)
class Dip:
    """One immersion."""

    began_s: float
    position: int
    """Of the stop it is taken for; the number of stops: none."""
    for_s: float = 0.0
    provisional: Capture | None = None
    unsettled: Capture | None = None
    stayed_on: bool = False
    """The probe was still in the water after the time for settling was over."""
    visit: Visit | None = None
    doubt: Doubt | None = None
    was_doubted: str = ""
    is_sure: bool = False
    """Somebody has said which water it is."""
    is_discarded: bool = False
    is_stray: bool = False
    """In a water that is none of the stops'."""
    apart: str = ""
    flags: list[str] = field(default_factory=list)
    unconfirmed_s: float = 0.0


class Walk:
    """One round of one meter. Feed `see` with each status, `hear` with what the desk gives."""

    def __init__(
        self,
        course: Course,
        which: Which,
        bench: Bench,
        seat: Seat,
        *,
        new_id: Callable[[], str],
    ) -> None:
        self.course = course
        self._which = which
        self._bench = bench
        self._channels = {channel.quantity: channel for channel in bench.channels}
        self._seat = seat
        self._new_id = new_id
        self._dip: Dip | None = None
        self._past: Dip | None = None
        """The last immersion, for an answer that comes late."""
        self._named: dict[str, tuple[str, Role | None]] = {}
        self._found: list[WalkNews] = []
        """What naming a capture brought about, until it is heard."""
        self._rinsed_s = 0.0
        self._warnings: list[str] = []
        self._pending: dict[int, list[str]] = {}
        """Flags of a stop's next visit: lifted early, done again."""
        self._note = ""
        self._now: Stamp | None = None
        self._aim()

    @property
    def is_over(self) -> bool:
        return self.course.round.state != "open"

    # -- what the bench sees ----------------------------------------------------------------

    def see(self, status: Status) -> list[WalkNews]:
        """Take how the immersion stands; comes after what the desk gave at the same reading."""
        self._now = status.stamp
        if self.is_over:
            return []
        if status.medium == "air" or status.immersion == 0:
            return self._lift(status.stamp)
        news = self._enter(status.stamp.t_s - status.elapsed_s, status.stamp)
        dip = self._dip
        if dip is None:
            return news  # what was before it was the last stop
        dip.for_s = status.elapsed_s
        dip.unconfirmed_s = status.unconfirmed_s
        dip.stayed_on = dip.stayed_on or dip.unsettled is not None
        settled = {
            row.quantity: row.settling.value
            for row in status.rows
            if row.settling is not None and row.settling.phase == "settled"
        }
        return [*news, *self._look(dip, settled, is_all=False)]

    def named(self, capture: Capture) -> Capture:
        """Give a capture with the name and role of the water it is taken for."""
        if capture.state is CaptureState.WITHDRAWN or self.is_over:
            name = self._named.get(capture.id)
        else:
            name = self._name_of(capture)
            self._named[capture.id] = name
        return capture if name is None else replace(capture, water=name[0], role=name[1])

    def hear(self, item: Capture | Event) -> list[WalkNews]:
        """Take a capture (as `named` gave it) or an event of the desk."""
        if self.is_over or not isinstance(item, Capture):
            return []
        self._now = item.taken if self._now is None else self._now
        dip = self._dip_of(item)
        dip.provisional = item if item.state is CaptureState.PROVISIONAL else None
        news, self._found = self._found, []
        match item.state:
            case CaptureState.PROVISIONAL:
                news += self._look(dip, values_of(item), is_all=True)
            case CaptureState.UNSETTLED:
                dip.unsettled = item
                self.course.captures[item.id] = item
            case CaptureState.FINAL:
                dip.unsettled = None
                news += self._finish(dip, item)
            case CaptureState.WITHDRAWN:
                pass
        return news

    def adopt(self, captures: Sequence[Capture]) -> list[WalkNews]:
        """Take in finals kept after the last visit, before an interruption; oldest first."""
        news: list[WalkNews] = []
        for capture in captures:
            position = self.course.open_for(capture.water)
            if position is not None and capture.id not in self.course.captures:
                dip = Dip(capture.started.t_s, position)
                news += self._finish(dip, capture)
        self._aim()
        return news

    # -- what a person says -----------------------------------------------------------------

    def skip(self, stamp: Stamp) -> tuple[str, list[WalkNews]]:
        """Leave out what is left of the stop that is due."""
        position = self.course.current
        if self.course.is_over:
            return "the round is over", []
        stop = self.course.stops[position]
        dip = self._dip
        if dip is not None and dip.position == position:
            dip.position = self.course.after(position) or len(self.course.stops)
        visit = self._visit(position, "skipped", stamp.at_ms)
        return f"left out: {stop_in_words(stop)}", [*self._kept(visit), *self._moved_on(stamp)]

    def redo(self) -> tuple[str, list[WalkNews]]:
        """Set aside the capture that is under way, or else the last visit."""
        dip = self._dip
        if dip is not None and (dip.provisional is not None or dip.unsettled is not None):
            dip.is_discarded = True
            return "this one is set aside: lift the probe, and put it in again", []
        standing = [v for v in self.course.visits if v.state != "set aside"]
        if not standing:
            return "nothing to do again yet", []
        last = standing[-1]
        news = self._kept(replace(last, state="set aside"))
        self._rinsed_s = 0.0
        if dip is not None:
            dip.position = self.course.current
        self._aim()
        return f"again: {stop_in_words(self.course.stops[last.position])}", news

    def note(self, text: str, stamp: Stamp) -> tuple[str, list[WalkNews]]:
        """Keep a note with the stop the probe is in, or else with the last visit."""
        text = text.strip()[:_LONGEST]
        if not text:
            return "an empty note is not kept", []
        last = self.course.visits[-1] if self.course.visits else None
        event = Event("round_note", stamp, self.course.round.meter, text, self._data())
        if self._dip is not None or last is None:
            self._note = f"{self._note}; {text}" if self._note else text
            return "noted for this stop", [event]
        noted = replace(last, note=f"{last.note}; {text}" if last.note else text)
        return "noted with the last stop", [event, *self._kept(noted)]

    def stop(self, stamp: Stamp) -> tuple[str, list[WalkNews]]:
        """End the round as it stands."""
        if self.is_over:
            return "the round is over", []
        return "the round is stopped", self._end("stopped", stamp)

    def answer(self, text: str, stamp: Stamp) -> tuple[str, list[WalkNews]]:
        """Answer what is asked: by the word, or by its number from 1; counts, at their stop."""
        dip = next((d for d in (self._dip, self._past) if d is not None and d.doubt), None)
        if dip is None or dip.doubt is None:
            stop = self._due()
            if stop is not None and stop.kind == "count":
                return self._count(text, stamp)
            raise ValueError("nothing is asked just now")
        answers = dip.doubt.answers
        said = text.strip()
        if said.isdecimal() and 1 <= int(said) <= len(answers):
            chosen = answers[int(said) - 1]
        else:
            found = [a for a in answers if a.casefold() == said.casefold()]
            if not found:
                raise ValueError(f"answer with one of: {', '.join(answers)}")
            chosen = found[0]
        return f"{chosen}: noted", self._settle_doubt(dip, chosen, stamp)

    # -- guidance ---------------------------------------------------------------------------

    def guidance(self) -> Guidance:
        """Say where the round stands and what to do now."""
        course, dip = self.course, self._dip
        position = course.current
        at = position
        asked = next((d.doubt for d in (dip, self._past) if d is not None and d.doubt), None)
        if course.is_over:
            say, then = self._last_words(), ""
        elif dip is not None and dip.position < len(course.stops) and not dip.is_stray:
            at = dip.position
            say, then = self._said_in(dip), told_then(course, at, is_in=True)
        elif dip is not None:
            say = "This is none of the waters that are due: lift the probe."
            then = "Then: " + invited(course, position)
        else:
            say, then = invited(course, position), told_then(course, position, is_in=False)
        warnings = [*self._warnings, *([dip.apart] if dip is not None and dip.apart else [])]
        return Guidance(
            course.round.meter,
            course.round.id,
            course.round.plan,
            at,
            say,
            then,
            tuple((stop_in_words(s), course.state_of(n)) for n, s in enumerate(course.stops)),
            _asked(asked, is_past=dip is None or dip.doubt is None),
            asked.answers if asked else (),
            tuple(warnings),
            self.is_over,
        )

    def _last_words(self) -> str:
        done = (
            "The round is done" if self.course.round.state != "stopped" else "The round is stopped"
        )
        return f"{done}: it is kept as {self.course.round.id}."

    def _said_in(self, dip: Dip) -> str:
        stop = self.course.stops[dip.position]
        if stop.kind == "rinse":
            if self._rinsed_s + dip.for_s >= stop.least_s:
                return "Rinsed. Lift the probe and shake off the drops."
            return f"Rinsing: move the probe about in {stop.water}."
        return self._said_at_rest(dip, stop.water)

    def _said_at_rest(self, dip: Dip, water: str) -> str:
        if dip.is_discarded:
            return "Set aside. Lift the probe for ten seconds and put it in again."
        if dip.provisional is not None:
            if dip.unconfirmed_s > 0:
                return "Settled. Leave the probe in for half a minute more."
            return f"Captured. Lift the probe out of {water}."
        if dip.stayed_on:
            return (
                f"{water} does not come to rest. Lift the probe to keep what there is, or "
                "stir gently and wait."
            )
        return f"Leave the probe still in {water}."

    # -- immersions -------------------------------------------------------------------------

    def _due(self) -> Stop | None:
        position = self.course.current
        return self.course.stops[position] if position < len(self.course.stops) else None

    def _enter(self, began_s: float, stamp: Stamp) -> list[WalkNews]:
        """Begin another immersion, unless it is the one already known."""
        if self._dip is not None and abs(self._dip.began_s - began_s) < 0.5:
            return []
        news = self._lift(stamp)
        if self._dip is None and not self.is_over:
            self._dip = Dip(began_s, self._place_for_dip())
        return news

    def _place_for_dip(self) -> int:
        """The stop an immersion is taken for: the one due; a count is done without the probe."""
        position = self.course.current
        if position < len(self.course.stops) and self.course.stops[position].kind == "count":
            following = self.course.after(position)
            return len(self.course.stops) if following is None else following
        return position

    def _dip_of(self, capture: Capture) -> Dip:
        """Give the immersion a capture was taken in; its first capture may begin it."""
        for dip in (self._dip, self._past):
            if dip is not None and abs(dip.began_s - capture.started.t_s) < 0.5:
                return dip
        self._enter(capture.started.t_s, capture.taken)
        return self._dip or Dip(capture.started.t_s, len(self.course.stops))

    def _name_of(self, capture: Capture) -> tuple[str, Role | None]:
        dip = self._dip_of(capture)
        if dip.is_stray or dip.position >= len(self.course.stops):
            return "", None
        stop = self.course.stops[dip.position]
        if stop.kind == "rinse":
            self._found += self._see_through_rinse(dip, values_of(capture), is_all=True)
            stop = self.course.stops[dip.position]
        return stop.water, stop.role

    def _lift(self, stamp: Stamp) -> list[WalkNews]:
        """The probe has left: what the immersion gave becomes a visit."""
        dip, self._dip = self._dip, None
        if dip is None:
            return []
        self._past = dip
        news: list[WalkNews] = []
        stop = self.course.stops[dip.position] if dip.position < len(self.course.stops) else None
        if dip.is_stray:
            pass  # neither a rinse nor any other stop
        elif stop is not None and stop.kind == "rinse":
            news = self._end_rinse(dip, stamp)
        elif dip.visit is None and stop is not None:
            news = self._left_without(dip)
        self._aim()
        return news

    def _end_rinse(self, dip: Dip, stamp: Stamp) -> list[WalkNews]:
        dip.doubt = None
        self._rinsed_s += dip.for_s
        stop = self.course.stops[dip.position]
        if self._rinsed_s < stop.least_s:
            self._warn(
                f"Rinsed for {self._rinsed_s:.0f} s only, {stop.least_s:.0f} s are wanted: "
                "rinse on."
            )
            return []
        self._warnings.clear()
        self._rinsed_s = 0.0
        capture = dip.visit.capture_id if dip.visit else ""
        visit = self._visit(dip.position, "taken", stamp.at_ms, capture_id=capture)
        return [*self._kept(visit), *self._moved_on(stamp)]

    def _left_without(self, dip: Dip) -> list[WalkNews]:
        """No final capture: lifted early, or it never came to rest."""
        stop, record = self.course.stops[dip.position], dip.unsettled
        if record is None or not dip.stayed_on:
            dip.doubt = None  # nothing was kept that a name could be wrong of
        if record is not None and dip.stayed_on and not dip.is_discarded:
            return self._finish(dip, record)
        early = f"lifted after {dip.for_s:.0f} s, before it had settled"
        if dip.is_discarded:
            early = "done again"
        self._warn(f"{stop.water}: {early}. Put the probe in again and leave it.")
        self._pending.setdefault(dip.position, []).append(early)
        if record is None:
            return []
        return list(
            self._kept(
                self._visit(
                    dip.position, "set aside", record.taken.at_ms, capture_id=record.id,
                    flags=(early,),
                )
            )
        )  # fmt: skip

    # -- which water it is ------------------------------------------------------------------

    def _look(self, dip: Dip, values: Mapping[str, float], *, is_all: bool) -> list[WalkNews]:
        """Ask, or warn, as soon as enough has settled to tell."""
        if dip.position >= len(self.course.stops) or dip.is_stray:
            return []
        news: list[WalkNews] = []
        if self.course.stops[dip.position].kind == "rinse":
            news += self._see_through_rinse(dip, values, is_all=is_all)
        stop = self.course.stops[dip.position]
        if stop.kind == "rinse":
            return news
        if "temperature" in values:
            apart = temperature_apart(self.course, stop.role, values["temperature"])
            dip.apart = f"{stop.water} is {apart}." if apart else ""
        if dip.is_sure or dip.doubt is not None or not self._which.can_tell(values):
            return news
        doubt = self._which.doubt(stop, values)
        if doubt is not None and (is_all or not dip.was_doubted):
            dip.doubt, dip.was_doubted = doubt, doubt.why
        return news

    def _see_through_rinse(
        self, dip: Dip, values: Mapping[str, float], *, is_all: bool
    ) -> list[WalkNews]:
        """Notice that a probe thought to be rinsing is in the next water already."""
        rinse = dip.position
        ahead = self.course.after(rinse)
        following = None if ahead is None else self.course.stops[ahead]
        stop = self.course.stops[rinse]
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
        rinse, stop = dip.position, self.course.stops[dip.position]
        seen = f"{self._rinsed_s:.0f} s of {stop.least_s:.0f} s seen"
        flag = f"rinse too short: {seen}" if self._rinsed_s else "rinse left out: none was seen"
        state: VisitState = "taken" if self._rinsed_s else "skipped"
        dip.position, dip.doubt, self._rinsed_s = ahead, None, 0.0
        at_ms = self._now.at_ms if self._now is not None else self.course.round.began_ms
        visit = self._visit(rinse, state, at_ms, flags=(flag,))
        news = self._kept(visit)
        self._warn(f"{flag}. If drops of the last water may have come along, lift and rinse.")
        # Stops between the rinse and that water are none of the probe's: counts stay due.
        self._aim(dip.position)
        return list(news)

    def _settle_doubt(self, dip: Dip, chosen: str, stamp: Stamp) -> list[WalkNews]:
        why, dip.doubt, dip.is_sure = dip.was_doubted, None, True
        due = dip.position if dip.position < len(self.course.stops) else None
        stop = self.course.stops[due] if due is not None else None
        if stop is not None and stop.kind == "rinse":
            return self._settle_rinse_doubt(dip, chosen)
        if stop is not None and chosen == stop.water:
            told = f"somebody said that it is {chosen}"
            dip.flags.append(told)
            if dip.visit is not None:
                return list(self._kept(replace(dip.visit, flags=(*dip.visit.flags, told))))
            return []
        return self._move_dip(dip, chosen, f"taken for {stop.water if stop else ''}: {why}", stamp)

    def _settle_rinse_doubt(self, dip: Dip, chosen: str) -> list[WalkNews]:
        if chosen == self.course.stops[dip.position].water:
            return []
        ahead = self.course.open_for(chosen)
        if chosen == ANOTHER or ahead is None:
            dip.is_stray = True
            return self._renamed(dip, "", None)
        news = self._pass_over_rinse(dip, ahead)
        stop = self.course.stops[ahead]
        return [*news, *self._renamed(dip, stop.water, stop.role)]

    def _move_dip(self, dip: Dip, chosen: str, flag: str, stamp: Stamp) -> list[WalkNews]:
        """The immersion was in another water: of another stop, or of none."""
        news: list[WalkNews] = []
        old = dip.visit
        if old is not None:
            news += self._kept(replace(old, state="set aside", flags=(*old.flags, flag)))
        position = None if chosen == ANOTHER else self.course.open_for(chosen)
        name, role = "", None
        for stop in self.course.stops:
            if chosen != ANOTHER and stop.water == chosen and stop.kind != "count":
                name, role = stop.water, stop.role
        dip.is_stray = position is None
        if position is not None:
            dip.position = position
        news += self._renamed(dip, name, role)
        if old is not None and position is not None:
            visit = self._visit(position, "taken", old.at_ms, capture_id=old.capture_id)
            dip.visit = visit
            news += self._kept(visit)
        self._aim()
        return [*news, *self._moved_on(stamp)]

    def _renamed(self, dip: Dip, name: str, role: Role | None) -> list[WalkNews]:
        """Give the capture of an immersion under its right name, when it is kept already."""
        if dip.provisional is not None:
            self._named[dip.provisional.id] = (name, role)
        kept = self.course.captures.get(dip.visit.capture_id) if dip.visit else None
        if kept is None:
            return []
        named = replace(kept, water=name, role=role)
        self.course.captures[named.id] = named
        return [named]

    # -- visits -----------------------------------------------------------------------------

    def _finish(self, dip: Dip, capture: Capture) -> list[WalkNews]:
        """A capture is final: it becomes a visit of its stop, with what is odd about it."""
        self.course.captures[capture.id] = capture
        at_ms = capture.taken.at_ms
        if dip.is_stray or dip.position >= len(self.course.stops):
            return []
        stop = self.course.stops[dip.position]
        if stop.kind == "rinse":
            dip.visit = Visit(self.course.round.id, dip.position, 1, "taken", at_ms, capture.id)
            return []
        flags = [*self._pending.pop(dip.position, ()), *dip.flags]
        if capture.state is not CaptureState.FINAL:
            flags.append(f"it did not come to rest: {capture.reason}")
        elif capture.reason:
            flags.append(capture.reason)
        if not dip.is_sure:
            doubt = self._which.doubt(stop, values_of(capture), but=capture.id)
            dip.doubt = doubt or dip.doubt
            dip.was_doubted = doubt.why if doubt else dip.was_doubted
        if dip.was_doubted:
            flags.append(f"perhaps another water: {dip.was_doubted}")
        if "temperature" in values_of(capture):
            warm = capture.values["temperature"].value
            apart = temperature_apart(self.course, stop.role, warm, but=capture.id)
            flags += [apart] if apart else []
        missing = not_rinsed(self.course, dip.position)
        flags += [missing] if missing else []
        checks: tuple[Check, ...] = ()
        if stop.kind == "check" and not dip.is_discarded:
            checks, told = self._judged(stop.solution, capture)
            flags += told
        state: VisitState = "set aside" if dip.is_discarded else "taken"
        visit = self._visit(
            dip.position, state, at_ms, capture_id=capture.id, flags=tuple(dict.fromkeys(flags))
        )
        dip.visit = visit
        self._warnings.clear()
        if dip.is_discarded:
            self._pending[dip.position] = ["done again"]
        news: list[WalkNews] = [*self._kept(visit), *checks]
        news += [self._kept(again)[0] for again in list(carry_over(self.course, dip.position))]
        news += self._doubts_of_before(stop.water, capture, dip)
        news += self._repeats_apart(dip.position, capture)
        return [*news, *self._moved_on(capture.taken)]

    def _doubts_of_before(self, water: str, capture: Capture, dip: Dip) -> list[WalkNews]:
        """Flag earlier visits that read as this water does, when it is in doubt which was which."""
        if not dip.was_doubted:
            return []
        news: list[WalkNews] = []
        for visit, other in list(self.course.taken_captures()):
            mine = self.course.stops[visit.position]
            if mine.water == water or mine.kind == "rinse" or other.id == capture.id:
                continue
            if f"reads like {mine.water}" in dip.was_doubted or f"like {mine.water}" in (
                dip.was_doubted
            ):
                flag = f"{water} reads like it: was it in the right glass, both times?"
                if flag not in visit.flags:
                    news += self._kept(replace(visit, flags=(*visit.flags, flag)))
        return news

    def _repeats_apart(self, position: int, capture: Capture) -> list[WalkNews]:
        """Flag earlier repeats that are as far from this one as another water would be."""
        news: list[WalkNews] = []
        for visit, other in list(self.course.taken_captures()):
            if visit.position != position or other.id == capture.id:
                continue
            like = from_captures([other], this_round=True)
            apart = like.distance(values_of(capture)) if like is not None else None
            flag = "perhaps another water: a later repeat reads otherwise"
            if apart is not None and apart > 1.0 and flag not in visit.flags:
                news += self._kept(replace(visit, flags=(*visit.flags, flag)))
        return news

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

    def _visit(
        self,
        position: int,
        state: VisitState,
        at_ms: int,
        *,
        capture_id: str = "",
        count_id: str = "",
        flags: tuple[str, ...] = (),
    ) -> Visit:
        note, self._note = self._note, ""
        return Visit(
            self.course.round.id,
            position,
            self.course.next_repeat(position),
            state,
            at_ms,
            capture_id,
            count_id,
            note,
            flags,
        )

    def _kept(self, visit: Visit) -> list[WalkNews]:
        before = {v for v in self.course.visits if v.at_ms == visit.at_ms}
        self.course.keep(visit)
        told: list[WalkNews] = [visit]
        old = {flag for one in before for flag in one.flags}
        stop = self.course.stops[visit.position]
        for flag in visit.flags:
            if flag not in old and self._now is not None:
                text = f"{stop_in_words(stop)}: {flag}"
                told.append(
                    Event("round_flag", self._now, self.course.round.meter, text, self._data())
                )
        return told

    def _count(self, text: str, stamp: Stamp) -> tuple[str, list[WalkNews]]:
        """Take a count that was typed: a whole number for each field of view."""
        words = text.replace(",", " ").replace(";", " ").split()
        if not words or not all(word.isdecimal() and len(word) < 7 for word in words):
            raise ValueError("type the number of objects in each field, such as: 3 0 2 1")
        position = self.course.current
        stop = self.course.stops[position]
        count = ParticleCount(
            self._new_id(),
            stamp.at_ms,
            stop.water,
            tuple(int(word) for word in words),
            role=self.role_of(stop.water),
            round_id=self.course.round.id,
        )
        visit = self._visit(position, "taken", stamp.at_ms, count_id=count.id)
        said = f"{sum(count.fields)} in {len(words)} fields of {stop.water}"
        return said, [count, *self._kept(visit), *self._moved_on(stamp)]

    def counted(self, count: ParticleCount, stamp: Stamp) -> list[WalkNews]:
        """Take a count made elsewhere; it is a visit when its stop is due or to come."""
        for position, stop in enumerate(self.course.stops):
            is_its = stop.kind == "count" and stop.water == count.water
            if is_its and not self.course.is_done(position):
                visit = self._visit(position, "taken", count.at_ms, count_id=count.id)
                return [*self._kept(visit), *self._moved_on(stamp)]
        return []

    def taken_back(self, count_id: str, stamp: Stamp, *, is_back: bool) -> list[WalkNews]:
        """A count was withdrawn, so that its stop is due again; or it counts again."""
        state: VisitState = "taken" if is_back else "set aside"
        for visit in self.course.visits:
            if visit.count_id == count_id and visit.state != state:
                return [*self._kept(replace(visit, state=state)), *self._moved_on(stamp)]
        return []

    def role_of(self, water: str) -> Role | None:
        """Give what a water is to this round."""
        return next((s.role for s in self.course.stops if s.water == water and s.role), None)

    # -- the course -------------------------------------------------------------------------

    def _moved_on(self, stamp: Stamp) -> list[WalkNews]:
        """Aim at what comes next; the last one ends the round."""
        if self.course.current == len(self.course.stops) and not self.is_over:
            return self._end("done", stamp)
        self._aim()
        return []

    def _end(self, state: RoundState, stamp: Stamp) -> list[WalkNews]:
        self.course.round = replace(self.course.round, state=state, ended_ms=stamp.at_ms)
        self._seat.expect_nothing()
        text = f"round {self.course.round.id} ({self.course.round.plan}) is {state}"
        event = Event("round_over", stamp, self.course.round.meter, text, self._data())
        return [replace(self.course.round, visits=()), event]

    def _aim(self, position: int | None = None) -> None:
        """Tell the taker which water it meets next."""
        self._seat.expect_nothing()
        at = self._place_for_dip() if position is None else position
        if at < len(self.course.stops) and not self.is_over:
            stop = self.course.stops[at]
            self._seat.expect(stop.water, stop.role)

    def _warn(self, text: str) -> None:
        self._warnings[:] = [text]

    def _data(self) -> dict[str, float | str]:
        return {"round": self.course.round.id}


def _asked(doubt: Doubt | None, *, is_past: bool) -> str:
    if doubt is None:
        return ""
    return doubt.question.replace("is the probe", "was the probe") if is_past else doubt.question
