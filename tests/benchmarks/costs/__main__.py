"""Measures what ouzel costs beside something plain, and holds it against what was committed.

    python -m tests.benchmarks.costs [--quick] [--write] [--only WORD] [--rows 1 10 100]

A ratio above 1.5 times the committed one ends it with 1; --write makes docs/benchmarks.json and docs/benchmarks.md anew instead.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import platform
import sqlite3
import sys
import time
from dataclasses import asdict, fields, replace
from pathlib import Path

from tests.benchmarks.costs import computing, growth, latency, serving, starts
from tests.benchmarks.costs.figure import Figure
from tests.benchmarks.costs.page import HEAD, table

DOCS = Path(__file__).parents[3] / "docs"
WORSE = 1.5


def machine() -> str:
    return (
        f"{os.cpu_count()}-core {platform.machine()} virtual machine shared with other work, "
        f"{platform.system()}, Python {platform.python_version()}, SQLite {sqlite3.sqlite_version}"
    )


def worse_than(committed: dict[str, object], figures: list[Figure]) -> list[str]:
    """What became worse: by name, with both ratios."""
    before = {one["name"]: one for one in committed["figures"]}
    found = []
    for one in figures:
        old = before.get(one.name)
        if old is None or not one.is_compared:
            continue
        if not math.isfinite(one.ratio):  # beside nothing: its budget says what is too much
            if old["is_within"] and not one.is_within:
                found.append(f"{one.name}: {one.value:.3g}, was {old['value']:.3g}")
            continue
        if one.ratio > WORSE * old["ratio"]:
            found.append(f"{one.name}: {one.ratio:.3g} times {one.against}, was {old['ratio']:.3g}")
    return found


def write(figures: list[Figure], file: Path, *, keep: bool) -> None:
    """Commit them to docs/; with `keep` those of other parts stay as they were measured before."""
    today = time.strftime("%Y-%m-%d")
    figures = [replace(one, measured=f"{today}, {machine()}") for one in figures]
    if keep and file.exists():
        mine = {one.name for one in figures}
        names = {field.name for field in fields(Figure)}
        before = json.loads(file.read_text())
        old = [
            Figure(
                **{"measured": f"{before['date']}, {before['machine']}"}
                | {k: v for k, v in one.items() if k in names}
            )
            for one in before["figures"]
        ]
        figures = [one for one in old if one.name not in mine] + figures
    said = [
        {
            **{key: round(v, 4) if isinstance(v, float) else v for key, v in asdict(one).items()},
            "ratio": round(one.ratio, 4) if math.isfinite(one.ratio) else None,
            "is_within": one.is_within,
        }
        for one in figures
    ]
    whole = {"machine": machine(), "date": today, "figures": said}
    file.write_text(json.dumps(whole, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    text = HEAD.format(machine=machine(), date=time.strftime("%B %Y"))
    (DOCS / "benchmarks.md").write_text(text + table(figures) + "\n", encoding="utf-8")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="fewer repeats; for a look only")
    parser.add_argument(
        "--write", action="store_true", help="make docs/benchmarks.* of these figures"
    )
    parser.add_argument("--only", default="", metavar="WORD", help="parts whose name begins so")
    parser.add_argument("--rows", type=int, nargs="+", metavar="MILLIONS")
    args = parser.parse_args()
    millions = args.rows or ([1, 10] if args.quick else [1, 10, 100])
    parts = {
        "starts": lambda: starts.measure(args.quick),
        "computing": lambda: computing.measure(args.quick),
        "growth": lambda: growth.measure(args.quick, [n * 1_000_000 for n in millions]),
        "latency": lambda: latency.measure(args.quick),
        "serving": lambda: serving.measure(args.quick),
    }
    figures: list[Figure] = []
    for name, part in parts.items():
        if name.startswith(args.only):
            print(f"{name} ...", file=sys.stderr, flush=True)
            figures += part()
    print(table(figures))
    file = DOCS / "benchmarks.json"
    if args.write:
        write(figures, file, keep=bool(args.only))
        return 0
    worse = worse_than(json.loads(file.read_text()), figures) if file.exists() else []
    for one in worse:
        print(f"WORSE {one}", file=sys.stderr)
    return 1 if worse else 0


if __name__ == "__main__":
    sys.exit(main())
