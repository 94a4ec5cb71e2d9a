"""A profile: the TOML file that says how a kind of meter talks and what it measures.

It is data and can run no code. `docs/profiles.md` describes every key.
"""

from __future__ import annotations

import re
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator
from pydantic_core import PydanticCustomError

from acquire.errors import ConfigError
from acquire.paths import expand, is_file
from acquire.validation import did_you_mean
from drivers.codecs.checksum import ChecksumName
from drivers.codecs.fields import DecimalMark
from drivers.codecs.framing import Encoding
from drivers.measures import Measures, Table

__all__ = [
    "ColumnsStyle",
    "Framing",
    "LabelsStyle",
    "PatternStyle",
    "Poll",
    "Profile",
    "SerialOverrides",
    "SerialSettings",
    "TextMeasures",
    "find_profile",
    "shipped_profiles",
]

_ESCAPE = re.compile(r"\\(x[0-9A-Fa-f]{2}|.|$)", re.DOTALL)
_PLAIN = {"r": "\r", "n": "\n", "t": "\t", "\\": "\\"}


def _unescape(said: object) -> object:
    r"""Turn a text with the escapes \r \n \t \\ and \xNN into bytes."""
    if not isinstance(said, str):
        return said

    def one(match: re.Match[str]) -> str:
        code = match[1]
        if code in _PLAIN:
            return _PLAIN[code]
        if len(code) == 3:
            return chr(int(code[1:], 16))
        raise PydanticCustomError("escape", "unknown escape", {"allowed": r"\r \n \t \\ \xNN"})

    if not said.isascii():
        raise PydanticCustomError(
            "escape", "a character that is not ASCII", {"allowed": r"ASCII; other bytes as \xNN"}
        )
    return _ESCAPE.sub(one, said).encode("latin-1")


def _several(said: object) -> object:
    """One label or a list of them."""
    return (said,) if isinstance(said, str) else said


_Bytes = Annotated[bytes, BeforeValidator(_unescape)]
_Word = Annotated[str, Field(min_length=1, max_length=40)]
_Words = Annotated[tuple[_Word, ...], Field(strict=False, max_length=40)]


_Baudrate = Annotated[int, Field(ge=50, le=4_000_000)]
_DataBits = Literal[5, 6, 7, 8]
_Parity = Literal["none", "even", "odd", "mark", "space"]
_StopBits = Literal[1, 2]
_Flow = Literal["none", "rtscts", "xonxoff"]


class SerialSettings(Table):
    """[serial]: the settings of the wire; a URL port other than rfc2217:// ignores them."""

    baudrate: _Baudrate = 9600
    data_bits: _DataBits = 8
    parity: _Parity = "none"
    stop_bits: _StopBits = 1
    flow: _Flow = "none"


class SerialOverrides(Table):
    """The serial table of one meter: what is given replaces the profile's."""

    baudrate: _Baudrate | None = None
    data_bits: _DataBits | None = None
    parity: _Parity | None = None
    stop_bits: _StopBits | None = None
    flow: _Flow | None = None

    def over(self, settings: SerialSettings) -> SerialSettings:
        return settings.model_copy(update=self.model_dump(exclude_none=True))


class ChecksumTable(Table):
    """[framing.checksum]"""

    kind: ChecksumName
    mark: Annotated[_Bytes, Field(max_length=4)] = b"*"
    after: Annotated[_Bytes, Field(max_length=4)] = b""


class Framing(Table):
    """[framing]: what a line is."""

    terminator: Annotated[_Bytes, Field(min_length=1, max_length=8)] = b"\r\n"
    max_length: Annotated[int, Field(ge=8, le=1024)] = 256
    encoding: Encoding = "utf-8"
    checksum: ChecksumTable | None = None


