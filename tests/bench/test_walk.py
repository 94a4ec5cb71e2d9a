"""The walk, told as stories: what the bench shows, what a person says, what becomes of it."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import pytest

from acquire.bench.flagged import is_grave
from acquire.bench.standing import Row, Status
from acquire.bench.walk import Bench, Walk
from acquire.bench.walk_course import Course
from acquire.bench.walk_glimpse import Seen
from acquire.bench.walk_typed import RINSED, TypedWalk
from acquire.bench.walk_which import ANOTHER, Which
from acquire.readings import Capture, CaptureState, Channel, Event, Role, SettledValue, Stamp
from acquire.rounds import GLIMPSED, ParticleCount, Round, Stop, Visit
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
QUANTITIES = tuple(channel.quantity for channel in CHANNELS)
RO_READS, TAP_READS = (6.2, 14.0, 21.0), (7.6, 480.0, 21.0)


def reading_of(reads):
    """A capture of some other day."""
    values = {
        q: SettledValue(q, v, 0.02, "settled", 0.0, 60.0)
        for q, v in zip(QUANTITIES, reads, strict=True)
    }
    at = Stamp(T0_MS - 86_400_000, 0)
    return Capture("past", "kitchen", CaptureState.FINAL, at, at, values)


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

    def expect(self, water, role=None, judged=()):
        self.next, self.judged = (water, role), judged

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

    def status(self, medium, elapsed_s=0.0, reads=None, capture=None, phase="settled"):
        rows = ()
        if reads is not None:
            rows = tuple(
                Row(c.quantity, v, None, Settled(v, phase), True)
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
        standing = CaptureState.PROVISIONAL if state is CaptureState.FINAL else state
        self.capture = Capture(next(self.ids), "kitchen", standing, began, self.stamp(), values)
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


def test_a_water_whose_name_another_begins_with_is_not_doubted_for_it():
    filtered, well = Stop("water", "tap filtered", Role.REFERENCE), Stop("water", "well")
    known = {"well": {"conductivity": (900.0, 1100.0)}, "tap": {"conductivity": (400.0, 600.0)}}
    story = Story(TAP, filtered, well, expected=known)
    for reads in (TAP_READS, RO_READS, RO_READS):
        story.air().take(reads)
    assert "much like tap filtered" in story.flags(2)
    assert "right glass" in story.flags(1)
    assert story.flags(0) == ""


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


# -- ways a round goes that no plan foresees ----------------------------------------------------


RO_OR_TAP = {"ro": {"conductivity": (0, 60)}, "tap": {"conductivity": (400, 600)}}


def test_what_does_not_come_to_rest_is_kept_when_it_was_waited_for():
    story = Story(RO, TAP).take(RO_READS, lift=False, state=CaptureState.UNSETTLED)
    assert "does not come to rest" in story.walk.guidance().say
    story.status("air")
    assert story.states() == [(0, 1, "taken")]
    assert "did not come to rest" in story.flags(0)


def test_what_did_not_settle_and_was_lifted_at_that_moment_is_set_aside_and_the_stop_stays():
    story = Story(RO, TAP).dip(80.0)
    assert "Leave the probe still" in story.walk.guidance().say
    at = story.stamp()
    began = Stamp(at.at_ms - 80_000, at.mono_ns - 80 * 10**9)
    record = Capture("u1", "kitchen", CaptureState.UNSETTLED, began, at, {})
    story.walk.hear(story.walk.named(record))
    story.status("air")
    assert story.states() == [(0, 1, "set aside")]
    assert "lifted after 80 s" in story.flags(0)
    assert story.course.current == 0


def test_a_capture_that_was_discarded_is_set_aside_and_said_to_be():
    story = Story(RO, TAP).take(RO_READS, lift=False)
    story.walk.redo()
    assert "Set aside" in story.walk.guidance().say
    story.lift()
    assert story.states() == [(0, 1, "set aside")]
    story.take(RO_READS)
    assert "done again" in story.flags(0)


def test_a_withdrawn_capture_keeps_its_name_and_gives_no_visit():
    story = Story(RO, TAP).take(RO_READS, lift=False)
    gone = replace(story.capture, state=CaptureState.WITHDRAWN, water="", role=None)
    named = story.walk.named(gone)
    assert (named.water, named.role) == ("ro", Role.REFERENCE)
    assert story.walk.hear(named) == []
    assert story.states() == []
    assert story.walk.named(replace(gone, id="unheard")).water == ""


def test_a_probe_settled_but_not_long_enough_is_left_in():
    story = Story(RO, TAP, expected=RO_OR_TAP).take(RO_READS, lift=False)
    assert "Captured. Lift" in story.walk.guidance().say
    status = Status("kitchen", story.stamp(), "water", 1, 90.0, "", (), story.capture, 20.0)
    story.walk.see(status)
    assert "half a minute more" in story.walk.guidance().say


def test_a_capture_that_follows_one_taken_back_is_not_told_to_be_lifted_before_it_has_stood():
    story = Story(RO, TAP, expected=RO_OR_TAP).take(RO_READS, lift=False)
    assert "Captured. Lift" in story.walk.guidance().say
    gone = replace(story.capture, state=CaptureState.WITHDRAWN, reason="came to rest elsewhere")
    story.walk.hear(story.walk.named(gone))
    assert story.walk.guidance().say == "ro moved on after all. Leave the probe still in it."
    story.walk.hear(story.walk.named(replace(story.capture, id="c9")))
    assert "half a minute more" in story.walk.guidance().say


def test_a_rinse_is_counted_while_it_goes_on():
    story = Story(RINSE, RO).dip(8.0)
    assert "Rinsing: move the probe about" in story.walk.guidance().say
    story.t_s += 20.0
    story.status("water", 28.0)
    assert story.walk.guidance().say.startswith("Rinsed.")
    story.air()
    assert story.course.current == 1


def test_a_stop_that_is_left_out_while_the_probe_is_in_it_passes_it_on_to_the_next():
    story = Story(RO, TAP).dip(10.0)
    assert story.say("skip").startswith("left out: ro")
    story.take(TAP_READS)
    assert story.states() == [(0, 1, "skipped"), (1, 1, "taken")]
    assert story.say("skip") == "the round is over"
    assert story.say("stop") == "the round is over"


def test_there_may_be_nothing_to_do_again_and_nothing_to_note():
    story = Story(RO, TAP)
    assert story.walk.redo() == ("nothing to do again yet", [])
    assert story.say("note", "   ") == "an empty note is not kept"
    assert story.say("note", "warm day") == "noted for this stop"
    assert story.say("note", "windows open") == "noted for this stop"
    story.take(RO_READS).air()
    assert story.course.visits[0].note == "warm day; windows open"
    story.say("note", "a bubble")
    assert story.course.visits[0].note == "warm day; windows open; a bubble"


def test_a_visit_taken_back_while_the_probe_is_in_the_next_water_is_that_waters():
    story = Story(RO, TAP).take(RO_READS).air().dip(10.0)
    said, _ = story.walk.redo()
    assert said == "again: ro (reference)"
    assert story.walk.guidance().position == 0


def test_one_who_says_that_it_is_the_right_water_is_believed_and_it_is_kept_that_he_said_so():
    for lift in (False, True):
        story = Story(RO, TAP, expected=RO_OR_TAP).take(TAP_READS, lift=lift)
        with pytest.raises(ValueError, match="answer with one of"):
            story.say("answer", "the sea")
        assert story.say("answer", "RO") == "ro: noted"
        if not lift:
            story.lift()
        assert "somebody said that it is ro" in story.flags(0)
        assert story.states() == [(0, 1, "taken")]


def test_a_late_answer_moves_what_was_kept_to_the_stop_it_belongs_to():
    story = Story(RO, TAP, expected=RO_OR_TAP).take(TAP_READS)
    assert "was the probe" in story.walk.guidance().question
    story.say("answer", "tap")
    assert sorted(story.states()) == [(0, 1, "set aside"), (1, 1, "taken")]
    (renamed,) = [n for n in story.news if isinstance(n, Capture)]
    assert (renamed.water, renamed.role) == ("tap", Role.SUBJECT)
    assert story.course.current == 0


def test_a_probe_in_none_of_the_waters_is_told_to_come_out():
    story = Story(RO, TAP, expected=RO_OR_TAP).take(TAP_READS, lift=False)
    story.say("answer", ANOTHER)
    assert "none of the waters" in story.walk.guidance().say
    story.lift()
    assert story.states() == []
    assert story.capture.water == ""


BOTH_PURE = (Stop("rinse", "ro", Role.RINSE, least_s=20.0), RO, TAP)


@pytest.mark.parametrize("answer", ["ro rinse", "next", "another"])
def test_a_rinse_that_may_be_the_next_water_is_asked_about(answer):
    """Rinse and reference read alike: only the person knows in which the probe is."""
    story = Story(RINSE, RO, TAP).take(RO_READS, lift=False)
    asked = story.walk.guidance()
    assert asked.answers == ("ro", "distilled", ANOTHER)
    chosen = {"ro rinse": "distilled", "next": "ro", "another": ANOTHER}[answer]
    story.say("answer", chosen)
    story.lift()
    if answer == "next":
        assert story.states() == [(0, 1, "skipped"), (1, 1, "taken")]
        assert "rinse left out" in story.flags(0)
    elif answer == "ro rinse":
        assert story.states() == [(0, 1, "taken")]
    else:
        assert story.states() == []


def test_a_rinse_in_the_water_that_is_measured_next_is_one_until_all_has_settled():
    story = Story(*BOTH_PURE).dip(30.0, RO_READS).air()
    assert story.states() == [(0, 1, "taken")]
    long = Story(*BOTH_PURE).take(RO_READS)
    assert long.states() == [(0, 1, "skipped"), (1, 1, "taken")]


def test_a_count_made_elsewhere_is_the_visit_of_its_stop_and_is_taken_back_and_again():
    story = Story(Stop("count", "tap"), RO)
    count = ParticleCount("n1", T0_MS, "tap", (1, 2))
    assert story.walk.counted(replace(count, water="jug"), story.stamp()) == []
    assert [v.count_id for v in story.walk.counted(count, story.stamp())] == ["n1"]
    assert story.walk.counted(replace(count, id="n2"), story.stamp()) == []
    assert story.course.current == 1
    story.walk.taken_back("n1", story.stamp(), is_back=False)
    assert story.course.current == 0
    story.walk.taken_back("n1", story.stamp(), is_back=True)
    assert story.walk.taken_back("unknown", story.stamp(), is_back=True) == []
    assert story.course.current == 1


def test_after_the_last_stop_nothing_is_heard_any_more():
    story = Story(RO).take(RO_READS)
    assert story.walk.hear(story.capture) == []
    assert story.walk.named(replace(story.capture, id="x", water="tap")).water == "tap"
    assert story.course.round.state == "done"


def test_the_probe_may_go_into_water_while_only_a_count_is_left():
    story = Story(RO, Stop("count", "ro")).take(RO_READS).air().take(TAP_READS)
    assert story.states() == [(0, 1, "taken")]
    assert story.capture.water == ""
    assert "Count the particles of ro" in story.walk.guidance().say


# -- a round whose meter a person reads ---------------------------------------------------------


class Typed(Story):
    def __init__(self, *stops, **more):
        super().__init__(*stops, **more)
        solutions = built_in_solutions()
        which = Which(self.course, CHANNELS, solutions, more.get("expected") or {}, {})
        bench = Bench(CHANNELS, solutions)
        self.walk = TypedWalk(self.course, which, bench, self.seat, new_id=lambda: next(self.ids))

    def type(self, reads, water="", state=CaptureState.FINAL):
        self.t_s += 60.0
        values = {
            c.quantity: SettledValue(c.quantity, v, 0.02, "settled", 0.0, 60.0, "typed")
            for c, v in zip(CHANNELS, reads, strict=True)
        }
        capture = Capture(
            next(self.ids), "kitchen", state, self.stamp(), self.stamp(), values, water
        )
        self.capture = self.walk.named(capture)
        self.news += self.walk.hear(self.capture)
        return self


def test_a_typed_round_says_type_and_asks_whether_it_was_rinsed():
    story = Typed(RO, RINSE, TAP)
    assert "Once the numbers stand still, type them." in story.walk.guidance().say
    story.type(RO_READS)
    asked = story.walk.guidance()
    assert (asked.question, asked.answers) == ("Is the probe rinsed?", (RINSED,))
    with pytest.raises(ValueError, match="answer with: rinsed"):
        story.say("answer", "tap")
    assert story.say("answer", "1") == "rinsed: distilled"
    story.type(TAP_READS)
    assert story.states() == [(n, 1, "taken") for n in range(3)]
    assert not any(v.flags for v in story.course.visits)
    assert story.walk.guidance().is_over
    assert story.walk.named(story.capture) == story.capture


def test_typing_on_without_a_word_passes_over_the_rinse_and_keeps_the_note():
    story = Typed(RO, RINSE, TAP).type(RO_READS)
    story.say("note", "second glass")
    story.type(TAP_READS)
    assert story.states() == [(0, 1, "taken"), (1, 1, "skipped"), (2, 1, "taken")]
    assert "nobody said that it was done" in story.flags(1)
    assert "second glass" in " ".join(v.note for v in story.course.visits)


def test_the_name_typed_with_a_capture_chooses_its_stop():
    story = Typed(RO, RINSE, TAP).type(TAP_READS, "tap")
    assert story.states() == [(1, 1, "skipped"), (2, 1, "taken")]
    assert story.course.current == 0
    story.type((8.1, 900.0, 21.0), "the sea")
    assert story.capture.water == "the sea"
    assert story.states() == [(1, 1, "skipped"), (2, 1, "taken")]


def test_numbers_typed_while_they_moved_are_set_aside_and_the_stop_stays():
    story = Typed(RO, TAP).type(RO_READS, state=CaptureState.UNSETTLED)
    assert story.states() == [(0, 1, "set aside")]
    assert "still moving" in story.flags(0)
    assert "type again" in story.walk.guidance().warnings[0]
    story.type(RO_READS)
    assert story.course.current == 1


def test_a_typed_round_counts_too_and_hears_no_event():
    story = Typed(Stop("count", "tap"), RINSE)
    assert "type them" not in story.walk.guidance().say
    assert story.walk.hear(Event("note", story.stamp(), "kitchen")) == []
    story.type(TAP_READS)  # no water is due
    assert story.states() == []
    assert story.say("answer", "1 2") == "3 in 2 fields of tap"


def test_a_capture_made_in_the_glass_of_the_rinse_is_asked_about():
    story = Story(RINSE, RO).dip(30.0, (6.3, 2.7, 21.0)).air().take((6.3, 2.6, 21.0), lift=False)
    assert story.walk.guidance().answers == ("ro", "distilled", ANOTHER)
    assert "reads like distilled" in story.lift().flags(1)
    other = Story(RINSE, RO).dip(30.0, (6.3, 2.7, 21.0)).air().take(RO_READS)
    assert other.flags(1) == ""


def test_what_the_film_left_in_a_rinse_does_not_hide_its_glass():
    story = Story(replace(RO, repeats=2), RINSE, TAP, replace(RO, water="well"))
    story.take((6.1, 4.3, 18.0)).air()
    story.course.keep(Visit("r1", 1, 1, "set aside", T0_MS))
    story.walk._which.learn_rinse("distilled", Seen(3.0, 12.8, 20.1))
    story.take((6.1, 3.9, 19.9))
    assert "reads like distilled" in story.flags(0)


def test_no_buffer_conducts_as_little_as_a_rinse():
    story = Story(CHECK, TAP).take((6.9, 3.0, 21.0), lift=False)
    assert "where above 1900 was expected" in story.walk.guidance().question


def test_a_hard_tap_water_in_the_place_of_a_buffer_is_asked_about_at_once():
    story = Story(CHECK, TAP).take((7.47, 764.0, 21.0), lift=False)
    said = story.walk.guidance()
    assert "Conductivity 764 where above 1900 was expected (the solution)" in said.question
    assert said.answers == (CHECK.water, ANOTHER)
    story.say("answer", ANOTHER)
    story.lift()
    assert story.states() == []
    assert f"Put the probe into {CHECK.water}" in story.walk.guidance().say


@pytest.mark.parametrize("ph", [6.45, 6.7, 7.3, 7.55])
def test_a_worn_probe_in_its_buffer_is_told_to_fail_and_not_asked_about(ph):
    story = Story(CHECK, RINSE, TAP).take((ph, 6100.0, 21.0))
    assert not story.walk.guidance().question
    story.dip(30.0).air().take((ph + 0.3, 480.0, 21.0))
    assert "check of ph fails" in story.flags(0)
    assert not is_grave([story.flags(0)])
    assert not is_grave([story.flags(2)])


def test_weak_vinegar_is_no_other_water_for_conducting_little():
    vinegar = Stop("check", "vinegar", Role.SOLUTION, "vinegar-1-in-20")
    story = Story(vinegar, RINSE, TAP).take((3.05, 340.0, 21.0), lift=False)
    assert not story.walk.guidance().question


MINERAL_READS = (7.4, 2150.0, 21.0)


def test_a_failed_check_that_reads_what_a_water_of_the_round_reads_is_flagged_afterwards():
    """A very hard water conducts as a buffer may: only the water itself tells it later."""
    story = Story(CHECK, RINSE, TAP, RO).take(MINERAL_READS)
    assert not is_grave([story.flags(0)])
    story.dip(30.0).air().take(MINERAL_READS)
    assert "tap reads the same as this check, which did not pass" in story.flags(0)
    assert is_grave([story.flags(0)])
    story.walk.redo()
    assert not is_grave([story.flags(0)])


def test_a_check_that_did_not_pass_is_not_doubted_for_a_water_captured_in_its_bottle():
    """The water is unlike all that is known of it: that capture is the mistake."""
    story = Story(CHECK, RINSE, replace(TAP, repeats=2), RO, expected=RO_OR_TAP)
    story.take((7.4, 6100.0, 21.0)).dip(30.0).air().take(TAP_READS).air()
    story.take((7.4, 6100.0, 21.0))
    assert "where about 480 was expected" in story.flags(2)
    assert "check of ph fails" in story.flags(0)
    assert not is_grave([story.flags(0)])


def test_a_check_is_doubted_also_where_the_water_is_asked_about_for_reading_like_it():
    """A very hard water in both glasses, and nobody answers: either may be the mistake."""
    story = Story(CHECK, RINSE, TAP, RO).take((7.2, 2150.0, 21.0))
    story.dip(30.0).air().take((7.2, 2150.0, 21.0))
    assert "it reads like Technical pH buffer 7.00" in story.flags(2)
    assert "tap reads the same as this check" in story.flags(0)


@pytest.mark.parametrize(
    ("check_reads", "water_reads"),
    [
        ((7.02, 2150.0, 21.0), (7.02, 2150.0, 21.0)),  # it passed, whatever it was
        ((7.4, 6100.0, 21.0), MINERAL_READS),
        ((7.4, 2150.0, 21.0), (7.9, 2150.0, 21.0)),
    ],
)
def test_a_check_that_passed_or_reads_otherwise_than_the_waters_is_not(check_reads, water_reads):
    story = Story(CHECK, RINSE, TAP).take(check_reads)
    story.dip(30.0).air().take(water_reads)
    assert "reads the same" not in story.flags(0)


def test_a_lift_that_only_the_cell_shows_is_flagged():
    story = Story(RO)
    story.dips += 1
    began_s = story.t_s
    for conducts in [2.0] * 20 + [0.0] * 8 + [2.0] * 20:
        story.t_s += 1.0
        story.status("water", story.t_s - began_s, (6.1, conducts, 21.0))
    story.dips -= 1
    began = Stamp(T0_MS, int(began_s * 1e9))
    values = {"conductivity": SettledValue("conductivity", 2.0, 0.02, "settled", 0.0, 60.0)}
    capture = Capture("c", "kitchen", CaptureState.FINAL, began, story.stamp(), values)
    story.walk.hear(story.walk.named(capture))
    assert "for 8 s the cell read as in air" in story.flags(0)


def test_one_odd_repeat_of_three_is_doubted_and_the_others_are_not():
    story = Story(replace(TAP, repeats=3)).take(TAP_READS).air().take((7.9, 700.0, 21.0))
    assert "other repeats read otherwise" in story.flags(0)
    story.air().take(TAP_READS)
    odd = [v.repeat for v in story.course.visits if any("otherwise" in f for f in v.flags)]
    assert odd == [2]


def test_what_somebody_said_to_be_the_water_outweighs_repeats_that_read_otherwise():
    story = Story(RINSE, replace(RO, repeats=3), TAP).dip(30.0, (6.3, 2.0, 21.0)).air()
    for _ in range(2):
        story.take((6.2, 26.0, 21.0)).air()
    assert story.flags(1) == ""
    story.take(RO_READS, lift=False)
    assert "26 was expected" in story.walk.guidance().question
    story.say("answer", "ro")
    story.lift()
    odd = [v.repeat for v in story.course.visits if any("otherwise" in f for f in v.flags)]
    assert odd == [1, 2]


def test_who_was_asked_and_answers_is_believed():
    story = Story(RO, TAP).take(RO_READS).air().take(RO_READS, lift=False)
    story.say("answer", "tap")
    story.lift()
    assert story.flags(1) == "somebody said that it is tap"
    assert "tap reads like it" in story.flags(0)


def test_what_a_mistaken_capture_said_of_others_goes_with_it():
    story = Story(RO, TAP, replace(RO, water="well")).take(RO_READS).air().take(RO_READS).air()
    assert "tap reads like it" in story.flags(0)
    assert "Before, which water was the probe in?" in story.walk.guidance().question
    story.say("answer", ANOTHER)
    assert "tap reads like it" not in story.flags(0)


def test_a_film_that_washes_off_is_no_lift_and_the_rinse_is_remembered():
    story = Story(RINSE, RO)
    story.dips += 1
    began_s = story.t_s
    for conducts in [900.0, 300.0, 100.0, 30.0] + [2.0] * 40:
        story.t_s += 1.0
        story.status("water", story.t_s - began_s, (6.3, conducts, 21.0))
    story.air().take((6.3, 2.0, 21.0))
    assert "reads like distilled" in story.flags(1)
    assert "as in air" not in story.flags(1)


# -- what was seen in passing -------------------------------------------------------------------


def pass_through(story, shown, temp_c=21.0):
    """A stay in which nothing settles, seen second by second."""
    story.dips += 1
    began_s = story.t_s
    for conducts in shown:
        story.t_s += 1.0
        reads = (6.3, conducts, temp_c)
        story.status("water", story.t_s - began_s, reads, phase="moving")
    return story.air()


FILM = [round(2.5 + 90.0 * 0.95**second) for second in range(24)]


def test_a_film_of_buffer_in_the_rinse_makes_no_doubt_of_the_water_behind_it():
    """What the cell showed last was 29 µS/cm, on its way to 2.5."""
    story = Story(CHECK, RINSE, RO).take((7.0, 6100.0, 21.0)).air()
    pass_through(story, FILM)
    for reads in ((6.2, 29.0, 21.0), (6.2, 14.0, 21.0)):
        assert story.walk._which.doubt(RO, dict(zip(QUANTITIES, reads, strict=True))) is None
    story.take(RO_READS, lift=False)
    assert story.walk.guidance().question == ""
    assert story.lift().flags(2) == ""


def test_a_later_rinse_tells_which_of_the_first_waters_was_the_glass_of_the_rinse():
    past = [reading_of((6.1, 13.1, 21.0))]
    story = Story(RINSE, RO, RINSE, TAP, history={"ro": past})
    pass_through(story, FILM).take((6.3, 9.9, 21.0)).air()  # drops had made it stronger
    assert story.flags(1) == ""
    pass_through(story, [10.0] * 22 + [4.0])
    assert "distilled reads like it" in story.flags(1)


def test_a_rough_look_flags_an_unknown_water_afterwards_until_a_better_one_clears_it():
    rinses = (RINSE, replace(RINSE, water="distilled"))
    story = Story(RO, rinses[0], TAP, rinses[1], CHECK).take((6.3, 16.0, 21.0)).air()
    pass_through(story, [round(15.0 + 4.0 * 0.95**second) for second in range(24)])
    assert "distilled reads like it" in story.flags(0)
    story.take(TAP_READS).air()
    pass_through(story, [5.0] * 24)
    assert story.flags(0) == ""
    known = Story(RO, RINSE, TAP, history={"ro": [reading_of((6.3, 16.1, 21.0))]})
    pass_through(known.take((6.3, 16.0, 21.0)).air(), [20.0] * 5 + [15.0] * 10)
    assert known.flags(0) == ""


def test_a_rough_look_before_an_unknown_water_flags_it_without_a_question():
    story = Story(RINSE, RO, RINSE, TAP)
    pass_through(story, [round(14.0 + 9.0 * 0.95**second) for second in range(24)])
    story.take((6.3, 16.0, 21.0), lift=False)
    assert story.walk.guidance().question == ""
    assert "distilled reads like it" in story.lift().flags(1)
    other = Story(RINSE, RO, RINSE, TAP)
    pass_through(other, [round(5.0 + 4.0 * 0.95**second) for second in range(24)])
    assert other.take((6.3, 16.0, 21.0)).flags(1) == ""


def test_a_rinse_in_a_glass_that_is_none_is_not_taken_for_it():
    story = Story(RINSE, TAP, RO, expected={"tap": {"conductivity": (400.0, 600.0)}})
    pass_through(story, [480.0] * 24).take(TAP_READS).air()
    assert story.flags(1) == ""


def test_repeats_that_agree_take_the_doubt_of_the_rinse_away():
    story = Story(replace(RO, repeats=2), RINSE, TAP).take((6.3, 3.1, 21.0)).air()
    story.walk._which.learn_rinse("distilled", Seen(3.0, 3.0, 21.0))
    story.news += story.walk._visits.others.doubt_by_rinse("distilled")
    assert "distilled reads like it" in story.flags(0)
    story.take((6.3, 3.2, 21.0))
    assert story.flags(0) == ""


def test_a_water_lifted_early_and_read_otherwise_when_it_is_put_in_again_is_asked_about():
    story = Story(RINSE, RO, TAP).dip(30.0, (6.3, 2.7, 21.0)).air()
    pass_through(story, [14.0] * 25)
    assert "lifted after 25 s" in story.walk.guidance().warnings[0]
    story.take(TAP_READS, lift=False)
    asked = story.walk.guidance()
    assert asked.answers == ("tap", "ro", ANOTHER)
    assert "480 where about 14 was seen before it was lifted" in asked.question
    story.say("answer", "tap")
    assert story.lift().capture.water == "tap"
    same = Story(RINSE, RO, TAP).dip(30.0, (6.3, 2.7, 21.0)).air()
    pass_through(same, [14.0] * 25).take(RO_READS, lift=False)
    assert same.walk.guidance().question == ""
    again = Story(RINSE, RO, TAP)
    pass_through(again, [3.0] * 24)
    pass_through(again, [3.0] * 24).take(RO_READS, lift=False)  # rinsed once more
    assert again.walk.guidance().question == ""


def test_a_water_nobody_knows_taken_once_in_a_round_without_a_rinse_is_said_to_be_so():
    known = {"ro": {"conductivity": (0, 60)}}
    story = Story(RO, TAP, expected=known).take(RO_READS).air().take(TAP_READS)
    assert story.flags(0) == ""
    assert "another glass would not have been noticed" in story.flags(1)
    assert not any(is_grave(visit.flags) for visit in story.course.visits)
    rinsed = Story(RO, RINSE, TAP).take(RO_READS).air().dip(30.0, (6.3, 2.7, 21.0)).air()
    repeated = Story(replace(TAP, repeats=2)).take(TAP_READS).air()
    past = Story(TAP, history={"tap": [reading_of(TAP_READS)]})
    for one in (rinsed, repeated, past):
        assert not any(visit.flags for visit in one.take(TAP_READS).course.visits)


# -- answers that come late ---------------------------------------------------------------------


def test_an_answer_from_another_glass_does_not_take_the_doubt_away():
    story = Story(RO, TAP, RINSE, expected=RO_OR_TAP).take(TAP_READS).air().dip(20.0, TAP_READS)
    assert "Before, which water" in story.walk.guidance().question
    story.say("answer", "ro")
    assert "perhaps another water" in story.flags(0)
    assert "afterwards somebody said that it is ro" in story.flags(0)
    assert "keeps its doubt" in story.walk.guidance().warnings[0]
    assert story.walk.guidance().question == ""
    like = Story(RO, TAP, RINSE).take(RO_READS).air().take(RO_READS).air()
    like.say("answer", "tap")  # nothing is against it, and no other glass came between
    assert like.flags(1) == "somebody said that it is tap"


def test_a_name_given_from_another_glass_is_doubted_when_the_numbers_are_against_it():
    story = Story(RO, TAP, RINSE, expected=RO_OR_TAP).take((6.0, 200.0, 21.0)).air()
    story.dip(20.0, TAP_READS)
    doubt = story.walk._at.past.doubt
    story.walk._at.past.doubt = replace(doubt, answers=("tap", "ro"))
    story.say("answer", "tap")
    assert story.states()[-1] == (1, 1, "taken")
    assert "perhaps another water: conductivity 200" in story.flags(1)


# -- an interruption, a stop left out -----------------------------------------------------------


def test_a_question_nobody_answered_is_asked_again_after_an_interruption():
    first = Story(RO, TAP, expected=RO_OR_TAP).take(TAP_READS)
    captures = first.course.captures.values()
    again = Story(round_=first.course.round, captures=captures, expected=RO_OR_TAP)
    again.walk.adopt([])
    asked = again.walk.guidance()
    assert asked.question.startswith("Before, which water was the probe in?")
    again.say("answer", "tap")
    assert sorted(again.states()) == [(0, 1, "set aside"), (1, 1, "taken")]
    for said in ("ro", None):
        story = Story(RO, TAP, expected=RO_OR_TAP).take(TAP_READS if said else RO_READS)
        if said:
            story.say("answer", said)
        kept = story.course.captures.values()
        over = Story(round_=story.course.round, captures=kept, expected=RO_OR_TAP)
        over.walk.adopt([])
        assert over.walk.guidance().question == ""


def test_what_was_seen_in_passing_is_known_after_an_interruption_too():
    first = Story(RINSE, RO, TAP)
    pass_through(first, [3.0] * 24)
    pass_through(first, [14.0] * 25)
    glimpsed = [n for n in first.news if isinstance(n, Event) and n.kind == GLIMPSED]
    said = [n.text.split(", seen in passing: conductivity ") for n in glimpsed]
    assert said == [["distilled", "about 3"], ["ro", "about 14"]]
    foreign = replace(glimpsed[1], data={**glimpsed[1].data, "round": "other", "low": 480.0})
    for reads, asked in ((TAP_READS, "about 14 was seen"), ((6.3, 3.0, 21.0), "like distilled")):
        again = Story(round_=first.course.round)
        again.walk.adopt([])
        again.walk.recall([*glimpsed, foreign])
        again.take(reads, lift=False)
        assert asked in again.walk.guidance().question
    with pytest.raises(ValueError, match="nothing was seen"):
        Seen.of_data({})


def test_where_it_is_asked_in_which_water_the_probe_is_no_water_is_named():
    story = Story(RO, TAP, expected=RO_OR_TAP).dip(60.0, TAP_READS)
    assert story.walk.guidance().say == "Leave the probe still where it is."
    story.dips -= 1
    story.t_s -= 60.0
    story.take(TAP_READS, lift=False)
    assert story.walk.guidance().say == "Captured. Say which water it is, then lift the probe."


def test_what_was_said_of_a_stop_that_is_left_out_goes_with_it():
    story = Story(RINSE, RO, TAP).dip(8.0).air()
    assert story.walk.guidance().warnings
    story.say("skip")
    assert story.walk.guidance().warnings == ()
    story.dip(30.0, RO_READS).air()
    assert "lifted after" in story.walk.guidance().warnings[0]
    story.say("skip")
    assert story.walk.guidance().warnings == ()


def test_a_doubt_of_a_stop_that_is_left_out_is_not_asked_of_the_next():
    story = Story(RO, TAP, expected=RO_OR_TAP).take(TAP_READS, lift=False)
    assert story.walk.guidance().question
    story.say("skip")
    assert story.walk.guidance().question == ""
    story.lift()
    assert story.states() == [(0, 1, "skipped"), (1, 1, "taken")]
    assert story.flags(1) == ""


# -- patience -----------------------------------------------------------------------------------


def test_a_water_that_moved_on_twice_may_be_lifted_and_is_kept_as_not_at_rest():
    story = Story(RO, TAP)
    for _ in range(2):
        story.take(RO_READS, lift=False)
        story.dips -= 1
        story.t_s -= 90.0
        gone = replace(story.capture, state=CaptureState.WITHDRAWN, reason="moved on")
        story.walk.hear(story.walk.named(gone))
    assert "came to rest 2 times and moved on" in story.walk.guidance().say
    assert "lift the probe to keep what there is" in story.walk.guidance().say
    began = story.capture.started
    record = Capture("u1", "kitchen", CaptureState.UNSETTLED, began, story.stamp(), {}, reason="x")
    story.walk.hear(story.walk.named(record))
    story.status("air")
    assert story.states() == [(0, 1, "taken")]
    assert "did not come to rest" in story.flags(0)


def test_a_check_is_taken_for_what_the_solution_is_for():
    kcl = Stop("check", "KCl", Role.SOLUTION, "kcl-1413")
    story = Story(kcl, RINSE, RO)
    assert story.seat.judged == {"conductivity", "temperature"}
    story.take((5.8, 1413.0, 21.0)).air()
    assert story.seat.judged == frozenset()
    assert Story(CHECK).seat.judged == {"ph", "conductivity", "temperature"}
