"""Finds the way a profile can read lines nobody described, and proves it on those lines. Pure."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from drivers.codecs.fields import DecimalMark
from drivers.learning_fields import Line
from drivers.learning_guess import Proposal
from drivers.learning_words import ERROR_WORDS, NO_NUMBER, OVER_WORDS, unit_means

__all__ = ["alike", "shapes", "words_of"]

Table = dict[str, Any]

_SEPARATORS = (";", "\t", "|", ",", " ")
_DEFAULT_WORDS = {"OR", "OL", "---", "--", "Err", "Error"}
_VARIED = r"[^ ,;|]*"
_TIME_CLASS = r"[0-9TZ:.,/ -]+"


def alike(lines: Sequence[Line]) -> list[Line]:
    """Give the lines of the shape that most have: as many tokens, the same signs between them."""
    kinds = Counter(_kind(line) for line in lines)
    most = kinds.most_common(1)[0][0]
    return [line for line in lines if _kind(line) == most]


def _kind(line: Line) -> tuple[int, str]:
    signs = re.sub(r"[\s\w]+", " ", "".join(line.gaps))
    return len(line.tokens), re.sub(r"\W*[°%µμ/]\W*", "", signs)


def words_of(lines: Sequence[Line]) -> Table:
    """Give the [words] table: those seen that a profile does not know by itself."""
    seen = {token.text for line in lines for token in line.tokens if not token.is_number}
    over = [word for word in OVER_WORDS if word in seen and word not in _DEFAULT_WORDS]
    error = [word for word in ERROR_WORDS if word in seen and word not in _DEFAULT_WORDS]
    table: Table = {}
    if over:
        table["over_range"] = ["OR", "OL", *over]
    if error:
        table["error"] = ["---", "--", "Err", "Error", *error]
    return table


def shapes(
    lines: Sequence[Line], mark: DecimalMark, chosen: Sequence[Proposal], others: Sequence[Proposal]
) -> Iterator[tuple[Table, Mapping[str, Table]]]:
    """Give ways to read the chosen slots, simplest first.

    Each is a [fields] table and what [quantities.NAME] needs for it.
    """
    yield from _labels(mark, chosen, others)
    yield from _columns(lines, mark, chosen)
    yield from _pattern(lines, mark, chosen)


def _labels(
    mark: DecimalMark, chosen: Sequence[Proposal], others: Sequence[Proposal]
) -> Iterator[tuple[Table, Mapping[str, Table]]]:
    labels = [one.slot.label for one in chosen]
    plain = [label.casefold() for label in labels]
    if not all(map(_is_label, labels)) or len(set(plain)) < len(plain):
        return
    fields: Table = {"style": "labels"}
    if mark == ",":
        fields["decimal"] = mark
    ignored = dict.fromkeys(one.slot.label for one in others if _is_label(one.slot.label))
    ignore = [label for label in ignored if label.casefold() not in plain]
    if ignore:
        yield (
            {**fields, "ignore": ignore},
            {one.quantity: {"label": one.slot.label} for one in chosen},
        )
    yield fields, {one.quantity: {"label": one.slot.label} for one in chosen}


def _is_label(label: str) -> bool:
    return bool(label) and label[0] not in "+-.0123456789,;|:=" and len(label) <= 40


def _columns(
    lines: Sequence[Line], mark: DecimalMark, chosen: Sequence[Proposal]
) -> Iterator[tuple[Table, Mapping[str, Table]]]:
    first = lines[0]
    for separator in _SEPARATORS:
        if separator == mark:
            continue
        cells = _cells(first.text, separator)
        counts = Counter(len(_cells(line.text, separator)) for line in lines)
        if counts[len(cells)] < 0.8 * len(lines):
            continue
        names = _names(first, cells, chosen)
        if names is None:
            continue
        fields: Table = {"style": "columns", "separator": separator, "columns": names}
        if mark == ",":
            fields["decimal"] = mark
        extras: dict[str, Table] = {one.quantity: {} for one in chosen}
        for name in names:
            if name.endswith("_unit"):
                extras[name.removesuffix("_unit")]["unit_from"] = name
        yield fields, extras
        if len(cells) == 1:
            return


def _cells(text: str, separator: str) -> list[tuple[int, str]]:
    """Give the cells of a line with where each starts."""
    if separator == " ":
        return [(match.start(), match[0]) for match in re.finditer(r"\S+", text)]
    cells, at = [], 0
    for cell in text.split(separator):
        cells.append((at + len(cell) - len(cell.lstrip()), cell.strip()))
        at += len(cell) + 1
    return cells


def _names(
    line: Line, cells: Sequence[tuple[int, str]], chosen: Sequence[Proposal]
) -> list[str] | None:
    """Name each column; None when a number to be read does not fill its cell."""
    at = {
        line.tokens[one.slot.place].start: one
        for one in chosen
        if one.slot.place < len(line.tokens)
    }
    names: list[str] = []
    before: Proposal | None = None
    for start, text in cells:
        mine = at.pop(start, None)
        is_unit = before is not None and before.quantity in unit_means(text)
        names.append(mine.quantity if mine else "")
        if mine and text != line.tokens[mine.slot.place].text:
            return None
        if is_unit and before is not None:
            names[-1] = f"{before.quantity}_unit"
        before = mine
    return None if at else names


def _pattern(
    lines: Sequence[Line], mark: DecimalMark, chosen: Sequence[Proposal]
) -> Iterator[tuple[Table, Mapping[str, Table]]]:
    """Write a regular expression: what never changed stands as it is, the rest may be anything."""
    names = {one.slot.place: one.quantity for one in chosen}
    seen = {token.text for line in lines for token in line.tokens if not token.is_number}
    known = [word for word in NO_NUMBER if word in _DEFAULT_WORDS or word in seen]
    words = "|".join(map(re.escape, known))
    number = rf"[+-]?[0-9]*{re.escape(mark)}?[0-9]+|{words}"
    count = len(lines[0].tokens)
    gaps = [[line.gaps[place] for line in lines] for place in range(count + 1)]
    extras: dict[str, Table] = {one.quantity: {} for one in chosen}
    parts = [_gap(gaps[0])]
    for place in range(count):
        name = names.get(place)
        if any(line.tokens[place].is_time for line in lines):
            parts.append(_TIME_CLASS)
        else:
            parts.append(f"(?P<{name}>{number})" if name else f"(?:{number})")
        unit = _unit_in(gaps[place + 1], name)
        if unit and name:
            extras[name]["unit_from"] = f"{name}_unit"
            blank, rest = unit
            parts.append(f"{blank}(?P<{name}_unit>[A-Za-z%/.\\u00b0\\u00b5\\u03bc]+){_gap(rest)}")
        else:
            parts.append(_gap(gaps[place + 1]))
    fields: Table = {"style": "pattern", "pattern": "".join(parts)}
    if mark == ",":
        fields["decimal"] = mark
    yield fields, extras


def _unit_in(gaps: Sequence[str], name: str | None) -> tuple[str, list[str]] | None:
    """Split gaps at the unit they begin with, where it is one that changes with the range."""
    found = [re.match(r"([ \t]*)([A-Za-z%/.°µμ]+)", gap) for gap in gaps]
    units = {one[2] for one in found if one}
    if name is None or not all(found) or len(units) < 2:
        return None
    if not all(name in unit_means(unit) for unit in units):
        return None
    blank = " *" if any(one and one[1] for one in found) else ""
    return blank, [gap[one.end() :] for gap, one in zip(gaps, found, strict=True) if one]


def _gap(gaps: Sequence[str]) -> str:
    """Give the expression for what stands between two numbers."""
    distinct = dict.fromkeys(re.sub(r"[ \t]+", " ", gap) for gap in gaps)
    if len(distinct) == 1:
        (only,) = distinct
        return re.escape(only).replace(r"\ ", "[ \\t]*")
    common = _common_prefix(list(distinct))
    return re.escape(common).replace(r"\ ", "[ \\t]*") + _VARIED


def _common_prefix(texts: Sequence[str]) -> str:
    first, last = min(texts), max(texts)
    for at, one in enumerate(first):
        if one != last[at : at + 1]:
            return first[:at]
    return first
