"""The arrows of the house point down: who may import whom."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
MODULES = sorted(
    path
    for folder in ("acquire", "drivers", "simulators")
    for path in (ROOT / folder).rglob("*.py")
)

# The floor of each part of `acquire`: a module imports only from lower floors or its own.
FLOORS = {
    "errors": 0,
    "quantities": 1,
    "readings": 1,
    "clock": 2,
    "bus": 2,
    "asking": 2,
    "notify": 2,
    "progress": 2,
    "validation": 2,
    "paths": 2,
    "toml_file": 2,
    "water": 3,
    "stats": 3,
    "settle": 3,
    "procedures": 3,
    "presets": 3,
    "watch": 4,
    "checks": 4,
    "rounds": 4,
    "immersion": 4,
    "meter": 4,
    "registry": 5,
    "bench": 5,
    "store": 5,
    "importing": 5,
    "outward": 6,
    "installation": 6,
    "watching": 6,
    "walking": 6,
    "errands": 6,
    "service_unit": 2,
    "service_here": 7,
    "own_quantities": 2,
    "config": 6,
    "outlets": 7,
    "works": 7,
    "daemon": 7,
    "learned": 7,
    "demo": 8,
    "report": 8,
    "page": 9,
    "cli": 10,
    "__main__": 11,
}


def imports(path):
    """Every module a file imports, inside functions too."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield node.module or ""


def floor(module):
    part = module.split(".")[1] if "." in module else ""
    if part.startswith("settle"):
        part = "settle"
    return FLOORS[part] if part else 0


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_imports_point_down(path):
    name = ".".join(path.relative_to(ROOT).with_suffix("").parts)
    for found in imports(path):
        top = found.split(".")[0]
        if name.startswith("acquire"):
            assert top not in {"drivers", "simulators"}, f"{name} imports {found}"
            if top == "acquire" and found != "acquire":
                assert floor(found) <= floor(name), f"{name} imports {found}, which is above it"
        elif name.startswith("drivers"):
            assert top != "simulators"
            allowed = (
                "errors",
                "readings",
                "quantities",
                "meter",
                "clock",
                "validation",
                "toml_file",
                "paths",
            )
            if top == "acquire":
                assert found.split(".")[1] in allowed, f"{name} imports {found}"
        elif top == "drivers":
            assert found.startswith("drivers.codecs"), f"{name} imports {found}"


HEAVY = {
    "pydantic",
    "asyncio",
    "rich",
    "serial",
    "sqlite3",
    "bleak",
    "numpy",
    "dataclasses",
    "json",
}


def test_help_loads_nothing_heavy():
    code = (
        "import sys\n"
        "from acquire.cli import main\n"
        "try: main(['--help'])\n"
        "except SystemExit: pass\n"
        "print('loaded:' + ','.join(sorted(set(m.split('.')[0] for m in sys.modules))))\n"
    )
    out = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    ).stdout
    loaded = set(out.split("loaded:")[1].strip().split(","))
    assert "argparse" in loaded
    assert not loaded & HEAVY
