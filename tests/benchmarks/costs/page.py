"""How the figures are shown: as a table on the terminal and as a page of the documents."""

from __future__ import annotations

import math
from collections.abc import Iterable

from tests.benchmarks.costs.figure import Figure

HEAD = """# What it costs

Measured by `make bench` on a {machine}; {date}. Each figure stands beside something plain measured in
the same run, in turns where that is possible, and **the ratio is what counts**: other work on the machine
slows both. `ms CPU` is processor time, not waiting. Numbers for a small board are larger, the ratios much
the same.

`make bench` prints this table and fails when a ratio is worse than 1.5 times the one in
[benchmarks.json](benchmarks.json), which also says of each when and on what machine it was measured.
`scripts/bench --write` makes both files anew, `--only PART` leaves the rest as it was, `--quick` is for a look.
A hundred million rows take a gigabyte of disk for a while and some minutes; `--rows 1 10` is without them.
`make test` measures nothing.

An exponent says how a cost grows: 0 not at all, 1 in step with what it is held against.

"""


def table(figures: Iterable[Figure]) -> str:
    lines = [
        "| what | ouzel | beside it | | ratio | budget | held |",
        "|---|---:|---|---:|---:|---:|---|",
    ]
    for one in figures:
        budget = ""
        if one.budget is not None:
            budget = f"{one.budget:g}" + (" ×" if one.is_ratio_budget else "")
        held = {True: "yes", False: "**no**", None: ""}[one.is_within]
        ratio = f"{one.ratio:.3g}" if math.isfinite(one.ratio) else ""
        lines.append(
            f"| {one.name} | {one.value:.3g} {one.unit} | {one.against} | {one.other:.3g} | "
            f"{ratio} | {budget} | {held} |"
        )
    return "\n".join(lines)
