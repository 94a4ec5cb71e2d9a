"""Takes over the table a person kept until now: sheets, columns, cells, then captures. No store."""

from __future__ import annotations
