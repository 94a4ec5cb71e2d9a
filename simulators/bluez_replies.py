"""How a BlueZ answers, and the names it gives to what goes wrong."""

from __future__ import annotations

from typing import Any

from dbus_fast import Message

__all__ = ["FAILED", "answer", "error", "refusal"]

FAILED = "org.bluez.Error.Failed"
_NOT_PERMITTED = "org.bluez.Error.NotPermitted"
_ATT_WORDS = {
    0x02: (_NOT_PERMITTED, "Read not permitted"),
    0x05: (_NOT_PERMITTED, "Not paired"),
    0x08: ("org.bluez.Error.NotAuthorized", "Operation Not Authorized"),
    0x0C: (_NOT_PERMITTED, "Not paired"),
    0x0F: (_NOT_PERMITTED, "Not paired"),
}
"""The names BlueZ has of its own for some ATT errors; it gives others by their number."""


def answer(message: Message, signature: str = "", body: list[Any] | None = None) -> Message:
    return Message.new_method_return(message, signature, body or [])


def error(message: Message, name: str, text: str) -> Message:
    return Message.new_error(message, name, text)


def refusal(message: Message, code: int) -> Message:
    name, text = _ATT_WORDS.get(code, (FAILED, f"Operation failed with ATT error: 0x{code:02x}"))
    return error(message, name, text)
