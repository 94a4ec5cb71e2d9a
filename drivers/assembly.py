"""From a profile to what reads the meter: framer, field reader, channels; checks across keys."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import assert_never

from acquire.errors import ConfigError
from acquire.quantities import BUILT_IN, Quantity
from acquire.readings import Channel
from acquire.toml_file import read_table
from drivers.codecs.columns import Columns
from drivers.codecs.fields import Field, FieldReader, Numerals
from drivers.codecs.framing import Checksum, Framer
from drivers.codecs.labels import Labels
from drivers.codecs.pattern import Pattern, compile_pattern
from drivers.measures import at, channel_of, scale_of
from drivers.profile import (
    ColumnsStyle,
    Framing,
    LabelsStyle,
    PatternStyle,
    Profile,
)

__all__ = ["TextMeter", "assemble", "put_together"]


@dataclass(frozen=True, slots=True)
class TextMeter:
    """A profile ready for use."""

    file: Path
    profile: Profile
    reader: FieldReader
    channels: tuple[Channel, ...]

    def framer(self) -> Framer:
        """Give a framer for one connection: it has a state."""
        framing = self.profile.framing
        return Framer(
            framing.terminator,
            max_length=framing.max_length,
            encoding=framing.encoding,
            checksum=_checksum(framing),
        )


def assemble(file: Path, quantities: Mapping[str, Quantity] = BUILT_IN) -> TextMeter:
    """Read and check a profile; ConfigError names file, key, found and allowed."""
    return put_together(read_table(file, Profile), file, quantities)


def put_together(
    profile: Profile, file: Path, quantities: Mapping[str, Quantity] = BUILT_IN
) -> TextMeter:
    """Check a profile that was read from that file, or is to be written to it."""
    with at(file=file):
        fields = {name: _field(profile, name, quantities) for name in profile.quantities}
        reader = _reader(profile, fields)
    channels = tuple(channel_of(fields[n].quantity, m) for n, m in profile.quantities.items())
    return TextMeter(file, profile, reader, channels)


def _checksum(framing: Framing) -> Checksum | None:
    table = framing.checksum
    return None if table is None else Checksum(table.kind, table.mark, table.after)


def _field(profile: Profile, name: str, quantities: Mapping[str, Quantity]) -> Field:
    measures = profile.quantities[name]
    return Field(
        scale_of(name, profile.quantities, quantities).quantity,
        measures.unit,
        factor=measures.factor,
        offset=measures.offset,
        labels=measures.label,
        group=measures.group or name,
        unit_from=measures.unit_from,
    )


def _reader(profile: Profile, fields: Mapping[str, Field]) -> FieldReader:
    style = profile.fields
    words = profile.words
    numerals = Numerals(style.decimal, words.over_range, words.error)
    _check_words(words.over_range, words.error)
    _check_place_keys(profile)
    match style:
        case LabelsStyle():
            _check_labels(fields, style)
            return Labels(fields, numerals, ignored=style.ignore)
        case ColumnsStyle():
            _check_columns(fields, style)
            return Columns(fields, numerals, separator=style.separator, columns=style.columns)
        case PatternStyle():
            with at("fields.pattern"):
                pattern = compile_pattern(style.pattern, profile.framing.max_length)
            _check_groups(fields, list(pattern.groupindex))
            return Pattern(fields, numerals, pattern=pattern)
        case _:
            assert_never(style)


def _check_words(over_range: Sequence[str], error: Sequence[str]) -> None:
    both = {w.casefold() for w in over_range} & {w.casefold() for w in error}
    if both:
        raise ConfigError(
            "a word cannot mean both over range and error",
            key="words",
            found=min(both),
            allowed="each word once",
        )


def _check_place_keys(profile: Profile) -> None:
    """Each style finds its fields in its own way; a key of another style would do nothing."""
    style = profile.fields.style
    belongs = {"label": ("labels",), "group": ("pattern",), "unit_from": ("columns", "pattern")}
    for name, measures in profile.quantities.items():
        for key, styles in belongs.items():
            if getattr(measures, key) and style not in styles:
                raise ConfigError(
                    f"the style {style} does not use this key",
                    key=f"quantities.{name}.{key}",
                    allowed=f"with style {' or '.join(styles)}",
                )


def _check_labels(fields: Mapping[str, Field], style: LabelsStyle) -> None:
    owners = dict.fromkeys((word.casefold() for word in style.ignore), "fields.ignore")
    for name, found in fields.items():
        key = f"quantities.{name}.label"
        if not found.labels:
            raise ConfigError("a key is missing", key=key, allowed="the label in the line")
        for label in found.labels:
            owner = owners.setdefault(label.casefold(), key)
            if owner != key:
                raise ConfigError("a label of two", key=key, found=label, allowed=f"not in {owner}")
            if label != label.strip() or label[0] in "+-.0123456789,;|:=":
                raise ConfigError(
                    "a label cannot be told from the value before it",
                    key=key,
                    found=label,
                    allowed="starts with no blank, digit, sign or separator",
                )


def _check_columns(fields: Mapping[str, Field], style: ColumnsStyle) -> None:
    if style.separator in "+-.0123456789\r\n" or style.separator == style.decimal:
        raise ConfigError(
            "a separator that is also part of a number",
            key="fields.separator",
            found=style.separator,
            allowed="one character, such as ; or tab, other than the decimal mark",
        )
    units = {found.unit_from for found in fields.values()} - {""}
    named = [name for name in style.columns if name]
    for name in named:
        if named.count(name) > 1:
            raise ConfigError("one name for two columns", key="fields.columns", found=name)
    strange = [name for name in named if name not in {*fields, *units}]
    if strange:
        raise ConfigError(
            "a column that no quantity claims",
            key="fields.columns",
            found=strange[0],
            allowed=f'{", ".join([*fields, *sorted(units)])}, or "" to ignore the column',
        )
    missing = [name for name in (*fields, *sorted(units)) if name not in named]
    if missing:
        raise ConfigError("no column for it", key="fields.columns", found=missing[0])


def _check_groups(fields: Mapping[str, Field], groups: Sequence[str]) -> None:
    for name, found in fields.items():
        for key, group in (("group", found.group), ("unit_from", found.unit_from)):
            if group and group not in groups:
                raise ConfigError(
                    "no such group in the pattern",
                    key=f"quantities.{name}.{key}",
                    found=group,
                    allowed=", ".join(groups) or "the pattern has no named group",
                )
    used = {group for found in fields.values() for group in (found.group, found.unit_from)}
    idle = [group for group in groups if group not in used]
    if idle:
        raise ConfigError(
            "a group that no quantity claims",
            key="fields.pattern",
            found=idle[0],
            allowed="a group without a name: (?:...)",
        )
