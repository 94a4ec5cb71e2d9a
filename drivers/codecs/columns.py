"""Lines of separated columns in a fixed order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from acquire.errors import FrameError
from drivers.codecs.fields import Field, Numerals, Said

__all__ = ["Columns"]


class Columns:
    """Reads fields by their place. A line with another number of columns is no line at all.

    `columns` names the quantity, or the `unit_from` of one, that stands in each column; an empty
    name is a column to ignore. A separator of one blank stands for any run of blanks.
    """

    def __init__(
        self,
        fields: Mapping[str, Field],
        numerals: Numerals,
        *,
        separator: str,
        columns: Sequence[str],
    ) -> None:
        self._numerals = numerals
        self._separator = None if separator == " " else separator
        self._count = len(columns)
        places = {name: place for place, name in enumerate(columns) if name}
        self._fields = [
            (place, fields[name], places.get(fields[name].unit_from))
            for name, place in places.items()
            if name in fields
        ]

    def read(self, text: str) -> Said:
        cells = text.split(self._separator)
        if len(cells) != self._count:
            raise FrameError(f"{len(cells)} columns instead of {self._count}")
        said = Said()
        for place, found, unit_place in self._fields:
            unit = None if unit_place is None else cells[unit_place].strip()
            said.put(found, self._numerals.read(cells[place].strip()), unit)
        return said.checked()
