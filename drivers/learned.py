"""What `ouzel learn` is given, makes of what was heard, and writes."""

from __future__ import annotations

from typing import Any

from pydantic import ValidationError

from acquire.errors import ConfigError, FrameError, MeterLost
from drivers.codecs.framing import printable
from drivers.learning import Heard
from drivers.learning_profile import Understood, understand
from drivers.profile import Poll
from drivers.recording import written

__all__ = ["command_of", "make_sense", "whole_profile"]


def command_of(text: str) -> bytes:
    r"""Read a command with the escapes \r \n \t \\ \xNN; ConfigError when it cannot be one."""
    try:
        return Poll.model_validate({"command": text}).command
    except ValidationError as error:
        said = error.errors()[0]
        allowed = str(said.get("ctx", {}).get("allowed", "1 to 64 bytes"))
        raise ConfigError(
            f"not a command: {said['msg']}", key="--command", found=text, allowed=allowed
        ) from error


def whole_profile(found: Understood, heard: Heard) -> dict[str, Any]:
    """Give the profile as it goes into a file."""
    serial = heard.settings.model_dump(exclude_defaults=True)
    table: dict[str, Any] = {
        "description": "Learned from what the meter said",
        "serial": {"baudrate": heard.settings.baudrate, **serial},
    }
    table["framing"] = found.profile["framing"]
    if heard.poll is not None:
        table["poll"] = heard.poll
    return {**table, **found.profile}


def make_sense(heard: Heard) -> Understood:
    """Make a profile of what was heard; MeterLost says what was seen and what to do."""
    try:
        return understand(bytes(heard.data))
    except FrameError as error:
        tail = bytes(heard.data[-300:])
        pieces = [piece for piece in tail.replace(b"\r", b"\n").split(b"\n") if piece.strip()]
        seen = "\n  ".join(printable(piece, 76) for piece in pieces[-4:])
        raise MeterLost(
            f"{error}. Seen at {written(heard.settings)}:\n  {seen}\n"
            "Write a profile by hand: docs/profiles.md shows how"
        ) from error
