"""Lines of `label value unit` in any order, with whatever separates them."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from acquire.errors import FrameError
from drivers.codecs.fields import Field, Numerals, Said

__all__ = ["Labels"]


class Labels:
    """Reads fields by their labels, whatever their order; a unit in the line decides.

    Items are separated by blanks, tabs, `,` `;` `|`; a label and its value by blanks, `:` or `=`,
    or nothing. Case does not matter. What follows a value must be a unit of its quantity, a
    separator or the next label: an unknown word there makes the field bad, because it could be a
    unit. Unknown labels are passed over up to the next `,` `;` `|`, or the next known label where
    the line has none of these. The same label twice makes the whole line bad: two lines ran
    together.
    """

    def __init__(
        self,
        fields: Mapping[str, Field],
        numerals: Numerals,
        *,
        ignored: Sequence[str] = (),
    ) -> None:
        self._numerals = numerals
        named: dict[str, Field | None] = dict.fromkeys(ignored)
        named |= {label: place for place in fields.values() for label in place.labels}
        ordered = sorted(named, key=len, reverse=True)
        # A decimal comma does not separate: only a comma without a digit on both sides does.
        hard = r"[;|]|,(?![0-9])|(?<![0-9]),"
        end = rf"(?=[ \t]|{hard}|$)"
        labels = "|".join(f"({re.escape(label)})" for label in ordered)
        # A letter behind it would make it another word: T is not TDS.
        label = rf"(?:{labels})(?![^\W\d_])"
        self._label = re.compile(label, re.IGNORECASE)
        self._places = [named[one] for one in ordered]
        self._values = [self._value(place, end) if place else None for place in self._places]
        self._gap = re.compile(rf"(?:[ \t]|{hard})*")
        self._follows = re.compile(rf"[ \t]*(?:$|{hard}|(?<![^ \t])(?:{label}))", re.IGNORECASE)
        self._hard = re.compile(hard)
        self._soft = re.compile(rf"[ \t](?={label})", re.IGNORECASE)

    def _value(self, place: Field, end: str) -> re.Pattern[str]:
        words = sorted(self._numerals.words, key=len, reverse=True)
        word = "|".join(re.escape(one) for one in words)
        units = "|".join(re.escape(one) for one in place.units)
        return re.compile(
            rf"[ \t]*+[:=]?[ \t]*+(?:({self._numerals.source})|({word or '(?!)'}))"
            rf"(?:[ \t]*({units}))?{end}",
            re.IGNORECASE,
        )

    def read(self, text: str) -> Said:
        said = Said()
        seen: set[str] = set()
        at = self._gap.match(text).end()  # type: ignore[union-attr]  # it matches nothing as well
        while at < len(text):
            label = self._label.match(text, at)
            place = self._places[label.lastindex - 1] if label and label.lastindex else None
            if label is None or place is None:
                at = self._pass_over(text, at)
                continue
            name = place.quantity.name
            if name in seen:
                raise FrameError(f"{label[0]} twice in one line")
            seen.add(name)
            at = self._put(said, place, text, label)
        return said.checked()

    def _put(self, said: Said, place: Field, text: str, label: re.Match[str]) -> int:
        """Note the value behind a label and give where the next item starts."""
        pattern = self._values[label.lastindex - 1]  # type: ignore[operator]
        found = pattern.match(text, label.end()) if pattern else None
        if found is None or not self._follows.match(text, found.end()):
            said.put_bad(place)
            return self._pass_over(text, label.end())
        number, word, unit = found.groups()
        shown = self._numerals.number(number) if number else self._numerals.words[word.casefold()]
        said.put(place, shown, unit)
        return self._gap.match(text, found.end()).end()  # type: ignore[union-attr]

    def _pass_over(self, text: str, at: int) -> int:
        """Give where to go on behind something unknown: further rather than into a wrong label."""
        found = self._hard.search(text, at) or self._soft.search(text, at)
        return self._gap.match(text, found.start()).end() if found else len(text)  # type: ignore[union-attr]
