"""A round whose meter a person reads: what is typed is all that is known of it. Pure.

Nobody sees the probe leave a water or go into a rinse. A capture typed is one immersion; its water
is the one that was typed with it, else the one that is due. Of a rinse a person says that it was
done; typing on without a word passes over it, and that is kept with the visit.
"""

from __future__ import annotations

from dataclasses import replace

from acquire.bench.walk import Walk, WalkNews
from acquire.bench.walk_state import Dip
from acquire.bench.walk_words import stop_in_words
from acquire.readings import Capture, CaptureState, Event, Stamp
from acquire.rounds import Guidance, Stop

__all__ = ["RINSED", "TypedWalk"]

RINSED = "rinsed"
"""The answer that a rinse was done."""
_UNSAID = "rinse left out: nobody said that it was done"
_MOVED = "typed while the display was still moving"


class TypedWalk(Walk):
    """One round of a meter without a port: `named` and `hear` take each capture as it is typed."""

    def named(self, capture: Capture) -> Capture:
        """Begin the immersion of a capture; give it with the name and role of its water."""
        if self.is_over:
            return capture
        self._at.now = capture.taken
        position = self._place_of(capture)
        dip = self._at.dip = Dip(capture.started.t_s, position)
        if position == len(self.course.stops):
            dip.is_stray = True  # of another water than those due: its name stays
            return capture
        self._found += self._pass_over(position, capture.taken)
        stop = self.course.stops[position]
        return replace(capture, water=stop.water, role=stop.role)

    def hear(self, item: Capture | Event) -> list[WalkNews]:
        """Take what was typed, as `named` gave it; the immersion is over with it."""
        if not isinstance(item, Capture) or self._at.dip is None:
            return []
        dip = self._at.dip
        news = super().hear(item)
        if item.state is CaptureState.UNSETTLED and not dip.is_stray:
            water = self.course.stops[dip.position].water
            at_ms = item.taken.at_ms
            news += self._visits.keep(
                self._visits.new(
                    dip.position, "set aside", at_ms, capture_id=item.id, flags=(_MOVED,)
                )
            )  # fmt: skip
            self._at.warn(f"{water}: {_MOVED}. Wait until the numbers stand still, and type again.")
        self._at.past, self._at.dip = dip, None
        self._at.aim()
        return news

    def answer(self, text: str, stamp: Stamp) -> tuple[str, list[WalkNews]]:
        """Answer what is asked; of a rinse that is due, that it was done."""
        rinse = self._rinse_due()
        if rinse is None:
            return super().answer(text, stamp)
        if text.strip().casefold() not in {RINSED, "1"}:
            raise ValueError(f"answer with: {RINSED}; or skip it")
        self._at.now = stamp
        visit = self._visits.new(self.course.current, "taken", stamp.at_ms)
        return f"{RINSED}: {rinse.water}", [*self._visits.keep(visit), *self._at.move_on(stamp)]

    def guidance(self) -> Guidance:
        """Say what to do now; the person does the looking."""
        said = super().guidance()
        if self.course.is_over:
            return said
        rinse, due = self._rinse_due(), self._at.due()
        if rinse is not None:
            return replace(said, question="Is the probe rinsed?", answers=(RINSED,))
        if due is None or due.kind == "count":
            return said
        say = f"{said.say} Once the numbers stand still, type them."
        return replace(said, say=say)

    def _rinse_due(self) -> Stop | None:
        """Give the rinse that is due, unless something else is asked first."""
        stop = self._at.due()
        is_asked = self._at.past is not None and self._at.past.doubt is not None
        return stop if stop is not None and stop.kind == "rinse" and not is_asked else None

    def _place_of(self, capture: Capture) -> int:
        """Give the stop of a capture; the number of stops when it is none's."""
        stops, due = self.course.stops, self.course.current
        if capture.water:
            named = self.course.open_for(capture.water)
            return len(stops) if named is None else named
        if due < len(stops) and stops[due].kind in {"rinse", "count"}:
            following = self.course.after(due)
            return len(stops) if following is None else following
        return due

    def _pass_over(self, position: int, stamp: Stamp) -> list[WalkNews]:
        """Leave out the rinse right before a stop that nobody has said was done."""
        news: list[WalkNews] = []
        for number in range(position - 1, -1, -1):
            stop = self.course.stops[number]
            if stop.kind not in {"rinse", "count"}:
                break
            if stop.kind == "rinse" and not self.course.is_done(number):
                note, self._at.note = self._at.note, ""  # it belongs to what is typed
                visit = self._visits.new(number, "skipped", stamp.at_ms, flags=(_UNSAID,))
                news += self._visits.keep(visit)
                self._at.note = note
                self._at.warn(f"{stop_in_words(stop)}: {_UNSAID}.")
        return news
