"""Which modules are pure, and whether their tests reach enough of them: `scripts/coverage`.

Pure is what makes numbers, decisions or bytes on a wire of its arguments alone: no file, port, clock
or task. Nothing excuses a branch of it that no test takes, for a test needs nothing but to call it.

Not on the list, though they hold no input or output either: what puts a finished result into words or
a picture (`*_words`, `*_json`, `report/`), which tests of commands, pages and files look at whole; what
is proven by faults instead (`store/`); and tests and benches, which are no part of the program.
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
    "acquire/importing/cells.py",
    "acquire/importing/columns.py",
    "acquire/outlets/senml.py",
    "acquire/outlets/pace.py",
    "acquire/outlets/messages.py",
    "acquire/outlets/homie.py",
    "acquire/outlets/metrics.py",
    "acquire/outlets/chart.py",
    "acquire/outlets/words.py",
    "drivers/codecs/*.py",
    "drivers/learning_*.py",
    # What a simulated meter shows: proofs rest on it.
    "simulators/decays.py",
    "simulators/display.py",
    "simulators/hand.py",
    "simulators/noise.py",
    "simulators/probe.py",
    "simulators/response.py",
    "simulators/traits.py",
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
