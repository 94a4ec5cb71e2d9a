"""The walk, told as stories: what the bench shows, what a person says, what becomes of it."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import pytest

from acquire.bench.standing import Row, Status
from acquire.bench.walk import Bench, Walk
from acquire.bench.walk_course import Course
from acquire.bench.walk_which import ANOTHER, Which
from acquire.readings import Capture, CaptureState, Channel, Role, SettledValue, Stamp
from acquire.rounds import ParticleCount, Round, Stop, Visit
from acquire.water.solutions import built_in_solutions

CHANNELS = (
    Channel("ph", 0.01, accuracy=0.05),
    Channel("conductivity", 1.0, accuracy_relative=0.02, reference_c=25.0, coefficient=0.02),
    Channel("temperature", 0.1, accuracy=0.5),
)
RINSE = Stop("rinse", "distilled", Role.RINSE, least_s=20.0)
CHECK = Stop("check", "Technical pH buffer 7.00", Role.SOLUTION, "buffer-7.00")
RO = Stop("water", "ro", Role.REFERENCE)
TAP = Stop("water", "tap", Role.SUBJECT)
T0_MS, T0_S = 1_790_000_000_000, 1000.0
RO_READS, TAP_READS = (6.2, 14.0, 21.0), (7.6, 480.0, 21.0)


@dataclass
class Settled:
    value: float
    phase: str = "settled"
    expanded_u: float = 0.02
    drift_per_min: float = 0.0
    eta_s: float | None = None
    reason: str = ""


class Seat:
    def __init__(self):
        self.next = None

    def expect(self, water, role=None):
        self.next = (water, role)

    def expect_nothing(self):
        self.next = None


class Story:
    def __init__(self, *stops, expected=None, history=None, round_=None, captures=()):
        ids = itertools.count(1)
        round_ = round_ or Round("r1", "sunday", "", "kitchen", T0_MS, stops)
        self.course = Course(round_, captures)
        self.seat = Seat()
        self.ids = (f"c{n}" for n in ids)
        solutions = built_in_solutions()
        which = Which(self.course, CHANNELS, solutions, expected or {}, history or {})
        bench = Bench(CHANNELS, solutions)
        self.walk = Walk(self.course, which, bench, self.seat, new_id=lambda: next(self.ids))
        self.t_s, self.dips, self.news = T0_S, 0, []

    def stamp(self):
        return Stamp(T0_MS + int((self.t_s - T0_S) * 1e3), int(self.t_s * 1e9))

    def status(self, medium, elapsed_s=0.0, reads=None, capture=None):
        rows = ()
        if reads is not None:
            rows = tuple(
                Row(c.quantity, v, None, Settled(v), True)
                for c, v in zip(CHANNELS, reads, strict=True)
            )
        status = Status("kitchen", self.stamp(), medium, self.dips, elapsed_s, "", rows, capture)
        self.news += self.walk.see(status)

    def air(self, for_s=10.0):
        self.t_s += for_s
        self.status("air")
        return self

    def dip(self, for_s, reads=None):
        """In a water for so long; without a capture."""
        self.dips += 1
        began_s = self.t_s
        self.t_s += for_s
        self.status("water", self.t_s - began_s, reads)
        return self

    def take(self, reads, for_s=90.0, *, lift=True, state=CaptureState.FINAL):
        """Leave it in until there is a capture, then lift it."""
        self.dips += 1
        began = self.stamp()
        self.t_s += for_s
        values = {
            c.quantity: SettledValue(c.quantity, v, 0.02, "settled", 0.0, 60.0)
            for c, v in zip(CHANNELS, reads, strict=True)
        }
        self.capture = Capture(
            next(self.ids), "kitchen", CaptureState.PROVISIONAL, began, self.stamp(), values
        )
        self.capture = self.walk.named(self.capture)
        self.news += self.walk.hear(self.capture)
        self.status("water", for_s, reads, self.capture)
        if lift:
            self.lift()
        return self

    def lift(self):
        self.t_s += 5.0
        self.capture = self.walk.named(replace(self.capture, state=CaptureState.FINAL))
        self.news += self.walk.hear(self.capture)
        self.status("air")
        return self

    def say(self, word, *text):
        said, news = getattr(self.walk, word)(*text, self.stamp())
        self.news += news
        return said

    def states(self):
        return [(v.position, v.repeat, v.state) for v in self.course.visits]

    def flags(self, position):
        return " | ".join(f for v in self.course.visits if v.position == position for f in v.flags)


def test_the_person_only_moves_the_probe():
    story = Story(CHECK, RINSE, RO, TAP)
    assert "Technical pH buffer 7.00" in story.walk.guidance().say
    story.air().take((7.02, 6100.0, 21.0)).air().dip(30.0).air()
    assert story.seat.next == ("ro", Role.REFERENCE)
    story.take(RO_READS).air().take(TAP_READS)
    assert story.states() == [(n, 1, "taken") for n in range(4)]
    guidance = story.walk.guidance()
    assert guidance.is_over
    assert story.course.round.state == "done"
    assert [n.state for n in story.news if isinstance(n, Round)] == ["done"]
    names = [c.water for c in story.course.captures.values()]
    assert names == [CHECK.water, "ro", "tap"]
    assert not any(v.flags for v in story.course.visits)


def test_a_check_is_judged_and_one_that_fails_is_flagged():
    story = Story(CHECK, RO).take((7.4, 6100.0, 21.0))
    verdicts = [n.verdict for n in story.news if type(n).__name__ == "Check"]
    assert verdicts == ["fail"]
    assert "check of ph fails: 7.4" in story.flags(0)


def test_a_rinse_too_short_is_told_and_the_stop_stays():
    story = Story(RINSE, RO).dip(8.0).air()
    assert story.course.current == 0
    assert "Rinsed for 8 s only" in story.walk.guidance().warnings[0]
    story.dip(14.0).air()
    assert story.course.current == 1


def test_a_rinse_left_out_is_seen_by_what_the_next_water_reads():
    story = Story(CHECK, RINSE, TAP, expected={"tap": {"conductivity": (400.0, 600.0)}})
    story.take((7.0, 6100.0, 21.0)).air().take(TAP_READS)
    assert story.states()[1:] == [(1, 1, "skipped"), (2, 1, "taken")]
    assert story.capture.water == "tap"
    assert "rinse left out" in story.flags(1)
    assert "left out" in story.flags(2)


def test_a_wrong_water_is_asked_about_and_the_answer_moves_it():
    story = Story(
        RO, TAP, expected={"ro": {"conductivity": (0, 60)}, "tap": {"conductivity": (400, 600)}}
    )
    story.take(TAP_READS, lift=False)
    asked = story.walk.guidance()
    assert asked.answers == ("tap", "ro", ANOTHER)
    assert "conductivity 480" in asked.question.lower()
    story.say("answer", "1")
    story.lift()
    assert story.capture.water == "tap"
    assert story.capture.role is Role.SUBJECT
    assert story.states() == [(1, 1, "taken")]
    assert story.course.current == 0


def test_a_wrong_water_nobody_answers_for_is_flagged_and_may_be_answered_later():
    story = Story(RO, TAP, expected={"ro": {"conductivity": (0, 60)}})
    story.take(TAP_READS)
    assert "perhaps another water" in story.flags(0)
    story.say("answer", ANOTHER)
    assert story.states() == [(0, 1, "set aside")]
    renamed = [n for n in story.news if isinstance(n, Capture)]
    assert renamed[-1].water == ""
    assert story.course.current == 0


def test_one_glass_taken_twice_is_noticed_without_any_expectation():
    story = Story(RO, TAP).take(RO_READS).air().take(RO_READS)
    assert "it reads like ro" in story.flags(1)
    assert "tap reads like it" in story.flags(0)


def test_air_and_brief_dips_give_nothing_and_lifting_early_is_told():
    story = Story(RO).air(60.0).dip(30.0).air()
    assert story.states() == []
    assert "lifted after 30 s" in story.walk.guidance().warnings[0]
    story.take(RO_READS)
    assert "lifted after 30 s" in story.flags(0)


def test_waters_more_than_two_degrees_apart_are_warned_of_and_flagged():
    story = Story(RO, TAP).take(RO_READS).air().take((7.6, 480.0, 16.0), lift=False)
    assert "5.0 °C colder than ro" in story.walk.guidance().warnings[0]
    assert "5.0 °C colder than ro" in story.lift().flags(1)


def test_a_first_repeat_that_leans_to_the_strong_water_before_it_is_carry_over():
    story = Story(CHECK, replace(RO, repeats=3)).take((7.0, 6100.0, 21.0)).air()
    story.take((6.2, 19.0, 21.0)).air().take((6.2, 14.0, 21.0)).air().take((6.2, 14.1, 21.0))
    assert "carry-over: conductivity" in story.flags(1)
    clean = Story(CHECK, replace(RO, repeats=2)).take((7.0, 6100.0, 21.0)).air()
    clean.take((6.2, 14.0, 21.0)).air().take((6.2, 14.0, 21.0))
    assert "carry-over" not in clean.flags(1)


def test_skip_redo_note_and_stop():
    story = Story(RINSE, RO, TAP)
    assert "left out" in story.say("skip")
    story.take(RO_READS).air()
    story.say("note", "a bubble")
    assert story.course.visits[-1].note == "a bubble"
    said, news = story.walk.redo()
    assert said == "again: ro (reference)"
    assert [n.state for n in news if isinstance(n, Visit)] == ["set aside"]
    assert story.course.current == 1
    story.take(RO_READS, lift=False)
    story.walk.redo()
    story.lift().air()
    assert story.course.current == 1
    story.say("stop")
    assert story.course.round.state == "stopped"
    assert story.seat.next is None
    assert story.walk.see(Status("kitchen", story.stamp(), "water", 9, 5.0, "", (), None)) == []


def test_particles_are_counted_by_an_answer():
    story = Story(Stop("count", "tap"))
    with pytest.raises(ValueError, match="3 0 2 1"):
        story.say("answer", "a few")
    assert story.say("answer", "3 0 2") == "5 in 3 fields of tap"
    (count,) = [n for n in story.news if isinstance(n, ParticleCount)]
    assert count.fields == (3, 0, 2)
    assert story.course.is_over


def test_an_interrupted_round_goes_on_and_takes_in_what_was_kept_after_the_last_visit():
    first = Story(RO, TAP).take(RO_READS)
    taken = Stamp(first.capture.taken.at_ms + 60_000, 0)
    late = replace(first.capture, id="late", water="tap", role=Role.SUBJECT, taken=taken)
    again = Story(round_=first.course.round, captures=first.course.captures.values())
    assert again.course.current == 1
    again.walk.adopt([late])
    assert again.course.is_over
    assert again.course.visits[-1].capture_id == "late"


def test_a_question_is_answered_only_by_what_may_be_answered():
    story = Story(RO)
    with pytest.raises(ValueError, match="nothing is asked"):
        story.say("answer", "1")
