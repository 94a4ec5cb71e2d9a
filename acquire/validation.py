"""Turn pydantic's list of complaints into one clear line: file, key, found, allowed."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from difflib import get_close_matches
from types import UnionType
from typing import TYPE_CHECKING, Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from acquire.errors import ConfigError

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

__all__ = ["did_you_mean", "from_pydantic"]

_BOUNDS = {"gt": ">", "ge": ">=", "lt": "<", "le": "<=", "multiple_of": "a multiple of"}
_KINDS = {
    "string_type": "text in quotes",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "int_parsing": "a whole number",
    "float_type": "a number",
    "float_parsing": "a number",
    "finite_number": "a finite number",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "list_type": "a list",
    "tuple_type": "a list",
}


def from_pydantic(
    error: ValidationError,
    *,
    file: object = None,
    key: str = "",
    model: type[BaseModel] | None = None,
) -> ConfigError:
    """Give the first complaint as a `ConfigError`, with how many more there are.

    `key` is the dotted place the checked table stands at in `file`. `model` is the class that was
    validated: with it an unknown key is answered with the allowed ones. A validator of our own says
    what is allowed with ``PydanticCustomError(kind, text, {"allowed": "..."})``; with
    ``"secret": True`` beside it, what was found is not repeated.
    """
    # Unknown keys first: a misspelt key is the cause of the key that is then missing.
    complaints = sorted(error.errors(), key=lambda one: one["type"] != "extra_forbidden")
    first = complaints[0]
    steps = [step for step, _ in _walk(first["loc"], model)]
    dotted = _dotted([key, *steps] if key else steps)
    problem, found, allowed = _said(first, model)
    more = len(complaints) - 1
    if more:
        problem += f" (and {more} more)"
    return ConfigError(problem, file=file, key=dotted, found=found, allowed=allowed)


def _said(first: ErrorDetails, model: type[BaseModel] | None) -> tuple[str, object, str]:
    """Give problem, found and allowed of one complaint."""
    kind, found = first["type"], first["input"]
    context: Mapping[str, Any] = first.get("ctx", {})
    problem = (first["msg"][:1].lower() + first["msg"][1:]).replace(" after validation", "")
    allowed = str(context.get("allowed", ""))
    bounds = [f"{sign} {context[name]}" for name, sign in _BOUNDS.items() if name in context]
    if kind == "extra_forbidden":
        problem, found, allowed = _unknown_key(first["loc"], model)
    elif kind == "missing":
        problem, found = "a key is missing", None
    elif kind.startswith("union_tag"):
        name = str(context.get("discriminator", "")).strip("'")
        found = found.get(name) if isinstance(found, Mapping) else found
        problem = f"{name} does not say which kind this is"
        allowed = str(context.get("expected_tags", ""))
    elif kind in {"literal_error", "enum"}:
        allowed = str(context.get("expected", ""))
        choices = re.findall(r"'([^']*)'", allowed)
        problem = f"not one of the choices{did_you_mean(str(found), choices)}"
    elif kind.endswith("too_short") and context.get("min_length") == 1:
        problem = "should not be empty"
    elif kind in _KINDS:
        problem, allowed = "wrong kind of value", _KINDS[kind]
    elif kind == "value_error":
        problem = str(context.get("error", problem))
    elif bounds:
        problem, allowed = "out of range", ", ".join(bounds)
    return problem, None if context.get("secret") else found, allowed


def _unknown_key(
    loc: Sequence[int | str], model: type[BaseModel] | None
) -> tuple[str, object, str]:
    *_, (last, within) = _walk(loc, model)
    fields = within.model_fields if within is not None else {}
    names = [field.alias or name for name, field in fields.items()]
    return f"unknown key{did_you_mean(str(last), names)}", None, ", ".join(names)


def did_you_mean(found: str, names: Iterable[str]) -> str:
    """Give ", did you mean ...?" when one of the names is near, else nothing; case is no matter."""
    plain = {name.casefold(): name for name in names}
    near = get_close_matches(found.casefold(), plain, n=1)
    return f", did you mean {plain[near[0]]}?" if near else ""


def _walk(
    loc: Sequence[int | str], model: type[BaseModel] | None
) -> Iterator[tuple[int | str, type[BaseModel] | None]]:
    """Give each step of a place and the model it is a key of.

    Tags of unions, which pydantic puts in between and nobody typed, are left out.
    """
    here: Any = model
    for step in loc:
        tables = [
            kind
            for kind in _members(here)
            if isinstance(kind, type) and issubclass(kind, BaseModel)
        ]
        tagged = [kind for kind in tables if _has_tag(kind, step)] if len(tables) > 1 else []
        if tagged:
            here = tagged[0]
            continue
        within = tables[0] if tables else None
        yield step, within
        if within is not None:
            field = within.model_fields.get(str(step))
            here = None if field is None else field.annotation
        else:  # an item of a list or a table
            items = [kind for kind in get_args(_inner(here)) if kind is not Ellipsis]
            here = items[-1] if items else None


def _inner(kind: Any) -> Any:
    return get_args(kind)[0] if get_origin(kind) is Annotated else kind


def _members(kind: Any) -> list[Any]:
    kind = _inner(kind)
    if get_origin(kind) in {Union, UnionType}:
        return [_inner(one) for one in get_args(kind) if one is not type(None)]
    return [kind]


def _has_tag(kind: type[BaseModel], step: int | str) -> bool:
    return any(step in get_args(field.annotation) for field in kind.model_fields.values())


def _dotted(steps: Sequence[int | str]) -> str:
    text = ""
    for step in steps:
        if isinstance(step, int):
            text += f"[{step}]"
        else:
            text += f".{step}" if text else step
    return text
