"""Who may come to the page from elsewhere: tokens, of which only hashes are kept.

A token is 256 random bits, so one round of SHA-256 (FIPS 180-4) is all a hash of it needs: there is
nothing to guess. The file beside the store holds a name, the hash and a time for each.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import secrets
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path

from acquire.errors import ConfigError
from acquire.page.private import write_private

__all__ = ["Guest", "Tokens", "tokens_file"]

_MOST = 100
_LONGEST = 200


@dataclass(frozen=True, slots=True)
class Guest:
    """Somebody, or something, that was given a token."""

    name: str
    sha256: str
    made: str
    """UTC, ISO 8601."""


def tokens_file(named: Path | None, store: Path) -> Path:
    """Give the file the hashes are in."""
    return named or store.with_name(f"{store.name}.guests")


class Tokens:
    """The file, read anew whenever it was changed."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self._seen: tuple[int, int] | None = None
        self._guests: list[Guest] = []

    def guests(self) -> list[Guest]:
        """Give everybody, first invited first; ConfigError when the file is none of ours."""
        try:
            state = self.file.stat()
        except OSError:
            self._seen, self._guests = None, []
            return []
        seen = (state.st_mtime_ns, state.st_size)
        if seen != self._seen:
            self._guests = self._read()
            self._seen = seen
        return list(self._guests)

    def knows(self, token: str) -> bool:
        """Whether somebody was given that token; takes the same time for any."""
        if not token or len(token) > _LONGEST:
            return False
        said = _hash(token)
        found = False
        with suppress(ConfigError):
            for guest in self.guests():
                found |= hmac.compare_digest(guest.sha256, said)
        return found

    def invite(self, name: str, made: str) -> str:
        """Make a token and give it: this once, it is kept nowhere."""
        guests = self.guests()
        if any(guest.name == name for guest in guests):
            raise ConfigError(
                "somebody of that name is invited already", found=name, allowed="another name"
            )
        if len(guests) >= _MOST:
            raise ConfigError(f"{_MOST} are invited: `ouzel page dismiss` some first")
        token = secrets.token_urlsafe(32)
        self._write([*guests, Guest(name, _hash(token), made)])
        return token

    def dismiss(self, name: str) -> None:
        """Let somebody in no longer."""
        guests = self.guests()
        left = [guest for guest in guests if guest.name != name]
        if len(left) == len(guests):
            allowed = ", ".join(guest.name for guest in guests) or "nobody is invited"
            raise ConfigError("nobody of that name is invited", found=name, allowed=allowed)
        self._write(left)

    def _read(self) -> list[Guest]:
        try:
            said = json.loads(self.file.read_text("utf-8"))
            return [Guest(str(g["name"]), str(g["sha256"]), str(g["made"])) for g in said["guests"]]
        except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
            raise ConfigError(f"cannot be read: {error!r}", file=self.file) from error

    def _write(self, guests: list[Guest]) -> None:
        text = json.dumps({"guests": [asdict(guest) for guest in guests]}, indent=1)
        try:
            write_private(self.file, text)
        except OSError as error:
            raise ConfigError(
                f"cannot be written: {error.strerror or error}", file=self.file
            ) from error


def _hash(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()
