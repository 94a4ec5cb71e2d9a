"""Holds questions and answers of the interface against its OpenAPI document."""

from __future__ import annotations

import re

import jsonschema

__all__ = ["hold"]


def hold(document, method, path, asked, answer):
    """Raise ValidationError when an answer, or a body that was taken, is not as described."""
    operation = _operation(document, method, path)
    if operation is None:
        return
    is_taken = 200 <= answer.status_code < 300
    said = operation["responses"]
    content = said[str(answer.status_code)] if is_taken else said["default"]
    _validate(document, content["content"]["application/json"]["schema"], answer.json())
    if is_taken and "requestBody" in operation:
        body = operation["requestBody"]["content"]["application/json"]["schema"]
        _validate(document, body, asked)


def _operation(document, method, path):
    for template, methods in sorted(document["paths"].items(), key=lambda one: "{" in one[0]):
        pattern = re.sub(r"\\\{history\\\}|\\\{\w+\\\}", "[^/]+", re.escape(template))
        if re.fullmatch(pattern, path):
            return methods.get(method)
    assert not path.startswith("/api/1/"), f"{path} is not described"
    return None


def _validate(document, schema, said):
    whole = {**schema, "components": document["components"]}
    jsonschema.validate(said, whole, cls=jsonschema.Draft202012Validator)
