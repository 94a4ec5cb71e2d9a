"""HTML and SVG that no typed text can break: what is not `Markup` is escaped."""

from __future__ import annotations

from html import escape

from acquire.outlets.words import tidy

__all__ = ["Markup", "join", "safe", "tag"]

_EMPTY = {"br", "hr", "meta", "link", "img", "path", "line", "rect", "circle", "polyline"}
_EMPTY |= {"polygon", "use", "ellipse"}
MOST = 2000
"""Characters of one piece of text; what is longer than that is no note."""


class Markup(str):
    """Text that is markup already, made by `tag` or `safe`."""

    __slots__ = ()


Child = Markup | str | int


def safe(text: object) -> Markup:
    """Escape text; line breaks become spaces, what cannot be seen or turns writing round goes."""
    return Markup(escape(tidy(str(text)[: MOST + 1], MOST)))


def join(*children: Child) -> Markup:
    """Put pieces after each other."""
    return Markup("".join(c if isinstance(c, Markup) else safe(c) for c in children))


def tag(name: str, /, *children: Child, **attributes: object) -> Markup:
    """Give one element. `class_` and `for_` lose their line, other `_` become `-`.

    An attribute of None or False is left out, one of True stands alone; numbers are shortened.
    """
    said = [name]
    for key, value in attributes.items():
        if value is None or value is False:
            continue
        word = key.rstrip("_").replace("_", "-")
        if value is True:
            said.append(word)
            continue
        text = f"{value:.5g}" if isinstance(value, float) else value
        shown = text if isinstance(text, Markup) else safe(text)
        said.append(f'{word}="{shown}"')
    head = " ".join(said)
    if name in _EMPTY and not children:
        return Markup(f"<{head}/>")
    return Markup(f"<{head}>{join(*children)}</{name}>")
