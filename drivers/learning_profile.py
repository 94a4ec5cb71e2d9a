"""From bytes nobody described to a profile that provably reads them. Pure."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from acquire.errors import ConfigError, FrameError
from acquire.quantities import BUILT_IN, conversion
from drivers.assembly import TextMeter, put_together
from drivers.codecs.fields import DecimalMark
from drivers.codecs.framing import printable
from drivers.codecs.recording import escape
from drivers.learning_fields import Line, decimal_mark, scan, slots_of
from drivers.learning_guess import Proposal, propose
from drivers.learning_lines import Lines, lines_of
from drivers.learning_shape import alike, shapes, words_of
from drivers.profile import Profile

__all__ = ["Understood", "toml", "understand"]

Table = dict[str, Any]

_LEAST_GOOD = 0.8
_COMPUTED = ("tds", "salinity", "specific_gravity")
_NOWHERE = Path("learned.toml")


@dataclass(frozen=True, slots=True)
class Understood:
    """What was made of a stream: a profile, and what it rests on."""

    lines: Lines
    proposals: tuple[Proposal, ...]
    """For every number in the lines, those left out included."""
    profile: Table
    """As it stands in a file; without [serial] and [poll]."""
    read: int
    """How many of the lines it reads."""

    @property
    def chosen(self) -> list[Proposal]:
        return [one for one in self.proposals if one.quantity]

    def with_changes(self, changes: Mapping[int, tuple[str, str]]) -> Understood:
        """Take slots for other quantities: place among the proposals to (quantity, unit).

        An empty quantity leaves a slot out, an empty unit means that of the proposal, or the
        quantity's own. Whoever had the quantity before loses it. ConfigError when it cannot be.
        """
        proposals = list(self.proposals)
        for place, (quantity, unit) in changes.items():
            slot = proposals[place].slot
            if quantity and quantity not in BUILT_IN:
                raise ConfigError("unknown quantity", found=quantity, allowed=", ".join(BUILT_IN))
            if quantity and not slot.shown:
                raise ConfigError("no number was ever seen there")
            taken = unit or (slot.unit if _is_unit(quantity, slot.unit) else "")
            if quantity:
                taken = taken or BUILT_IN[quantity].unit
                conversion(BUILT_IN[quantity], taken)
                proposals = [
                    replace(one, quantity="") if one.quantity == quantity else one
                    for one in proposals
                ]
            proposals[place] = Proposal(slot, quantity, taken, "you said so", is_sure=True)
        return _prove(self.lines, proposals)


def understand(data: bytes) -> Understood:
    """Make a profile of what came; FrameError says what was seen and why it is no use."""
    lines = lines_of(data)
    if lines is None:
        if b"\n" in data or b"\r" in data:
            raise FrameError("lines come, but with control characters or half bytes in them")
        raise FrameError("text comes, but no line ever ends: it cannot be cut into readings")
    mark = decimal_mark(lines.texts)
    scanned = [scan(text, mark) for text in lines.texts]
    slots = slots_of([line for line in scanned if line.tokens], mark)
    if not any(slot.shown for slot in slots):
        raise FrameError("lines come, but there is no number in them")
    try:
        return _prove(lines, propose(slots))
    except FrameError:
        # Banners, menus and half lines among them: those most alike are the readings.
        kept = alike([line for line in scanned if line.tokens])
        texts = {line.text for line in kept}
        pairs = [p for p in zip(lines.texts, lines.raw, strict=True) if p[0] in texts]
        fewer = replace(lines, texts=[t for t, _ in pairs], raw=[r for _, r in pairs])
        return _prove(fewer, propose(slots_of(kept, mark)))


def _is_unit(quantity: str, unit: str) -> bool:
    return bool(quantity) and BUILT_IN[quantity].conversion_from(unit) is not None


def _prove(lines: Lines, proposals: Sequence[Proposal]) -> Understood:
    """Find a profile that reads the proposals out of the lines; FrameError when there is none."""
    chosen = [one for one in proposals if one.quantity]
    if not chosen:
        raise FrameError("numbers come, but none looks like a quantity ouzel knows")
    mark = chosen[0].slot.decimal
    scanned = [line for text in lines.texts if (line := scan(text, mark)).tokens]
    kept = alike(scanned)
    others = [one for one in proposals if not one.quantity]
    for fields, extras in shapes(kept, mark, chosen, others):
        profile = _table(lines, fields, words_of(scanned), chosen, extras)
        meter = _assembled(profile)
        if meter is None:
            continue
        texts = lines.texts if fields["style"] == "labels" else [line.text for line in kept]
        good = sum(_reads(meter, text, chosen, mark) for text in texts)
        if good >= _LEAST_GOOD * len(texts):
            return Understood(lines, tuple(proposals), profile, good)
    raise FrameError("numbers come, but the lines have no form that a profile could describe")


def _table(
    lines: Lines,
    fields: Table,
    words: Table,
    chosen: Sequence[Proposal],
    extras: Mapping[str, Table],
) -> Table:
    framing: Table = {"terminator": escape(lines.terminator)}
    if lines.longest > 200:
        framing["max_length"] = min(1024, 2 * lines.longest)
    if lines.encoding != "utf-8":
        framing["encoding"] = lines.encoding
    if lines.checksum is not None:
        framing["checksum"] = {"kind": lines.checksum.kind, "mark": escape(lines.checksum.mark)}
        if lines.checksum.after:
            framing["checksum"]["after"] = escape(lines.checksum.after)
    table: Table = {"framing": framing, "fields": fields}
    if words:
        table["words"] = words
    names = {one.quantity for one in chosen}
    table["quantities"] = {
        one.quantity: {**extras.get(one.quantity, {}), **_measures(one, names)} for one in chosen
    }
    return table


def _measures(one: Proposal, names: set[str]) -> Table:
    table: Table = {"unit": one.unit, "resolution": float(f"1e-{one.slot.decimals}")}
    if one.slot.decimals == 0:
        table["resolution"] = 1
    if one.quantity in _COMPUTED and "conductivity" in names:
        table["follows"] = "conductivity"
    if one.quantity == "conductivity":
        table["compensated_to_c"] = 25
    return table


def _assembled(profile: Table) -> TextMeter | None:
    try:
        return put_together(Profile.model_validate(profile), _NOWHERE)
    except (ValidationError, ConfigError):
        return None


def _reads(meter: TextMeter, text: str, chosen: Sequence[Proposal], mark: DecimalMark) -> bool:
    """Whether the profile finds in a line what was found there before, and nothing else."""
    try:
        said = meter.reader.read(text)
    except FrameError:
        return False
    expected = _expected(scan(text, mark), chosen, mark)
    return (
        not said.bad
        and said.values.keys() == expected.keys()
        and all(
            abs(said.values[name] - value) <= 1e-9 * max(1.0, abs(value))
            for name, value in expected.items()
        )
    )


def _expected(line: Line, chosen: Sequence[Proposal], mark: DecimalMark) -> dict[str, float]:
    """Give the values of one line by the proposals alone."""
    by_label = {one.slot.label: one for one in chosen if one.slot.label}
    by_place = {one.slot.place: one for one in chosen if not one.slot.label}
    values = {}
    for slot in slots_of([line], mark):
        one = by_label.get(slot.label) if slot.label else by_place.get(slot.place)
        if one is None or not slot.shown:
            continue
        quantity = BUILT_IN[one.quantity]
        unit = slot.unit if _is_unit(one.quantity, slot.unit) else one.unit
        values[one.quantity] = conversion(quantity, unit)(slot.values[0])
    return values


def toml(table: Mapping[str, Any], comments: Sequence[str] = ()) -> str:
    """Write a profile as people would: comments first, then table after table."""
    lines = [f"# {printable(text.encode(), 200)}" for text in comments]
    return "\n".join([*lines, *([""] if lines else []), *_written(table, "")]).strip() + "\n"


def _written(table: Mapping[str, Any], prefix: str) -> Iterator[str]:
    plain = {key: value for key, value in table.items() if not isinstance(value, dict)}
    nested = {key: value for key, value in table.items() if isinstance(value, dict)}
    inline = {key: value for key, value in nested.items() if prefix and _is_flat(value)}
    if prefix and (plain or inline):
        yield f"[{prefix}]"
    for key, value in {**plain, **inline}.items():
        yield f"{key} = {_value(value)}"
    if plain or inline:
        yield ""
    for key, value in nested.items():
        if key not in inline:
            yield from _written(value, f"{prefix}.{key}" if prefix else key)


def _is_flat(table: Mapping[str, Any]) -> bool:
    return set(table) <= {"kind", "mark", "after"}


def _value(value: Any) -> str:
    match value:
        case dict():
            return "{ " + ", ".join(f"{k} = {_value(v)}" for k, v in value.items()) + " }"
        case list() | tuple():
            return "[" + ", ".join(map(_value, value)) + "]"
        case str() if "\\" in value and "'" not in value and value.isprintable():
            return f"'{value}'"  # as it stands: a backslash means itself
        case str():
            text = json.dumps(value, ensure_ascii=False)
            return re.sub(r"\x7f", r"\\u007f", text)
    return f"{value:g}" if isinstance(value, float) else str(value)
