"""How the figures are shown: as a table on the terminal and as a page of the documents."""

from __future__ import annotations

from collections.abc import Iterable

from tests.benchmarks.costs.figure import Figure

HEAD = """# What it costs

Measured by `make bench` on a {machine}; {date}. Each figure stands beside something plain measured in
the same run, in turns where that is possible, and **the ratio is what counts**: other work on the machine
slows both. `ms CPU` is processor time, not waiting. Numbers for a small board are larger, the ratios much
the same.

`make bench` prints this table and fails when a ratio is worse than 1.5 times the one in
[benchmarks.json](benchmarks.json); `scripts/bench --write` makes both files anew, `--quick` is for a look,
`--rows 1 10 100` also fills a hundred million rows (3 GB of disk, minutes). `make test` measures nothing.

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
        lines.append(
            f"| {one.name} | {one.value:.3g} {one.unit} | {one.against} | {one.other:.3g} | "
            f"{one.ratio:.3g} | {budget} | {held} |"
        )
    return "\n".join(lines)
