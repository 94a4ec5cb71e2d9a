"""Finds the numbers in lines nobody described, each with its label and unit. Pure."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from drivers.codecs.fields import DecimalMark
from drivers.learning_words import NO_NUMBER, label_means, unit_means

__all__ = ["Line", "Slot", "Token", "decimal_mark", "scan", "slots_of"]

_HARD = re.compile(r"[,;|\t]")
_LETTER = re.compile(r"[^\W\d_]")
_TIME = (
    r"\d{4}[-/.]\d{1,2}[-/.]\d{1,2}(?:[T ]\d{1,2}:\d{2}(?::\d{2})?(?:[.,]\d+)?Z?)?"
    r"|\d{1,2}[./]\d{1,2}[./]\d{2,4}|\d{1,2}:\d{2}(?::\d{2})?"
)
_NAME = r"[^\W\d_]+(?:[./_-][^\W\d_]+)*"
_EDGES = " \t:=\"'()[]{}<>#*,;|$&@!~"
_MOST_SLOTS = 40


@dataclass(frozen=True, slots=True)
class Token:
    """A number in a line, or a word in the place of one, or a time of day to pass over."""

    start: int
    end: int
    text: str
    is_number: bool
    is_time: bool = False


@dataclass(frozen=True, slots=True)
class Line:
    """A line cut at its tokens: one gap more than there are tokens."""

    text: str
    tokens: Sequence[Token]

    @property
    def gaps(self) -> list[str]:
        """What stands before, between and behind the tokens."""
        ends = [0, *(token.end for token in self.tokens)]
        starts = [*(token.start for token in self.tokens), len(self.text)]
        return [self.text[end:start] for end, start in zip(ends, starts, strict=True)]


@dataclass(slots=True)
class Slot:
    """One number of a line, seen over many lines."""

    place: int
    """Which token of the line it is; of the first line it was seen in."""
    label: str = ""
    said: list[tuple[str, str]] = field(default_factory=list)
    """Each number as it was shown, and the word right behind it."""
    decimal: DecimalMark = "."

    @property
    def unit(self) -> str:
        """The unit it was shown in most often."""
        counted = Counter(unit for _, unit in self.said).most_common(1)
        return counted[0][0] if counted else ""

    @property
    def shown(self) -> list[str]:
        """The numbers as they were shown, those in the usual unit only."""
        unit = self.unit
        return [number for number, its in self.said if its == unit]

    @property
    def values(self) -> list[float]:
        return [float(one.replace(",", ".")) for one in self.shown]

    @property
    def decimals(self) -> int:
        """The most digits behind the decimal mark."""
        return max((len(one.partition(self.decimal)[2]) for one in self.shown), default=0)

    @property
    def step(self) -> float:
        """What the numbers seem to move in: the last digit, or ten where all end in a zero."""
        by_ten = not self.decimals and all(value % 10 == 0 for value in self.values)
        return 10.0 if by_ten and any(self.values) else 10.0**-self.decimals

    @property
    def is_counter(self) -> bool:
        """Whether it only counts lines up, or is padded with zeros as numbers of lines are."""
        whole = all(one.isdigit() for one in self.shown)
        steps = {b - a for a, b in pairwise(self.values)}
        counts = len(self.shown) >= 3 and len(steps) == 1 and steps != {0.0} and min(steps) > 0
        padded = any(len(one) > 2 and one[0] == "0" for one in self.shown)
        return whole and (counts or padded)


def decimal_mark(texts: Sequence[str]) -> DecimalMark:
    """Say whether numbers have a decimal point or comma; a comma may also part columns."""
    joined = "\n".join(texts)
    if re.search(r"\d\.\d", re.sub(_TIME, " ", joined)) or not re.search(r"\d,\d", joined):
        return "."
    # A run of digits with two commas in it is several numbers.
    if re.search(r"\d,-?\d+,-?\d", joined) or re.search(r",[-+]\d", joined):
        return "."
    return ","


def scan(text: str, mark: DecimalMark) -> Line:
    """Find the numbers of a line, and the words that stand for one.

    Digits behind letters belong to the name when a sign or another number follows: EC25=512, CH1 7.
    """
    tokens: list[Token] = []
    at = 0
    pattern = _pattern(mark)
    while at < len(text) and len(tokens) < _MOST_SLOTS:
        found = pattern.search(text, at)
        if found is None:
            break
        at = found.end()
        if found["time"]:
            tokens.append(Token(found.start(), at, found[0], is_number=False, is_time=True))
        elif found["name"]:
            at = _with_digits(text, at, found["name"], mark)
        elif found[0].isdigit() and re.match(r"[ \t]*[:=][ \t]*[+-]?\d", text[at:]):
            continue  # 1: 7.01 2: 512 numbers its own fields
        else:
            tokens.append(Token(found.start(), at, found[0], is_number=bool(found["number"])))
    return Line(text, tokens)


def _pattern(mark: DecimalMark) -> re.Pattern[str]:
    point = re.escape(mark)
    words = "|".join(re.escape(word) for word in NO_NUMBER)
    number = rf"(?:(?<![\w.,])[+-])?(?:\d{{1,12}}(?:{point}\d{{1,12}})?|{point}\d{{1,12}})"
    return re.compile(
        rf"(?P<time>(?<![\w.,])(?:{_TIME})(?!\w|[.,:]\d))"
        rf"|(?P<word>(?<![\w-])(?:{words})(?![\w-]))"
        rf"|(?P<name>{_NAME})|(?P<number>{number})"
    )


def _with_digits(text: str, at: int, name: str, mark: DecimalMark) -> int:
    """Give where a name ends, digits that belong to it included."""
    digits = re.compile(r"\d+").match(text, at)
    if digits is None:
        return at
    behind = text[digits.end() :]
    if re.match(rf"{re.escape(mark)}\d", behind):
        return at
    word = re.match(_NAME, behind)
    is_mixed = word is not None and not unit_means(word[0])  # A1B2, but not EC512uS
    if "/" in name or is_mixed or re.match(r"[ \t]*[:=]|[ \t]+[+-]?\d", behind):
        return digits.end()
    return at


def slots_of(lines: Sequence[Line], mark: DecimalMark) -> list[Slot]:
    """Give each number of the lines with label and unit; lines of one shape only.

    A token is the same slot in every line by its label, where it has one, else by its place.
    """
    labels_first = _labels_first(lines)
    slots: dict[tuple[str, int], Slot] = {}
    for line in lines:
        seen: set[tuple[str, int]] = set()
        for place, (token, label, unit) in enumerate(_read(line, labels_first=labels_first)):
            key = (label, 0) if label and (label, 0) not in seen else ("", place)
            seen.add(key)
            if token.is_time:
                continue
            slot = slots.setdefault(key, Slot(place, label, decimal=mark))
            if token.is_number:
                slot.said.append((token.text, unit))
    most = max((len(slot.said) for slot in slots.values()), default=0)
    # A number that comes once in a while belongs to a banner, not to the readings.
    least = 0.15 * most if most < 3 else max(1.0, 0.15 * most)
    steady = [slot for slot in slots.values() if not slot.said or len(slot.said) > least]
    return sorted(steady, key=lambda slot: slot.place)


def _read(line: Line, *, labels_first: bool) -> Iterator[tuple[Token, str, str]]:
    """Give each token of a line with its label and its unit."""
    gaps = line.gaps
    parts = [_split(gap, labels_first=labels_first) for gap in gaps[1:-1]]
    labels = [gaps[0].strip(_EDGES), *(label for _, label in parts)]
    units = [*(unit for unit, _ in parts), _first_word(gaps[-1])]
    yield from zip(line.tokens, labels, units, strict=True)


def _labels_first(lines: Sequence[Line]) -> bool:
    """Whether words stand before their number (pH 7.01) or behind it (7.01 pH)."""
    votes = 0
    for line in lines:
        gaps = line.gaps
        if gaps and _LETTER.search(gaps[0]):
            votes += 2
        for gap in gaps[1:-1]:
            words = _words(_HARD.sub(" ", gap))
            if len(words) != 1:
                continue
            word = words[0]
            is_unit, (meaning, _) = bool(unit_means(word)), label_means(word)
            votes += int(bool(meaning) and not is_unit) - int(is_unit and not meaning)
            votes += 2 * (gap.rstrip()[-1:] in {":", "="})
    return votes > 0


def _split(gap: str, *, labels_first: bool) -> tuple[str, str]:
    """Give the unit of the number before a gap and the label of the one behind it."""
    cells = [cell.strip(_EDGES) for cell in _HARD.split(gap)]
    if len(cells) > 2:  # 21.4,C,512 or T,21.4,EC,512: a cell of its own between two numbers
        is_unit = unit_means(cells[1]) and not label_means(cells[1])[0]
        if is_unit or not labels_first:
            return cells[0] or cells[1], "".join(cells[2:])
    if len(cells) > 1:
        return cells[0], " ".join(filter(None, cells[1:]))
    words = _words(gap)
    if not words:
        return "", ""
    if not labels_first:
        return words[0], " ".join(words[1:])
    touches = not gap[0].isspace()  # 21.4C: what touches the number is its unit
    if len(words) > 1 and (touches or unit_means(words[0])):
        return words[0], " ".join(words[1:])
    return "", " ".join(words)


def _words(gap: str) -> list[str]:
    """Cut a gap at blanks; what is only brackets and signs is no word."""
    return [word for word in (one.strip(_EDGES) for one in gap.split()) if word]


def _first_word(gap: str) -> str:
    words = _HARD.split(gap)[0].split()
    return words[0].strip(_EDGES) if words else ""
