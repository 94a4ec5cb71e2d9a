"""Uncertainty, comparison, counts, charts and trends: pure functions, one file a subject."""

from __future__ import annotations
