"""The rounds of a running daemon: one a meter, begun or taken up again, fed, ordered about.

Between the pure walk (`acquire.bench.walk`) and the daemon: reads plans and what the store knows of
their waters; what it gives is to be kept, in order.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, cast

from acquire.bench.desk import Desk
from acquire.bench.standing import Status
from acquire.checks import StandingCorrection
from acquire.config import Config
from acquire.errors import ConfigError
from acquire.readings import Capture, CaptureState, Channel, Event, Stamp
from acquire.rounds import GLIMPSED, Guidance, ParticleCount, Round, StopState
from acquire.store.records import Records

if TYPE_CHECKING:  # loaded with the first round: most daemons never begin one
    from acquire.bench.plan import Plan
    from acquire.bench.walk import Walk, WalkNews

__all__ = ["ORDERS", "BenchOf", "Walking", "guidance_event", "guidance_of", "plan_folders"]

ORDERS = ("round", "redo", "note", "answer", "skip", "stop")
"""What may be ordered of a round; `skip` and `stop` mean the waters named where there is none."""
_PAST = 10


def plan_folders(config: Config) -> tuple[Path, ...]:
    """Give where a person's own plans are: the folder `plans` beside the configuration."""
    return ((Path(config.file).parent if config.file else Path.cwd()) / "plans",)


@dataclass(frozen=True, slots=True)
class BenchOf:
    """A meter as it stands at the bench."""

    meter: str
    desk: Desk
    channels: tuple[Channel, ...]
    corrections: Mapping[str, StandingCorrection]
    is_typed: bool = False
    """A person reads it: nothing is seen of its probe."""


class Walking:
    """The rounds under way, by meter."""

    def __init__(self, config: Config, store: Path | None, new_id: Callable[[], str]) -> None:
        self._config = config
        self._store = store
        self._new_id = new_id
        self._walks: dict[str, Walk] = {}
        self._said: dict[str, Guidance] = {}

    def begin(
        self, at: BenchOf, wanted: str, stamp: Stamp, *, resume: bool = False, is_name: bool = True
    ) -> tuple[str, list[WalkNews]]:
        """Begin a round by a plan, or take the interrupted one up again.

        `wanted` is the plan; empty with `resume`: whichever was interrupted last.

        Raises:
            ConfigError: the plan cannot be used, or there is nothing to resume.

        """
        if self._store is None:
            raise ConfigError("a round is kept in a store, and nothing is recorded here")
        meter = at.meter
        under_way = self._walks.get(meter)
        if under_way is not None and not under_way.is_over:
            if resume:
                return f"round {under_way.course.round.id} goes on", []
            raise ConfigError(
                f"a round is under way with {meter}: {under_way.course.round.plan}. See it: "
                "`ouzel round --resume`; end it: `ouzel round --say stop`"
            )
        with Records.open(self._store) as records:
            rounds = records.rounds()
            open_ones = [one for one in rounds if one.meter == meter and one.state == "open"]
            if resume:
                found, plan = self._interrupted(open_ones, wanted)
            else:
                plan = self._plan(wanted, is_name=is_name)
                found = Round(self._new_id(), plan.name, plan.text, meter, stamp.at_ms, plan.stops)
            walk = self._walk(records, found, plan, at)
            # A new one takes up nothing: after a clock set back, earlier captures lie ahead of it.
            adopted = _later(records, rounds, found) if resume else []
            if resume:
                walk.recall(records.events(kind=GLIMPSED, meter=meter, since_ms=found.began_ms))
        self._walks[meter] = walk
        self._said.pop(meter, None)
        word = "goes on" if resume else "begins"
        data: dict[str, float | str] = {"round": found.id, "plan": plan.name}
        text = f"round {found.id} {word}: {plan.title}"
        event = Event("round_resumed" if resume else "round_began", stamp, meter, text, data)
        old = [
            replace(one, state="stopped", ended_ms=stamp.at_ms, visits=())
            for one in open_ones
            if one.id != found.id
        ]
        return text, [*old, replace(found, visits=()), event, *walk.adopt(adopted)]

    def _plan(self, wanted: str, *, is_name: bool) -> Plan:
        from acquire.bench.plan import find_plan, read_plan  # noqa: PLC0415

        path = find_plan(wanted, plan_folders(self._config), is_name=is_name)
        return read_plan(path, self._config.solutions(), tuple(self._config.quantities))

    def _interrupted(self, open_ones: Sequence[Round], wanted: str) -> tuple[Round, Plan]:
        from acquire.bench.plan import read_plan_text  # noqa: PLC0415

        name = Path(wanted).stem if wanted else ""
        found = [one for one in open_ones if name in {"", one.plan, one.id}]
        if not found:
            raise ConfigError("no interrupted round to go on with", found=wanted[:80] or None)
        last = found[-1]
        quantities = tuple(self._config.quantities)
        plan = read_plan_text(last.plan_text, last.plan, self._config.solutions(), quantities)
        return last, plan

    def _walk(self, records: Records, found: Round, plan: Plan, at: BenchOf) -> Walk:
        from acquire.bench.walk import Bench, Walk  # noqa: PLC0415
        from acquire.bench.walk_course import Course  # noqa: PLC0415
        from acquire.bench.walk_typed import TypedWalk  # noqa: PLC0415
        from acquire.bench.walk_which import Which  # noqa: PLC0415

        course = Course(found, records.visited(found))
        history = {}
        for water in {stop.water for stop in found.stops if stop.kind != "count"}:
            past = []
            for capture in records.captures(
                water=water, meter=found.meter, state=CaptureState.FINAL, until_ms=found.began_ms
            ):
                past.append(capture)
                if len(past) == _PAST:
                    break
            history[water] = past
        solutions = self._config.solutions()
        which = Which(course, at.channels, solutions, plan.expected, history)
        bench = Bench(at.channels, solutions, at.corrections)
        kind = TypedWalk if at.is_typed else Walk
        return kind(course, which, bench, at.desk.plan, new_id=self._new_id)

    # -- what goes by -----------------------------------------------------------------------

    def walk_of(self, meter: str) -> Walk | None:
        """Give the round under way with a meter; None when there is none."""
        walk = self._walks.get(meter)
        return None if walk is None or walk.is_over else walk

    def named(self, item: Capture | Event) -> Capture | Event:
        """Give a capture under the name of the water the round takes it for."""
        walk = self._walks.get(item.meter)
        return walk.named(item) if walk is not None and isinstance(item, Capture) else item

    def hear(self, item: Capture | Event) -> list[WalkNews]:
        walk = self.walk_of(item.meter)
        return [] if walk is None else walk.hear(item)

    def see(self, status: Status) -> list[WalkNews]:
        walk = self.walk_of(status.meter)
        return [] if walk is None else walk.see(status)

    def counted(
        self, count: ParticleCount, stamp: Stamp
    ) -> tuple[ParticleCount, str, list[WalkNews]]:
        """Give a count as the round that waits for it takes it, its meter, and what follows.

        The meter is empty where no round does.
        """
        for meter, walk in self._walks.items():
            round_ = walk.course.round
            if walk.is_over or count.round_id not in {"", round_.id}:
                continue
            news = walk.counted(count, stamp)
            if news:
                role = count.role or walk.role_of(count.water)
                return replace(count, round_id=round_.id, role=role), meter, news
        return count, "", []

    def taken_back(
        self, count_id: str, stamp: Stamp, *, is_back: bool
    ) -> tuple[str, list[WalkNews]]:
        """A count was withdrawn, or counts again: give the meter of its round, and what follows."""
        for meter, walk in self._walks.items():
            news = [] if walk.is_over else walk.taken_back(count_id, stamp, is_back=is_back)
            if news:
                return meter, news
        return "", []

    def guidance(self, meter: str) -> Guidance | None:
        """Give what is to be said, when it has changed."""
        walk = self._walks.get(meter)
        if walk is None:
            return None
        said = walk.guidance()
        if self._said.get(meter) == said:
            return None
        self._said[meter] = said
        if walk.is_over:
            self._walks.pop(meter)
        return said

    def drop(self, meter: str) -> None:
        """Follow a round no longer; it stays open, and can be resumed."""
        self._walks.pop(meter, None)
        self._said.pop(meter, None)

    def order(self, word: str, meter: str, text: str, stamp: Stamp) -> tuple[str, list[WalkNews]]:
        """Carry out a word of a person; ValueError says why not."""
        walk = self.walk_of(meter)
        if walk is None:
            raise ValueError(f"no round is under way with {meter}")
        match word:
            case "skip":
                return walk.skip(stamp)
            case "redo":
                return walk.redo()
            case "note":
                return walk.note(text, stamp)
            case "answer":
                return walk.answer(text, stamp)
            case "stop":
                return walk.stop(stamp)
        raise ValueError(f"no such order: {word[:40]!r}")


