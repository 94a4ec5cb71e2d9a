"""Which modules are pure, and whether their tests reach enough of them: `scripts/coverage`.

Pure modules do no input or output, so nothing excuses a branch that no test takes.
"""

from __future__ import annotations

import json
import sys
from fnmatch import fnmatch
from pathlib import Path

FLOOR = 95.0
PURE = (
    "acquire/water/*.py",
    "acquire/stats/*.py",
    "acquire/settle*.py",
    "acquire/procedures.py",
    "acquire/presets.py",
    "acquire/quantities.py",
    "acquire/own_quantities.py",
    "acquire/validation.py",
    "acquire/checks.py",
    "acquire/readings.py",
    "acquire/rounds.py",
    "acquire/service_unit.py",
    "acquire/immersion/*.py",
    "acquire/watch/*.py",
    "acquire/bench/*.py",
    "acquire/outlets/senml.py",
    "acquire/outlets/pace.py",
    "acquire/outlets/messages.py",
    "acquire/outlets/homie.py",
    "acquire/outlets/metrics.py",
    "acquire/outlets/chart.py",
    "acquire/outlets/words.py",
    "drivers/codecs/*.py",
)


def share(part, whole):
    return 100.0 if whole == 0 else 100.0 * part / whole


def main(report):
    """Print a line for each pure module below the floor; 1 when there is one."""
    files = json.loads(Path(report).read_text("utf-8"))["files"]
    below, looked_at, lines, branches = [], 0, [0, 0], [0, 0]
    for name, found in sorted(files.items()):
        if not any(fnmatch(name, pattern) for pattern in PURE):
            continue
        looked_at += 1
        said = found["summary"]
        lines = [lines[0] + said["covered_lines"], lines[1] + said["num_statements"]]
        branches = [branches[0] + said["covered_branches"], branches[1] + said["num_branches"]]
        of_lines = share(said["covered_lines"], said["num_statements"])
        of_branches = share(said["covered_branches"], said["num_branches"])
        if min(of_lines, of_branches) < FLOOR:
            arrows = [f"{a}->{b if b > 0 else 'exit'}" for a, b in found["missing_branches"][:6]]
            gaps = ", ".join([*map(str, found["missing_lines"][:8]), *arrows])
            below.append(f"{name}: lines {of_lines:.0f} %, branches {of_branches:.0f} %: {gaps}")
    sys.stdout.write("\n".join(below) + "\n" if below else "")
    sys.stdout.write(
        f"{looked_at} pure modules: lines {share(*lines):.1f} %, branches {share(*branches):.1f} %; "
        f"{len(below)} below the floor of {FLOOR:g} %\n"
    )
    return 1 if below or not looked_at else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
