"""The page's own files: read once, answered from memory, compressed where that helps."""

from __future__ import annotations

import gzip
import hashlib
from dataclasses import dataclass
from pathlib import Path

from starlette.requests import Request
from starlette.responses import Response

from acquire.page.answers import Refused

__all__ = ["StaticFiles"]

FOLDER = Path(__file__).with_name("static")
_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".mjs": "text/javascript; charset=utf-8",
    ".json": "application/json",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".ico": "image/x-icon",
    ".woff2": "font/woff2",
    ".txt": "text/plain; charset=utf-8",
    ".webmanifest": "application/manifest+json",
}
_PACKED = {".png", ".ico", ".woff2"}
_MOST_BYTES = 5_000_000


@dataclass(frozen=True, slots=True)
class _File:
    kind: str
    body: bytes
    packed: bytes | None
    tag: str


class StaticFiles:
    """Knows the files that are there when it is made, and no others: a path is only looked up."""

    def __init__(self, folder: Path = FOLDER) -> None:
        self._files = {
            path.relative_to(folder).as_posix(): _read(path)
            for path in sorted(folder.rglob("*"))
            if path.suffix in _TYPES and path.is_file() and path.stat().st_size < _MOST_BYTES
        }

    def give(self, name: str, request: Request) -> Response:
        """Answer with a file; 304 when the browser has it."""
        file = self._files.get(name)
        if file is None:
            raise Refused(404, "no such file")
        headers = {"etag": file.tag, "cache-control": "no-cache", "vary": "accept-encoding"}
        said = request.headers.get("if-none-match", "")
        if file.tag in [one.strip() for one in said.split(",")]:
            return Response(status_code=304, headers=headers)
        if file.packed is not None and _takes_gzip(request):
            headers["content-encoding"] = "gzip"
            return Response(file.packed, headers=headers, media_type=file.kind)
        return Response(file.body, headers=headers, media_type=file.kind)


def _takes_gzip(request: Request) -> bool:
    """Tell whether the browser unpacks; weight 0 means that it does not (RFC 9110, 12.5.3)."""
    for one in request.headers.get("accept-encoding", "").lower().split(","):
        name, _, weight = one.replace(" ", "").partition(";q=")
        if name == "gzip":
            return not weight or weight.strip("0.") != ""
    return False


def _read(path: Path) -> _File:
    body = path.read_bytes()
    packed = None if path.suffix in _PACKED else gzip.compress(body, 9, mtime=0)
    tag = f'W/"{hashlib.sha256(body).hexdigest()[:20]}"'
    is_smaller = packed is not None and len(packed) < len(body)
    return _File(_TYPES[path.suffix], body, packed if is_smaller else None, tag)
