"""Takes captures hands-free: follows one meter's readings, says when there is a capture.

Pure: readings in, captures and events out. The story of one immersion:

    probe enters water ── every required quantity settled at once ── PROVISIONAL (the chime)
                       │            ├─ moves on by itself ────────── WITHDRAWN, and settles anew;
                       │            │                                after the second time slower
                       │            └─ probe leaves ─────────────── FINAL, as last refined
                       ├─ time runs out first ────────────────────── UNSETTLED, with the reason
                       └─ probe leaves first ─ after BRIEF_S ─────── UNSETTLED; before, an event

That a probe has left is seen a few seconds late, and in those seconds the values run away. So a
provisional capture whose values move is not withdrawn at once: if the probe turns out to have left
within `GRACE_S`, it becomes final with the values it had before.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from acquire.bench.standing import Explanation, Row, Settles, Settling, Status
from acquire.immersion import Immersion, Place
from acquire.quantities import Tolerance
from acquire.readings import (
    Capture,
    CaptureState,
    Channel,
    Event,
    Reading,
    Role,
    SettledValue,
    Stamp,
)

__all__ = ["CaptureTaker"]

GRACE_S = 12.0
"""How long a provisional capture may run away before it is withdrawn: longer than it takes to see
that the probe has left, with one reading in a few seconds."""
CONFIRM_S = 30.0
"""How long a provisional capture has to stand before a person is told that the probe may leave."""
PATIENT_S, PATIENT_MOST_S = 60.0, 180.0
"""After the second withdrawal from one water all must stand settled for so long before a third
capture is announced, twice that before a fourth: a bell that is taken back too often is not heard
any more (judgement, no source)."""
ACQUAINTED_S = 15.0
"""What a meter has not given by then it does not give."""
BRIEF_S = 60.0
"""An immersion that ends sooner was a dip or a rinse: not worth a record of its own."""
REPLAY_S = 90.0
REPLAY_MOST = 1200
"""Readings kept, for so long and so many, to start an immersion from its first moment: which water
the probe is in may be certain only half a minute after it came there."""


@dataclass(slots=True)
class _Track:
    """One quantity within one immersion."""

    channel: Channel
    settler: Settles
    now: Settling | None = None
    settled_after_s: float | None = None


class CaptureTaker:
    """One meter, immersion after immersion.

    `stops` names the waters in the order the probe will meet them; an immersion that gave a
    capture or an unsettled record uses one up. `required` names the quantities a capture waits for
    (default: all that are not computed from another). `new_id` gives a new capture's identity.
    """

    def __init__(
        self,
        meter: str,
        channels: Sequence[Channel],
        make_settler: Callable[[Channel], Settles],
        tolerance: Callable[[str], Tolerance],
        *,
        new_id: Callable[[], str],
        timeout_s: float,
        stops: Sequence[tuple[str, Role | None]] = (),
        required: Collection[str] = (),
    ) -> None:
        self._meter = meter
        self._asked = frozenset(required)
        self._required = self._asked or frozenset(c.quantity for c in channels if c.is_required)
        self._is_introduced = False
        self._channels = tuple(channels)
        self._make_settler = make_settler
        self._tolerance = tolerance
        self._new_id = new_id
        self._timeout_s = timeout_s
        self._stops = deque(stops)
        self._recent: deque[Reading] = deque(maxlen=REPLAY_MOST)
        self._follower = Immersion(self._channels)
        self._place: Place | None = None
        self._tracks: dict[str, _Track] = {}
        self._calm: dict[str, Settling | None] = {}
        self._began: Stamp | None = None
        self._capture: Capture | None = None
        self._announced: Mapping[str, SettledValue] = {}
        self._moving_since_s: float | None = None
        self._to_stand_s = CONFIRM_S
        """How long the provisional capture has still to stand: never more than was said before."""
        self._is_disturbed = False
        self._withdrawn = 0
        """Captures of this immersion that were taken back."""
        self._calm_since_s: float | None = None
        self._unsaid: tuple[float, Mapping[str, SettledValue]] | None = None
        """When all was settled last, and at what, while it was still too early to say so."""
        self._judged: frozenset[str] = frozenset()
        """What the water met next is taken for; empty: all that is required."""
        self._heard: set[str] = set()
        self._begun_s: float | None = None
        self._recorded = False
        self._timed_out = False
        self._last: Reading | None = None

    def update(self, reading: Reading) -> list[Capture | Event]:
        """Take one reading; give what became of captures, in order."""
        t_s = reading.stamp.t_s
        if self._last is not None and t_s <= self._last.stamp.t_s:
            return []  # a duplicate or out of order: the next one is as good
        self._last = reading
        news: list[Capture | Event] = self._listen(reading)
        self._recent.append(reading)
        while t_s - self._recent[0].stamp.t_s > REPLAY_S:
            self._recent.popleft()
        place = self._follower.update(t_s, reading.values, reading.flags)
        is_in_water = place.medium != "air" and place.number > 0
        entered = self._place is None or place.number != self._place.number
        if entered or not is_in_water:
            news += self._leave(reading.stamp)
        elif place.disturbed:
            self._restart()
            self._is_disturbed = True
        self._place = place
        if not is_in_water:
            return news
        if entered or self._began is None:
            self._enter(place.since_s, reading.stamp)
        else:
            self._feed(reading)
        news += self._judge(reading.stamp)
        self._wait_on(reading.stamp)
        return news

    def _listen(self, reading: Reading) -> list[Capture | Event]:
        """Learn what the meter gives; a quantity it never gives is named, and not waited for."""
        t_s = reading.stamp.t_s
        if self._begun_s is None:
            self._begun_s = t_s
        self._heard.update(reading.values, reading.flags)
        if self._is_introduced or t_s - self._begun_s < ACQUAINTED_S:
            return []
        self._is_introduced = True
        missing = [q for q in sorted(self._required) if q not in self._heard]
        if not missing:
            return []
        asked = [q for q in missing if q in self._asked]
        self._required = frozenset(self._required) - (set(missing) - set(asked))
        names = ", ".join(missing)
        text = f"this meter does not give {names}, though its profile names it; not waited for"
        if asked:
            text = f"this meter does not give {', '.join(asked)}, which the configuration requires"
        return [Event("quantity_missing", reading.stamp, self._meter, text)]

    def expect(
        self, water: str, role: Role | None = None, judged: Collection[str] = frozenset()
    ) -> None:
        """The water met now or next is this one, in the place of the one that was to come.

        `judged`: the quantities it is taken for, where that is not all of them.
        """
        if self._stops:
            self._stops.popleft()
        self._stops.appendleft((water, role))
        self._judged = frozenset(judged)

    def skip(self) -> str:
        """Leave out the water that was to come; gives its name, empty when there is none."""
        self._judged = frozenset()
        return self._stops.popleft()[0] if self._stops else ""

    def expect_nothing(self) -> None:
        """No water is named any more."""
        self._judged = frozenset()
        self._stops.clear()

    @property
    def _waited_for(self) -> frozenset[str]:
        """What a capture waits for here: none that the configuration would not wait for."""
        return (self._required & self._judged) or self._required

    def again(self, stamp: Stamp) -> list[Capture | Event]:
        """Take another capture of the water the probe is in: settling begins anew now.

        What was taken of it becomes final; nothing is said of what had not settled yet. ValueError
        where the probe is in no water.
        """
        if self._began is None:
            raise ValueError("the probe is in no water: put it in, and a capture is taken")
        news: list[Capture | Event] = []
        if self._capture is not None:
            said = replace(self._capture, state=CaptureState.FINAL, reason="another was asked for")
            news.append(said)
        self._capture = self._moving_since_s = None
        self._recorded = self._timed_out = self._is_disturbed = False
        self._calm = {}
        self._calm_since_s, self._withdrawn, self._unsaid = None, 0, None
        self._began = stamp
        self._restart()
        return news

    def interrupt(self, stamp: Stamp, why: str) -> list[Capture | Event]:
        """The meter went away or the program stops: what is open ends with what it has."""
        news = self._leave(stamp, why, lifted=False)
        self._follower = Immersion(self._channels)
        self._place = None
        self._recent.clear()
        return news

    def explain(self, capture: Capture) -> Explanation:
        """Give the terms as they stand now; meant to be asked at the moment of the capture."""
        terms = {quantity: track.settler.explain() for quantity, track in self._tracks.items()}
        return Explanation(self._meter, capture.id, terms)

    def status(self) -> Status | None:
        """Give how things stand at the last reading; None before the first."""
        reading, place = self._last, self._place
        if reading is None or place is None:
            return None
        began = self._began
        return Status(
            self._meter,
            reading.stamp,
            place.medium,
            place.number,
            reading.stamp.t_s - began.t_s if began else 0.0,
            self._stops[0][0] if self._stops else "",
            tuple(self._row(channel, reading) for channel in self._channels),
            self._capture,
            CONFIRM_S if self._capture is None else self._to_stand_s,
        )

    def _wait_on(self, stamp: Stamp) -> None:
        """Count down what a provisional capture has to stand; while it moves the count stands.

        Once the probe may be lifted it may be until the capture is taken back: lifted meanwhile, it
        is kept as it last stood settled. Words that go back and forth are not heeded.
        """
        if self._capture is not None and self._moving_since_s is None:
            stood_s = stamp.t_s - self._capture.taken.t_s
            self._to_stand_s = min(self._to_stand_s, max(0.0, CONFIRM_S - stood_s))

    def _row(self, channel: Channel, reading: Reading) -> Row:
        track = self._tracks.get(channel.quantity)
        return Row(
            channel.quantity,
            reading.values.get(channel.quantity),
            reading.flags.get(channel.quantity),
            track.now if track else None,
            channel.quantity in self._waited_for,
        )

    def _enter(self, since_s: float, stamp: Stamp) -> None:
        """Begin an immersion with the readings since its first moment."""
        mine = [r for r in self._recent if r.stamp.t_s >= since_s] or list(self._recent)[-1:]
        self._began = mine[0].stamp if mine else stamp
        self._restart()
        for reading in mine:
            self._feed(reading)

    def _restart(self) -> None:
        self._tracks = {c.quantity: _Track(c, self._make_settler(c)) for c in self._channels}

    def _feed(self, reading: Reading) -> None:
        assert self._began is not None  # noqa: S101  (an immersion is open whenever this is called)
        temperature = reading.values.get("temperature")
        if reading.flags.get("temperature") is not None:
            temperature = None
        for quantity, track in self._tracks.items():
            value = reading.values.get(quantity)
            if value is None or quantity in reading.flags:
                continue
            track.now = track.settler.update(reading.stamp.t_s, value, temperature)
            if track.now.phase != "settled":
                track.settled_after_s = None
            elif track.settled_after_s is None:
                track.settled_after_s = reading.stamp.t_s - self._began.t_s

    def _all_settled(self, *, surely: bool) -> bool:
        """Every required quantity is settled, by a number seen in the newest reading.

        `surely`: each is also still known to within its tolerance. They settle one after the other,
        and what the first has been doing since counts when the last one is there.
        """
        required = [track for name, track in self._tracks.items() if name in self._waited_for]
        seen = self._last.values if self._last else {}
        flags = self._last.flags if self._last else {}
        return bool(required) and all(
            track.now is not None
            and track.now.phase == "settled"
            and track.channel.quantity in seen
            and track.channel.quantity not in flags
            and (not surely or track.now.expanded_u <= self._allowed(track))
            for track in required
        )

    def _allowed(self, track: _Track) -> float:
        """The tolerance, but never less than one step of the display."""
        value = track.now.value if track.now else 0.0
        return max(self._tolerance(track.channel.quantity).at(value), track.channel.resolution)

    def _judge(self, stamp: Stamp) -> list[Capture | Event]:
        """Compare where the immersion stands with what has been said of it so far."""
        began = self._began
        if began is None:
            return []
        if self._place is not None and self._place.pending:
            return []  # it may be another water, or air: what is seen now belongs to nobody yet
        # What to say later of an immersion, taken while it is certainly still this one.
        self._calm = {quantity: track.now for quantity, track in self._tracks.items()}
        if self._all_settled(surely=self._capture is None):
            return self._settled(began, stamp) if self._stands(began, stamp) else []
        self._calm_since_s = None
        if self._capture is not None:
            return self._moving_on(stamp)
        if not self._timed_out and stamp.t_s - began.t_s >= self._timeout_s:
            self._timed_out = self._recorded = True
            why = f"not settled within {self._timeout_s:g} s: {self._why()}"
            return [self._new_capture(CaptureState.UNSETTLED, began, stamp, why)]
        return []

    def _stands(self, began: Stamp, stamp: Stamp) -> bool:
        """Whether what is settled has stood for long enough to be announced."""
        if self._calm_since_s is None:
            self._calm_since_s = stamp.t_s
        if self._capture is not None or self._withdrawn < 2:
            return True
        wait_s = min(PATIENT_S * (self._withdrawn - 1), PATIENT_MOST_S)
        is_late = stamp.t_s - began.t_s >= self._timeout_s and not self._timed_out
        if is_late or stamp.t_s - self._calm_since_s >= wait_s:
            return True
        self._unsaid = stamp.t_s, self._values()
        return False

    def _settled(self, began: Stamp, stamp: Stamp) -> list[Capture | Event]:
        self._moving_since_s = None
        self._is_disturbed = False
        news: list[Capture | Event] = []
        if self._capture is not None:
            values = self._values()
            moved = self._moved_from(self._announced, values)
            if not moved:
                # Refined in memory while the probe stays; kept when the capture becomes final.
                self._capture = replace(self._capture, values=values)
                return []
            news.append(self._withdraw(moved))
            if not self._stands(began, stamp):
                return news
        self._recorded = True
        self._capture = self._new_capture(CaptureState.PROVISIONAL, began, stamp, "")
        self._to_stand_s = CONFIRM_S
        self._announced = self._capture.values
        return [*news, self._capture]

    def _moved_from(self, then: Mapping[str, SettledValue], now: Mapping[str, SettledValue]) -> str:
        """Say which required quantities have come to rest elsewhere than was announced."""
        parts = []
        for quantity in self._tracks:
            if quantity in self._waited_for and quantity in then and quantity in now:
                change = now[quantity].value - then[quantity].value
                if abs(change) > self._tolerance(quantity).at(now[quantity].value):
                    parts.append(f"{quantity} came to rest {change:+.3g} away")
        return "; ".join(parts)

    def _withdraw(self, why: str) -> Capture:
        assert self._capture is not None  # noqa: S101
        withdrawn = replace(self._capture, state=CaptureState.WITHDRAWN, reason=f"moved on: {why}")
        self._capture = None
        self._moving_since_s = self._calm_since_s = None
        self._withdrawn += 1
        return withdrawn

    def _moving_on(self, stamp: Stamp) -> list[Capture | Event]:
        if self._is_disturbed and not self._moved_from(self._announced, self._values()):
            # Stirred, or shaken off a bubble: settlers began anew, but nothing has moved away.
            self._moving_since_s = None
            return []
        if self._moving_since_s is None:
            self._moving_since_s = stamp.t_s
        if stamp.t_s - self._moving_since_s < GRACE_S:
            return []
        return [self._withdraw(self._why())]

    def _leave(self, stamp: Stamp, why: str = "", *, lifted: bool = True) -> list[Capture | Event]:
        """Close the immersion: a provisional capture becomes final as it last stood settled."""
        news: list[Capture | Event] = []
        began = self._began
        if self._capture is not None:
            news.append(replace(self._capture, state=CaptureState.FINAL, reason=why))
        elif began is not None and (held := self._held(stamp)):
            moved_on = why or f"it had moved on {self._withdrawn} times before"
            said = self._new_capture(CaptureState.FINAL, began, stamp, moved_on)
            news.append(replace(said, values=held))
        elif began is not None and self._withdrawn > 1 and not self._timed_out:
            moved_on = why or f"it moved on {self._withdrawn} times after it had come to rest"
            said = self._new_capture(CaptureState.UNSETTLED, began, stamp, moved_on, self._calm)
            news.append(said)
        elif began is not None and not self._recorded:
            is_brief = stamp.t_s - began.t_s < BRIEF_S
            if lifted or not is_brief:
                done = "lifted" if lifted else "stopped"
                news.append(self._left_early(began, stamp, why, done))
        if self._recorded and self._stops:
            self._stops.popleft()
        self._capture = self._began = self._moving_since_s = self._calm_since_s = None
        self._recorded = self._timed_out = self._is_disturbed = False
        self._withdrawn, self._unsaid = 0, None
        self._tracks, self._calm = {}, {}
        return news

    def _held(self, stamp: Stamp) -> Mapping[str, SettledValue]:
        """Give what had come to rest when the probe left, before it was announced."""
        when_s, values = self._unsaid or (0.0, {})
        return values if stamp.t_s - when_s <= GRACE_S else {}

    def _left_early(self, began: Stamp, stamp: Stamp, why: str, done: str) -> Capture | Event:
        elapsed_s = stamp.t_s - began.t_s
        text = why or f"{done} after {elapsed_s:.0f} s, before the numbers had settled"
        text = f"{text}: {self._why()}"
        if elapsed_s >= BRIEF_S:
            self._recorded = True
            return self._new_capture(CaptureState.UNSETTLED, began, stamp, text, self._calm)
        name = self._stops[0][0] if self._stops else ""
        water = f"; the next water is still taken as {name}" if name else ""
        data: dict[str, float | str] = {"elapsed_s": round(elapsed_s, 1)}
        return Event("left_unsettled", stamp, self._meter, text + water, data)

    def _new_capture(
        self,
        state: CaptureState,
        began: Stamp,
        stamp: Stamp,
        reason: str,
        standing: Mapping[str, Settling | None] | None = None,
    ) -> Capture:
        water, role = self._stops[0] if self._stops else ("", None)
        values = self._values(standing)
        return Capture(
            self._new_id(), self._meter, state, began, stamp, values, water, role, reason
        )

    def _values(
        self, standing: Mapping[str, Settling | None] | None = None
    ) -> dict[str, SettledValue]:
        """Give the values as they stand now, or as they stood (then without their budgets)."""
        values = {}
        for quantity, track in self._tracks.items():
            now = track.now if standing is None else standing.get(quantity)
            if now is None:
                continue
            values[quantity] = SettledValue(
                quantity,
                now.value,
                now.expanded_u,
                now.phase,
                now.drift_per_min,
                track.settled_after_s if now.phase == "settled" else None,
                reason="" if now.phase == "settled" else now.reason,
                budget=dict(track.settler.budget()) if standing is None else {},
            )
        return values

    def _why(self) -> str:
        """Say which required quantities are not settled, and what each does."""
        parts = []
        for quantity in self._tracks:
            if quantity not in self._waited_for:
                continue
            now = self._calm.get(quantity)
            flag = self._last.flags.get(quantity) if self._last else None
            if flag is not None:
                parts.append(f"{quantity} shows no usable number ({flag})")
            elif now is None:
                parts.append(f"{quantity} was never read")
            elif now.phase != "settled":
                parts.append(f"{quantity} {now.reason or now.phase}")
        return "; ".join(parts) or "all settled, but not at the same time"
