"""Whether each name that tests, scripts and simulators take from a module of ours is still there.

The type checker looks at the program; tests are not annotated, so a name that is gone showed only when
that test ran. This reads and imports nothing (a second for all): `scripts/test` does it first.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[1]
OURS = ("acquire", "drivers", "simulators", "tests")


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def bound(body: list[ast.stmt]) -> Iterator[str]:
    """Give the names that the statements of a module bind, those under `if`, `try`, `with`, `for` too."""
    for node in body:
        match node:
            case ast.FunctionDef() | ast.AsyncFunctionDef() | ast.ClassDef():
                yield node.name
                continue
            case ast.Import() | ast.ImportFrom():
                yield from (a.asname or a.name.partition(".")[0] for a in node.names)
        for inner in ast.walk(node):
            if isinstance(inner, ast.Name) and isinstance(inner.ctx, ast.Store):
                yield inner.id
        for name in ("body", "orelse", "finalbody"):
            yield from bound(getattr(node, name, []))
        for handler in getattr(node, "handlers", []):
            yield from bound(handler.body)


class Names:
    """What every module of ours has, read from its text once."""

    def __init__(self) -> None:
        self._files = {
            module_name(path): path for top in OURS for path in (ROOT / top).rglob("*.py")
        }
        self._folders = {
            ".".join(name.split(".")[:n]) for name in self._files for n in range(1, 9)
        } - set(self._files)
        self._held: dict[str, set[str] | None] = {}

    def is_module(self, name: str) -> bool:
        return name in self._files or name in self._folders

    def has(self, module: str, name: str) -> bool:
        """Tell whether a module has a name; True of one that makes its names as they are asked for."""
        if self.is_module(f"{module}.{name}") or name.startswith("__"):
            return True
        if module not in self._files:
            return False
        if module not in self._held:
            held = set(bound(ast.parse(self._files[module].read_text("utf-8")).body))
            self._held[module] = None if "__getattr__" in held else held
        found = self._held[module]
        return found is None or name in found


def gone(text: str, names: Names, folder: str = "") -> Iterator[tuple[int, str]]:
    """Give line and name of whatever a file takes from a module of ours that does not have it.

    `folder` is the package the file is in: benchmarks take their neighbours by their bare names.
    """
    tree = ast.parse(text)

    def full(module: str) -> str:
        beside = f"{folder}.{module}"
        is_beside = module not in sys.stdlib_module_names and names.is_module(beside)
        return beside if is_beside else module

    modules: dict[str, str] = {}  # what a name of this file stands for
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            module = full(node.module or "")
            if module.split(".")[0] not in OURS:
                continue
            if not names.is_module(module):
                yield node.lineno, module
                continue
            for alias in node.names:
                if alias.name != "*" and not names.has(module, alias.name):
                    yield node.lineno, f"{module}.{alias.name}"
                elif names.is_module(f"{module}.{alias.name}"):
                    modules[alias.asname or alias.name] = f"{module}.{alias.name}"
        elif isinstance(node, ast.Import):
            for alias in node.names:
                if alias.name.split(".")[0] not in OURS:
                    continue
                if not names.is_module(alias.name):
                    yield node.lineno, alias.name
                elif alias.asname:
                    modules[alias.asname] = alias.name
    others = {
        one.id if isinstance(one, ast.Name) else one.arg
        for one in ast.walk(tree)
        if isinstance(one, ast.arg)
        or (isinstance(one, ast.Name) and isinstance(one.ctx, ast.Store))
    }
    for node in ast.walk(tree):
        match node:
            case ast.Attribute(value=ast.Name(id=name), attr=attr) if (
                name in modules and name not in others and not names.has(modules[name], attr)
            ):
                yield node.lineno, f"{modules[name]}.{attr}"
            case ast.Call(
                func=ast.Attribute(attr="setattr" | "patch"),
                args=[ast.Constant(value=str(target)), *_],
            ) if target.split(".")[0] in OURS:
                module, _, attr = target.rpartition(".")
                if names.is_module(module) and not names.has(module, attr):
                    yield node.lineno, target


def main() -> int:
    names = Names()
    found = [
        f"{path.relative_to(ROOT)}:{line}: there is no {name}"
        for top in (*OURS, "scripts")
        for path in sorted((ROOT / top).rglob("*.py"))
        for line, name in gone(path.read_text("utf-8"), names, module_name(path).rpartition(".")[0])
    ]
    sys.stderr.write("".join(f"{one}\n" for one in found))
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
