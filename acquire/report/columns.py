"""What stands in each column of each table: its kind, its unit, its meaning. Data, no code."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from acquire.rounds import SHAPES

__all__ = ["CAPTURES", "CHECKS", "COUNTS", "QUANTITIES", "READINGS", "ROUNDS", "VISITS", "WATERS"]
__all__ += ["Column", "Kind"]

Kind = Literal["text", "number", "integer", "time"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column: what its cells are."""

    name: str
    kind: Kind
    meaning: str
    unit: str = ""
    """UCUM; empty where there is none or another column says it."""


_WHEN = Column("time", "time", "when, UTC")
_METER = Column("meter", "text", "name of the meter")
_QUANTITY = Column("quantity", "text", "what was measured; the table of quantities explains it")
_UNIT = Column("unit", "text", "unit of the numbers in this row, UCUM")

READINGS = (
    _WHEN,
    _METER,
    _QUANTITY,
    Column("value", "number", "what the display showed; empty where it showed no number"),
    _UNIT,
    Column("flag", "text", "why the number is not to be trusted: over_range, error, implausible"),
)
CAPTURES = (
    Column("id", "text", "names the capture"),
    Column("taken", "time", "when the numbers had come to rest, UTC"),
    Column("started", "time", "when the probe entered the water, UTC"),
    _METER,
    Column("water", "text", "what the water is called"),
    Column("role", "text", "reference, subject, rinse or solution"),
    Column(
        "state", "text", "only `final` is a result; `unsettled` and `withdrawn` are records of why"
    ),
    _QUANTITY,
    Column("value", "number", "where it came to rest"),
    Column("expanded_u", "number", "95 % expanded uncertainty of that, in the same unit"),
    _UNIT,
    Column("phase", "text", "settled, settling or moving; only `settled` is a result"),
    Column("source", "text", "meter, typed, imported, or derived by ouzel from the others"),
    Column("method", "text", "how a derived value was computed"),
    Column("drift_per_min", "number", "rate of change when it was taken, in the unit a minute"),
    Column("settled_after_s", "number", "time in the water until it was settled", "s"),
    Column("reason", "text", "why it is not settled, or not final"),
)
CHECKS = (
    Column("capture", "text", "the capture that was judged"),
    _WHEN,
    _METER,
    _QUANTITY,
    Column("solution", "text", "name in the catalogue of solutions"),
    Column("said", "number", "what the meter said, uncorrected"),
    Column("said_u", "number", "95 % expanded uncertainty of its settling"),
    Column("expected", "number", "what a right meter shows at this temperature"),
    Column("expected_u", "number", "95 % expanded uncertainty of that"),
    Column("allowed", "number", "the ± the meter is held to; empty when nobody says"),
    _UNIT,
    Column("verdict", "text", "pass, fail or cannot tell"),
    Column("temp_c", "number", "temperature of the solution", "Cel"),
    Column("corrected", "number", "the value with the correction then in force; empty without one"),
    Column("reason", "text", "the arithmetic of the verdict"),
    Column("source", "text", "where the value of the solution comes from"),
)
COUNTS = (
    Column("id", "text", "names the count"),
    _WHEN,
    Column("water", "text", "what the water is called"),
    Column("role", "text", "reference or subject"),
    Column("round", "text", "the round it belongs to; empty when none"),
    Column("fields", "integer", "fields of view that were looked at"),
    Column("objects", "integer", "particles in all of them, bubbles left out"),
    Column("each_field", "text", "particles field by field"),
    *(
        Column(shape, "integer", f"of these: {shape}; empty when not told apart")
        for shape in SHAPES
    ),
    Column("per_field", "number", "particles in a field, mean"),
    Column("per_field_low", "number", "lower end of its 95 % interval"),
    Column("per_field_high", "number", "upper end"),
    Column("per_ml", "number", "particles in a mL; empty when the volume is not known", "1/mL"),
    Column(
        "per_ml_low", "number", "lower end of its 95 % interval, drop and field included", "1/mL"
    ),
    Column("per_ml_high", "number", "upper end", "1/mL"),
    Column("bubbles", "integer", "bubbles, which are no particles"),
    Column("field_mm", "number", "diameter of the field of view; empty when not known", "mm"),
    Column("field_mm_u", "number", "standard uncertainty of it", "mm"),
    Column("drop_ul", "number", "volume under the cover slip; empty when not known", "uL"),
    Column("drop_ul_u", "number", "standard uncertainty of it", "uL"),
    Column("slip_mm2", "number", "area the drop spreads over; empty when not known", "mm2"),
    Column("slip_mm2_u", "number", "standard uncertainty of it", "mm2"),
    Column("optics", "text", "how the field was found"),
    Column("note", "text", "typed by the person"),
)
WATERS = (
    Column("water", "text", "what the water is called"),
    Column("captures", "integer", "final captures of it"),
    Column("first", "time", "the first of all its captures, UTC"),
    Column("last", "time", "the last of all its captures, UTC"),
    Column("roles", "text", "what it has been to its rounds"),
)
ROUNDS = (
    Column("id", "text", "names the round"),
    Column("began", "time", "UTC"),
    Column("ended", "time", "UTC; empty while it is open"),
    Column("state", "text", "open, done or stopped"),
    Column("plan", "text", "name of the plan"),
    _METER,
    Column("note", "text", "typed by the person"),
)
VISITS = (
    Column("round", "text", "the round"),
    Column("position", "integer", "of the stop in its plan, from 0"),
    Column("kind", "text", "check, rinse, water or count"),
    Column("water", "text", "what the stop is called"),
    Column("role", "text", "reference, subject, rinse or solution"),
    Column("repeat", "integer", "from 1"),
    Column("state", "text", "taken, skipped or set aside"),
    _WHEN,
    Column("capture", "text", "the capture it gave; empty when none"),
    Column("count", "text", "the particle count it gave; empty when none"),
    Column("flags", "text", "what was odd"),
    Column("note", "text", "typed by the person"),
)
QUANTITIES = (
    Column("quantity", "text", "the word used in every table"),
    Column("label", "text", "the word used on screens"),
    Column("unit", "text", "unit of its values, UCUM"),
    Column("shown_unit", "text", "the same as people write it"),
    Column("tolerance", "number", "± within which it counts as settled, in its unit"),
    Column("tolerance_relative", "number", "the same, a part of the value; the larger holds", "1"),
)  # fmt: skip