def _later(records: Records, rounds: Sequence[Round], found: Round) -> list[Capture]:
    """Give what was captured for an interrupted round after its last visit, in order.

    A clock set back puts captures of earlier rounds there as well: those have a round already.
    """
    taken = {visit.capture_id for one in rounds for visit in one.visits}
    since_ms = max((v.at_ms for v in found.visits), default=found.began_ms)
    later = [
        capture
        for capture in records.captures(
            meter=found.meter, state=CaptureState.FINAL, since_ms=since_ms
        )
        if capture.id not in taken and capture.water
    ]
    return later[::-1]


def guidance_event(said: Guidance, stamp: Stamp) -> Event:
    """Give guidance as an event, which another process can read in the store."""
    data: dict[str, float | str] = {
        "round": said.round_id,
        "plan": said.plan,
        "position": said.position,
        "then": said.then,
        "question": said.question,
        "answers": "\n".join(said.answers),
        "warnings": "\n".join(said.warnings),
        "stops": "\n".join(f"{state}\t{text}" for text, state in said.stops),
        "over": str(said.is_over),
    }
    return Event("guidance", stamp, said.meter, said.say, data)


def guidance_of(event: Event) -> Guidance:
    """Read guidance back from its event."""
    said = {name: str(value) for name, value in event.data.items()}
    stops = [line.partition("\t") for line in said["stops"].splitlines()]
    return Guidance(
        event.meter,
        said["round"],
        said["plan"],
        int(float(said["position"])),
        event.text,
        said["then"],
        tuple((text, cast("StopState", state)) for state, _, text in stops),
        said["question"],
        tuple(said["answers"].splitlines()),
        tuple(said["warnings"].splitlines()),
        said["over"] == "True",
    )
