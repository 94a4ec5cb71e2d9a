"""How wide a text stands on a terminal: wide characters take two columns, combining ones none."""

from __future__ import annotations

import textwrap

__all__ = ["cut", "padded", "wide", "wrap"]

_SECOND = "\u2060"
"""Stands for the second column of a wide character while lines are broken; no text from outside
holds it, for it is not printable."""


def wide(text: str) -> int:
    """Columns that a text takes."""
    if text.isascii():
        return len(text)
    from rich.cells import cell_len  # noqa: PLC0415 - most texts need none of it

    return cell_len(text)


def cut(text: str, most: int) -> str:
    """Give as much of a text as stands in so many columns, with … where something is missing."""
    if wide(text) <= most:
        return text
    kept, used = [], 1
    for sign in text:
        used += wide(sign)
        if used > most:
            break
        kept.append(sign)
    return "".join(kept) + "…"


def padded(text: str, columns: int, *, right: bool = False) -> str:
    """Fill up with blanks to so many columns; on the left where it stands `right`."""
    blanks = " " * max(0, columns - wide(text))
    return blanks + text if right else text + blanks


def wrap(text: str, columns: int, indent: str = "", *, then: str | None = None) -> list[str]:
    """Break between words, and inside one that is longer than a line."""
    doubled = "".join(sign + _SECOND if wide(sign) > 1 else sign for sign in text)
    # A break inside a word may part a wide character from its second column.
    room = columns - (doubled != text)
    lines = textwrap.wrap(
        doubled,
        room,
        initial_indent=indent,
        subsequent_indent=indent if then is None else then,
        break_on_hyphens=False,
    )
    return [line.replace(_SECOND, "") for line in lines]
