"""Identities of what is kept."""

from __future__ import annotations

import secrets

__all__ = ["new_id"]


def new_id() -> str:
    """A capture's identity: eight characters without look-alikes, 40 random bits."""
    alphabet = "0123456789abcdefghjkmnpqrstvwxyz"
    return "".join(secrets.choice(alphabet) for _ in range(8))
