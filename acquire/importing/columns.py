"""What each column of a table is: by its header, its unit, and what a person says.

A header is a name with a unit behind it, in brackets or not: `EC (µS/cm)`, `Temp. °C`, `TDS ppm`.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from acquire.errors import ConfigError
from acquire.importing.sheets import Cell, Sheet
from acquire.quantities import Conversion, Quantity, conversion

__all__ = ["WORDS", "Column", "Header", "column_said", "find_header", "with_said"]

WORDS = ("date", "time", "water", "role", "note")
"""What a column may be besides a quantity."""

_NAMES: Mapping[str, tuple[str, ...]] = {
    "date": ("date", "day", "datum", "fecha", "data", "when", "timestamp", "date time", "datetime",
             "date/time", "date and time", "measured at", "measured on"),
    "time": ("time", "hour", "uhrzeit", "zeit", "heure", "hora", "time of day"),
    "water": ("water", "sample", "source", "place", "location", "site", "name", "wasser", "eau",
              "agua", "acqua", "probenname", "sample name", "tap"),
    "role": ("role",),
    "note": ("note", "notes", "remark", "remarks", "comment", "comments", "bemerkung",
             "bemerkungen", "notiz", "remarque"),
    "ph": ("ph", "ph value", "ph-wert"),
    "orp": ("orp", "redox", "redox potential", "redoxpotential"),
    "conductivity": ("conductivity", "ec", "cond", "ec25", "electrical conductivity",
                     "leitfahigkeit", "conductivite", "conductividad", "leitwert"),
    "tds": ("tds", "dissolved solids", "total dissolved solids"),
    "salinity": ("salinity", "sal", "salt", "salzgehalt", "salinite"),
    "specific_gravity": ("specific gravity", "sg", "density", "dichte"),
    "temperature": ("temperature", "temp", "t", "water temperature", "temperatur",
                    "wassertemperatur"),
}  # fmt: skip
_UNITLESS = {"ph": "[pH]", "orp": "mV", "specific_gravity": "1"}
"""Units a table need not name: nobody writes others."""
_BRACKETS = re.compile(r"^(.*?)\s*[\(\[\{]\s*([^()\[\]{}]*)\s*[\)\]\}]\s*$")
_SEARCHED = 20


@dataclass(frozen=True, slots=True)
class Column:
    """One column of the table."""

    place: int
    header: str
    what: str
    """One of `WORDS`, a quantity, or empty: it is left out."""
    unit: str = ""
    """As the header says it."""
    convert: Conversion | None = None
    question: str = ""
    """What only the person knows; empty when it is clear."""


@dataclass(frozen=True, slots=True)
class Header:
    """Where the header stands, and what its columns are."""

    line: int
    columns: tuple[Column, ...]


def find_header(sheet: Sheet, quantities: Mapping[str, Quantity]) -> Header:
    """Give the first line among twenty that names a quantity; prefers one that also names a date.

    Raises:
        ConfigError: no line does.

    """
    found = None
    for line, row in sheet.rows[:_SEARCHED]:
        columns = tuple(_column(place, cell, quantities) for place, cell in enumerate(row))
        kinds = {column.what for column in columns}
        if not kinds & set(quantities):
            continue
        if "date" in kinds:
            return Header(line, columns)
        found = found or Header(line, columns)
    if found is None:
        raise ConfigError(
            "no line names a quantity: the table needs a line of headers", found=sheet.name,
            allowed="such as: Date, Water, pH, EC (µS/cm), Temperature (°C)",
        )  # fmt: skip
    return found


def _plain(text: str) -> str:
    """Lower case, without accents, points and doubled blanks."""
    parts = unicodedata.normalize("NFKD", text.casefold().replace("_", " "))
    kept = "".join(c for c in parts if not unicodedata.combining(c))
    return " ".join(kept.replace(".", " ").split()).strip(" :")


def _column(place: int, cell: Cell, quantities: Mapping[str, Quantity]) -> Column:
    header = " ".join(str(cell or "").split())
    bracketed = _BRACKETS.match(header)
    name, unit = (bracketed.group(1), bracketed.group(2)) if bracketed else (header, "")
    what = _known(name, quantities)
    if not what and not unit and " " in header:
        name, _, unit = header.rpartition(" ")
        what = _known(name, quantities)
    if what in quantities:
        return _with_unit(Column(place, header, what, unit), quantities[what])
    return Column(place, header, what)


def _known(name: str, quantities: Mapping[str, Quantity]) -> str:
    plain = _plain(name)
    for what, names in _NAMES.items():
        if plain in names and (what in WORDS or what in quantities):
            return what
    for quantity in quantities.values():
        if plain in {_plain(quantity.name), _plain(quantity.label)}:
            return quantity.name
    return ""


def _with_unit(column: Column, quantity: Quantity) -> Column:
    unit = column.unit or _UNITLESS.get(quantity.name, "")
    if not unit:
        return replace(column, question=f"in which unit is {column.header!r}? {_units(quantity)}")
    try:
        # µ (micro sign) and μ (Greek) look alike; so do ° and º.
        return replace(column, unit=unit, convert=conversion(quantity, unit.replace("º", "°")))
    except ConfigError:
        question = f"{column.header!r}: {unit!r} is no known unit. {_units(quantity)}"
        return replace(column, unit="", question=question)


def _units(quantity: Quantity) -> str:
    """One name for each unit there is, where it has a sign also as any keyboard writes it."""
    found: dict[Conversion, list[str]] = {}
    for word in (quantity.shown_unit, *quantity.spoken, quantity.unit):
        if word:
            found.setdefault(conversion(quantity, word), []).append(word)
    names = []
    for words in found.values():
        typed = [] if words[0].isascii() else [word for word in words if word.isascii()][:1]
        names.append(" or ".join([words[0], *typed]))
    return ", ".join(names)


def column_said(text: str) -> tuple[str, str, str]:
    """Read `HEADER=WHAT` or `HEADER=WHAT:UNIT`; WHAT is `-` to leave a column out.

    Raises:
        ConfigError: it is neither.

    """
    header, _, rest = text.rpartition("=")
    what, _, unit = rest.partition(":")
    if not header or not what:
        raise ConfigError(
            "not a column", key="--column", found=text, allowed='"EC=conductivity:mS/cm" or "X=-"'
        )
    return header.strip(), what.strip(), unit.strip()


def with_said(
    header: Header, said: Sequence[tuple[str, str, str]], quantities: Mapping[str, Quantity]
) -> Header:
    """Give the header with what a person says of its columns.

    Raises:
        ConfigError: no such column, kind or unit.

    """
    columns = list(header.columns)
    for name, what, unit in said:
        places = [c.place for c in columns if _plain(c.header) == _plain(name)]
        if not places:
            raise ConfigError(
                "no such column", key="--column", found=name,
                allowed=", ".join(c.header for c in columns if c.header),
            )  # fmt: skip
        column = Column(places[0], columns[places[0]].header, "" if what == "-" else what, unit)
        if what in quantities:
            if unit:
                conversion(quantities[what], unit)
            column = _with_unit(column, quantities[what])
        elif what != "-" and what not in WORDS:
            raise ConfigError(
                "a column is a quantity, another thing of a table, or - to leave it out",
                key="--column", found=what, allowed=", ".join([*WORDS, *quantities]),
            )  # fmt: skip
        columns[places[0]] = column
    return replace(header, columns=tuple(columns))
