"""A round as it is walked: what the bench sees and what a person says go in, visits come out.

    see, hear ──► immersions (here) ──► doubts: which water? ──► visits: what is kept
    answer, skip, redo, note, stop ─────────┴────────────────────────┘
    guidance ◄── the state they share

Pure. The person only moves the probe: each immersion belongs to the stop that is due, unless its
values say that it is another water. Nothing is forbidden and nothing waits for a word: what is odd
is asked, warned of, and kept with the visit as a flag.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace

from acquire.bench.likeness import values_of
from acquire.bench.standing import Status
from acquire.bench.walk_course import Course
from acquire.bench.walk_doubts import Doubts
from acquire.bench.walk_glimpse import QUICK_S, Seen
from acquire.bench.walk_guide import guidance_for
from acquire.bench.walk_state import Bench, Dip, Seat, UnderWay, WalkNews
from acquire.bench.walk_visits import Visits
from acquire.bench.walk_which import Which
from acquire.bench.walk_words import stop_in_words
from acquire.readings import Capture, CaptureState, Event, Role, Stamp
from acquire.rounds import GLIMPSED, Guidance, ParticleCount, Stop

__all__ = ["Bench", "Walk", "WalkNews"]

_LONGEST = 300


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
        self._at = UnderWay(course, seat, new_id, bench.judged)
        self._visits = Visits(self._at, which, bench)
        self._doubts = Doubts(self._at, self._visits, which)
        self._which = which
        self._found: list[WalkNews] = []
        """What naming a capture brought about, until it is heard."""
        self._at.aim()

    @property
    def is_over(self) -> bool:
        return self._at.is_over

    def guidance(self) -> Guidance:
        """Say where the round stands and what to do now."""
        return guidance_for(self._at)

    # -- what the bench sees ----------------------------------------------------------------

    def see(self, status: Status) -> list[WalkNews]:
        """Take how the immersion stands; comes after what the desk gave at the same reading."""
        self._at.now = status.stamp
        if self.is_over:
            return []
        if status.medium == "air" or status.immersion == 0:
            return self._lift(status.stamp)
        news = self._enter(status.stamp.t_s - status.elapsed_s, status.stamp)
        dip = self._at.dip
        if dip is None:
            return news  # what was before it was the last stop
        dip.for_s = status.elapsed_s
        dip.is_confirmed = status.capture is not None and status.unconfirmed_s <= 0
        dip.stayed_on = dip.stayed_on or dip.unsettled is not None
        shown = {row.quantity: row.value for row in status.rows if row.value is not None}
        self._watch_cell(dip, status.stamp.t_s, shown)
        settled = {
            row.quantity: row.settling.value
            for row in status.rows
            if row.settling is not None and row.settling.phase == "settled"
        }
        return [*news, *self._doubts.look(dip, settled, is_all=False)]

    def named(self, capture: Capture) -> Capture:
        """Give a capture with the name and role of the water it is taken for."""
        if capture.state is CaptureState.WITHDRAWN or self.is_over:
            name = self._at.named.get(capture.id)
        else:
            name = self._name_of(capture)
            self._at.named[capture.id] = name
        return capture if name is None else replace(capture, water=name[0], role=name[1])

    def hear(self, item: Capture | Event) -> list[WalkNews]:
        """Take a capture (as `named` gave it) or an event of the desk."""
        if self.is_over or not isinstance(item, Capture):
            return []
        self._at.now = item.taken if self._at.now is None else self._at.now
        dip = self._dip_of(item)
        if dip.provisional is None or dip.provisional.id != item.id:
            dip.is_confirmed = False
        dip.provisional = item if item.state is CaptureState.PROVISIONAL else None
        news, self._found = self._found, []
        match item.state:
            case CaptureState.PROVISIONAL:
                news += self._doubts.look(dip, values_of(item), is_all=True)
            case CaptureState.UNSETTLED:
                dip.unsettled = item
                self.course.captures[item.id] = item
            case CaptureState.FINAL:
                dip.unsettled = None
                news += self._visits.finish(dip, item)
            case CaptureState.WITHDRAWN:
                dip.moved_on += 1
                # Whoever has heard the bell taken back twice may take what there is.
                dip.stayed_on = dip.stayed_on or dip.moved_on > 1
        return news

    def adopt(self, captures: Sequence[Capture]) -> list[WalkNews]:
        """Take in finals kept after the last visit, before an interruption; oldest first."""
        news: list[WalkNews] = []
        for capture in captures:
            position = self.course.open_for(capture.water)
            if position is not None and capture.id not in self.course.captures:
                news += self._visits.finish(Dip(capture.started.t_s, position), capture)
        self._doubts.ask_again()
        self._at.aim()
        return news

    def recall(self, glimpsed: Iterable[Event]) -> None:
        """Take in what was seen in passing before an interruption: its events, oldest first."""
        for event in glimpsed:
            position = int(float(event.data.get("position", -1)))
            if event.data.get("round") == self.course.round.id and position < len(
                self.course.stops
            ):
                self._which.learn(self.course.stops[position], Seen.of_data(event.data))

    def counted(self, count: ParticleCount, stamp: Stamp) -> list[WalkNews]:
        """Take a count made elsewhere; it is a visit when its stop is due or to come."""
        return self._visits.counted(count, stamp)

    def taken_back(self, count_id: str, stamp: Stamp, *, is_back: bool) -> list[WalkNews]:
        """A count was withdrawn, so that its stop is due again; or it counts again."""
        return self._visits.taken_back(count_id, stamp, is_back=is_back)

    def role_of(self, water: str) -> Role | None:
        """Give what a water is to this round."""
        return self._visits.role_of(water)

    # -- what a person says -----------------------------------------------------------------

    def skip(self, stamp: Stamp) -> tuple[str, list[WalkNews]]:
        """Leave out what is left of the stop that is due."""
        position = self.course.current
        if self.course.is_over:
            return "the round is over", []
        stop = self.course.stops[position]
        dip = self._at.dip
        if dip is not None and dip.position == position:
            dip.position = self.course.after(position) or len(self.course.stops)
            dip.apart, dip.doubt, dip.was_doubted = "", None, ""
        visit = self._visits.new(position, "skipped", stamp.at_ms)
        self._at.forget(position)
        news = [*self._visits.keep(visit), *self._at.move_on(stamp)]
        return f"left out: {stop_in_words(stop)}", news

    def redo(self) -> tuple[str, list[WalkNews]]:
        """Set aside the capture that is under way, or else the last visit."""
        dip = self._at.dip
        if dip is not None and (dip.provisional is not None or dip.unsettled is not None):
            dip.is_discarded = True
            return "this one is set aside: lift the probe, and put it in again", []
        standing = [v for v in self.course.visits if v.state != "set aside"]
        if not standing:
            return "nothing to do again yet", []
        last = standing[-1]
        news = self._visits.keep(replace(last, state="set aside"))
        news += self._visits.others.take_back(last.capture_id)
        self._at.rinsed_s = 0.0
        if dip is not None:
            dip.position = self.course.current
        self._at.aim()
        return f"again: {stop_in_words(self.course.stops[last.position])}", news

    def note(self, text: str, stamp: Stamp) -> tuple[str, list[WalkNews]]:
        """Keep a note with the stop the probe is in, or else with the last visit."""
        text, at = text.strip()[:_LONGEST], self._at
        if not text:
            return "an empty note is not kept", []
        last = self.course.visits[-1] if self.course.visits else None
        event = Event("round_note", stamp, self.course.round.meter, text, at.data())
        if at.dip is not None or last is None:
            at.note = f"{at.note}; {text}" if at.note else text
            return "noted for this stop", [event]
        noted = replace(last, note=f"{last.note}; {text}" if last.note else text)
        return "noted with the last stop", [event, *self._visits.keep(noted)]

    def stop(self, stamp: Stamp) -> tuple[str, list[WalkNews]]:
        """End the round as it stands."""
        if self.is_over:
            return "the round is over", []
        return "the round is stopped", self._at.end("stopped", stamp)

    def answer(self, text: str, stamp: Stamp) -> tuple[str, list[WalkNews]]:
        """Answer what is asked: by the word, or by its number from 1; counts, at their stop."""
        dip = self._at.doubted
        if dip is None or dip.doubt is None:
            stop = self._at.due()
            if stop is not None and stop.kind == "count":
                return self._visits.count(text, stamp)
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
        return f"{chosen}: noted", self._doubts.settle(dip, chosen, stamp)

    # -- immersions -------------------------------------------------------------------------

    def _enter(self, began_s: float, stamp: Stamp) -> list[WalkNews]:
        """Begin another immersion, unless it is the one already known."""
        at = self._at
        if at.dip is not None and abs(at.dip.began_s - began_s) < 0.5:
            return []
        news = self._lift(stamp)
        if at.dip is None and not self.is_over:
            at.dip = Dip(began_s, at.place_for_dip())
        return news

    def _watch_cell(self, dip: Dip, t_s: float, shown: Mapping[str, float]) -> None:
        """Notice a lift that nothing else tells; remember what a rinse shows."""
        value = shown.get(self._which.ionic)
        if value is None:
            return
        dip.dry.see(t_s, value)
        if dip.for_s >= QUICK_S and dip.dry.since_s is None:
            dip.glimpse.see(t_s, dip.for_s, value, shown.get("temperature"))

    def _dip_of(self, capture: Capture) -> Dip:
        """Give the immersion a capture was taken in; its first capture may begin it."""
        for dip in (self._at.dip, self._at.past):
            if dip is not None and abs(dip.began_s - capture.started.t_s) < 0.5:
                return dip
        self._enter(capture.started.t_s, capture.taken)
        return self._at.dip or Dip(capture.started.t_s, len(self.course.stops))

    def _name_of(self, capture: Capture) -> tuple[str, Role | None]:
        dip = self._dip_of(capture)
        stop = self._at.stop_of(dip)
        if stop is None or dip.is_stray:
            return "", None
        if stop.kind == "rinse":
            self._found += self._doubts.see_through_rinse(dip, values_of(capture), is_all=True)
            stop = self.course.stops[dip.position]
        return stop.water, stop.role

    def _lift(self, stamp: Stamp) -> list[WalkNews]:
        """The probe has left: what the immersion gave becomes a visit."""
        at = self._at
        dip, at.dip = at.dip, None
        if dip is None:
            return []
        at.past = dip
        news: list[WalkNews] = []
        stop = at.stop_of(dip)
        if dip.is_stray:
            pass  # neither a rinse nor any other stop
        elif stop is not None and stop.kind == "rinse":
            news = self._end_rinse(dip, stamp)
        elif dip.visit is None and stop is not None:
            news = self._left_without(dip, stamp)
        at.aim()
        return news

    def _end_rinse(self, dip: Dip, stamp: Stamp) -> list[WalkNews]:
        at = self._at
        dip.doubt = None
        at.rinsed_s += dip.for_s
        stop = self.course.stops[dip.position]
        news = self._remember(stop, dip, stamp)
        if at.rinsed_s < stop.least_s:
            at.warn(
                f"Rinsed for {at.rinsed_s:.0f} s only, {stop.least_s:.0f} s are wanted: rinse on."
            )
            return news
        at.warnings.clear()
        at.rinsed_s = 0.0
        capture = dip.visit.capture_id if dip.visit else ""
        visit = self._visits.new(dip.position, "taken", stamp.at_ms, capture_id=capture)
        return [*news, *self._visits.keep(visit), *at.move_on(stamp)]

    def _left_without(self, dip: Dip, stamp: Stamp) -> list[WalkNews]:
        """No final capture: lifted early, or it never came to rest."""
        stop, record = self.course.stops[dip.position], dip.unsettled
        was_doubted = bool(dip.was_doubted)
        if record is None or not dip.stayed_on:
            dip.doubt = None  # nothing was kept that a name could be wrong of
        if record is not None and dip.stayed_on and not dip.is_discarded:
            return self._visits.finish(dip, record)
        early = f"lifted after {dip.for_s:.0f} s, before it had settled"
        if dip.is_discarded:
            early = "done again"
        news = [] if dip.is_discarded or was_doubted else self._remember(stop, dip, stamp)
        self._at.warn(f"{stop.water}: {early}. Put the probe in again and leave it.")
        self._at.pending.setdefault(dip.position, []).append(early)
        if record is None:
            return news
        at_ms, flags = record.taken.at_ms, (early,)
        visit = self._visits.new(
            dip.position, "set aside", at_ms, capture_id=record.id, flags=flags
        )
        return [*news, *self._visits.keep(visit)]

    def _remember(self, stop: Stop, dip: Dip, stamp: Stamp) -> list[WalkNews]:
        """What was seen of a glass in passing tells it from others later, after a break as well."""
        seen = dip.glimpse.told()
        if seen is None:
            return []
        at = self._at
        self._which.learn(stop, seen)
        said = f"{stop.water}, seen in passing: {self._which.ionic} {seen.told()}"
        data = {**at.data(), **seen.as_data(), "position": float(dip.position)}
        event = Event(GLIMPSED, stamp, self.course.round.meter, said, data)
        return [
            event,
            *(self._visits.others.doubt_by_rinse(stop.water) if stop.kind == "rinse" else ()),
        ]
