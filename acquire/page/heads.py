"""What the head of a request says of whom it is for and from whom it comes. Pure."""

from __future__ import annotations

from ipaddress import IPv6Address, ip_address
from typing import TYPE_CHECKING

from acquire.page.answers import Refused

if TYPE_CHECKING:
    from starlette.types import Scope

__all__ = ["bucket_of", "headers_of", "host_of", "is_address"]


def host_of(said: str) -> str:
    """Give the name in a Host header without its port, lower case; empty when it is none."""
    text = said.strip().lower()
    if text.startswith("["):
        inside, bracket, rest = text[1:].partition("]")
        is_port = not rest or (rest[0] == ":" and rest[1:].isdecimal())
        return inside if bracket and is_port else ""
    name, colon, port = text.partition(":")
    if colon and not port.isdecimal():
        return ""
    return name.rstrip(".")


def is_address(name: str) -> bool:
    """A name can be made to lead anywhere; an address in figures cannot."""
    try:
        ip_address(name)
    except ValueError:
        return False
    return True


def headers_of(scope: Scope) -> dict[str, str]:
    """Give the headers; of one that must stand once, two are refused."""
    found: dict[str, str] = {}
    for name, value in scope["headers"]:
        key, text = name.decode("latin-1").lower(), value.decode("latin-1")
        if key in found and key in {"host", "origin", "authorization", "content-type"}:
            raise Refused(400, f"two headers named {key}")
        found[key] = f"{found[key]}; {text}" if key == "cookie" and key in found else text
    return found


def bucket_of(scope: Scope) -> str:
    """Whose bucket it is: an IPv6 network counts as one (RFC 6177: a house has at least a /64)."""
    client = scope.get("client")
    if not client:
        return ""
    try:
        found = ip_address(client[0])
    except ValueError:
        return str(client[0])
    if isinstance(found, IPv6Address) and found.ipv4_mapped is None:
        return found.exploded[:19]
    return str(found)