class Poll(Table):
    """[poll]: the meter speaks only when asked."""

    command: Annotated[_Bytes, Field(min_length=1, max_length=64)]
    interval_s: Annotated[float, Field(ge=0.05, le=3600)] = 1.0
    timeout_s: Annotated[float, Field(ge=0.01, le=60)] = 0.5
    missed_answers: Annotated[int, Field(ge=1, le=1000)] = 5
    """So many in a row mean that the meter is lost."""


class LabelsStyle(Table):
    """[fields] style = "labels": label, value, unit in any order."""

    style: Literal["labels"]
    decimal: DecimalMark = "."
    ignore: _Words = ()


class ColumnsStyle(Table):
    """[fields] style = "columns": values at fixed places between separators."""

    style: Literal["columns"]
    decimal: DecimalMark = "."
    separator: Annotated[str, Field(min_length=1, max_length=1)]
    columns: Annotated[tuple[str, ...], Field(strict=False, min_length=1, max_length=100)]


class PatternStyle(Table):
    """[fields] style = "pattern": a regular expression with named groups."""

    style: Literal["pattern"]
    decimal: DecimalMark = "."
    pattern: Annotated[str, Field(min_length=1)]


class WordsTable(Table):
    """[words]: what the meter shows in the place of a number."""

    over_range: _Words = ("OR", "OL")
    error: _Words = ("---", "--", "Err", "Error")


class TextMeasures(Measures):
    """[quantities.NAME] of a meter that sends text: also where the number stands in the line."""

    label: Annotated[_Words, BeforeValidator(_several)] = ()
    group: str = ""
    unit_from: str = ""


class Profile(Table):
    """The whole file."""

    description: str = ""
    driver: Literal["text_lines"] = "text_lines"
    interval_s: Annotated[float, Field(gt=0, le=3600)] | None = None
    """How rarely a meter that sends by itself may do so and still be well."""
    serial: SerialSettings = SerialSettings()
    framing: Framing = Framing()
    poll: Poll | None = None
    fields: Annotated[LabelsStyle | ColumnsStyle | PatternStyle, Field(discriminator="style")]
    words: WordsTable = WordsTable()
    quantities: Annotated[dict[str, TextMeasures], Field(min_length=1)]

    @model_validator(mode="after")
    def _has_one_rhythm(self) -> Profile:
        if self.poll is not None and self.interval_s is not None:
            raise PydanticCustomError(
                "rhythm",
                "interval_s at the top is for meters that send by themselves",
                {"allowed": "poll.interval_s"},
            )
        return self

    @property
    def slowest_s(self) -> float:
        """Seconds that may pass between two readings of a meter that is well; 0: not known."""
        if self.poll is not None:
            return self.poll.interval_s + self.poll.timeout_s
        return self.interval_s or 0.0


def shipped_profiles(driver: str = "text_lines") -> list[str]:
    """Give the names of the profiles for that driver that come with ouzel.

    Those for text lines stand in the folder itself, those of another driver in one of its name.
    """
    folder = files("drivers") / "profiles"
    if driver != "text_lines":
        folder /= driver
    return sorted(
        entry.name.removesuffix(".toml")
        for entry in folder.iterdir()
        if entry.name.endswith(".toml")
    )


def find_profile(name: str, base: Path | None = None, driver: str = "text_lines") -> Path:
    """Give the file of a shipped profile, or of a path (relative to `base`); ConfigError if none.

    A name with a slash or the ending ``.toml`` is a path.
    """
    shipped = shipped_profiles(driver)
    if name in shipped:
        folder = "" if driver == "text_lines" else driver
        return Path(str(files("drivers") / "profiles" / folder / f"{name}.toml"))
    allowed = f"{', '.join(shipped)}, or the path of a .toml file"
    if "/" not in name and not name.endswith(".toml"):
        problem = f"no such profile{did_you_mean(name, shipped)}"
        raise ConfigError(problem, found=name, allowed=allowed)
    path = expand(name, base or Path.cwd())
    if not is_file(path):
        raise ConfigError(f"no such profile, looked for {path}", found=name, allowed=allowed)
    return path
