"""What an audit of the locks found: faults, nothing, or that nothing could be asked: `scripts/audit`."""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path

CLEAN, FAULTS, UNKNOWN = 0, 1, 2
DATABASES = ("pypi", "osv")
PIN = re.compile(r"^([A-Za-z0-9._-]+)==(\S+)", re.MULTILINE)


def answered(file):
    """Give what one database said: by package, its faults, or None where it could not say."""
    if not file.exists():
        return {}
    said = json.loads(file.read_text("utf-8"))["dependencies"]
    return {one["name"].lower(): one.get("vulns") for one in said}


def judge(folder, lock):
    """Give lines to print and the exit code of one lock."""
    names = {name.lower() for name, _ in PIN.findall(Path(lock).read_text("utf-8"))}
    said = {base: answered(Path(folder, f"{Path(lock).name}.{base}.json")) for base in DATABASES}
    met = {name for one in said.values() for name in one}
    asked = {name for one in said.values() for name, faults in one.items() if faults is not None}
    faults = {
        (name, fault["id"], ", ".join(fault["fix_versions"]) or "no version yet")
        for one in said.values()
        for name, found in one.items()
        for fault in found or ()
    }
    lines = [f"{name}: {fault}, mended in {mended}" for name, fault, mended in sorted(faults)]
    elsewhere = len(names - met) if met else 0  # an auditor leaves out what is for other systems
    unasked = sorted((met & names or names) - asked)
    lines.append(
        f"{len(asked)} of {len(names)} packages asked about, {len(faults)} known faults"
        + (f"; {elsewhere} are for other systems" if elsewhere else "")
    )
    if unasked:
        few = ", ".join(unasked[:3]) + (", …" if len(unasked) > 3 else "")
        lines.append(f"could not reach the advisory database for {len(unasked)}: {few}")
        lines += [f"  {base}: {reason(folder, lock, base, said[base])}" for base in DATABASES]
    return lines, FAULTS if faults else UNKNOWN if unasked else CLEAN


def reason(folder, lock, base, said):
    """Say in a line why a database gave no answer."""
    if said:
        silent = sum(faults is None for faults in said.values())
        return f"answers, but does not know {silent} of {len(said)} packages"
    why = Path(folder, f"{Path(lock).name}.{base}.why")
    last = why.read_text("utf-8").strip().splitlines()[-1:] if why.exists() else []
    return f"no answer: {(last or ['it said nothing'])[0][:300]}"


def main(folder, *locks):
    """Print the verdict on each lock; the worst is the exit code, a fault being worse than silence."""
    codes = []
    for lock in locks:
        lines, code = judge(folder, lock)
        codes.append(code)
        sys.stdout.write(f"{lock}:\n" + "".join(f"  {line}\n" for line in lines))
    return FAULTS if FAULTS in codes else max(codes)


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
