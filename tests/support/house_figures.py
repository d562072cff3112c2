"""Figures of the house, from its own files: `python -m tests.support.house_figures [FOLDER]`.

FOLDER is the top of a checkout, the present one by default, so that two can be held side by side.
"""

from __future__ import annotations

import ast
import sys
from collections import Counter, defaultdict
from pathlib import Path

FITTINGS = {"Eye", "Ball", "Crosspin", "EyeKeys", "BallKeys", "CrosspinKeys"}
FITTING_KINDS = {"EYE", "BALL", "CROSSPIN"}
FUNCTIONS = (ast.FunctionDef, ast.AsyncFunctionDef)
SAME_FIELDS = 4
HAND_KEYS = 4
UNITS = ("_mm", "_deg", "_json", "_um", "_percent")


def code_lines(text: str, tree: ast.Module) -> int:
    """Count the lines that are not blank, comment, docstring or import."""
    left_out: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, (ast.Import, ast.ImportFrom)):
            left_out |= set(range(node.lineno, node.end_lineno + 1))
        elif (
            isinstance(node, (ast.Module, ast.ClassDef, *FUNCTIONS))
            and ast.get_docstring(node, clean=False) is not None
        ):
            left_out |= set(range(node.body[0].lineno, node.body[0].end_lineno + 1))
    return sum(
        1
        for number, line in enumerate(text.split("\n"), 1)
        if line.strip() and not line.lstrip().startswith("#") and number not in left_out
    )


def _name(node: ast.AST) -> str:
    """Give the name that a value is taken from, without its unit."""
    while isinstance(node, ast.Call):
        node = node.args[0] if node.args else node.func
    name = ""
    if isinstance(node, ast.Attribute):
        name = node.attr
    elif isinstance(node, ast.Subscript) and isinstance(node.slice, ast.Constant):
        name = str(node.slice.value)
    return _bare(name)


def _bare(name: str) -> str:
    for unit in UNITS:
        name = name.removesuffix(unit)
    return name


def copied_fields(function: ast.AST) -> int:
    """Count the values that are copied from a field into one of the same name."""
    count = 0
    for node in ast.walk(function):
        if isinstance(node, ast.Call):
            count += sum(1 for k in node.keywords if k.arg and _bare(k.arg) == _name(k.value))
        elif isinstance(node, ast.Dict):
            count += sum(
                1
                for k, v in zip(node.keys, node.values, strict=True)
                if isinstance(k, ast.Constant) and _bare(str(k.value)) == _name(v)
            )
    return count


def writes_json(function: ast.AST) -> bool:
    """Tell whether a function spells out an object of several text keys."""
    return any(
        isinstance(node, ast.Dict)
        and sum(isinstance(k, ast.Constant) and isinstance(k.value, str) for k in node.keys)
        >= HAND_KEYS
        for node in ast.walk(function)
    )


def asks_fitting(node: ast.AST) -> bool:
    """Tell whether an expression asks which kind of fitting something is."""
    if (
        isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id == "isinstance"
    ):
        return any(isinstance(n, ast.Name) and n.id in FITTINGS for n in ast.walk(node.args[1]))
    return isinstance(node, ast.Compare) and any(
        isinstance(n, ast.Attribute) and n.attr in FITTING_KINDS for n in ast.walk(node)
    )


def cycles(imports: dict[str, set[str]]) -> list[list[str]]:
    """Find the groups of modules that import each other in a ring."""
    reached: dict[str, set[str]] = {}
    for start, first in imports.items():
        seen: set[str] = set()
        waiting = list(first)
        while waiting:
            module = waiting.pop()
            if module not in seen:
                seen.add(module)
                waiting += imports.get(module, ())
        reached[start] = seen
    rings = {
        tuple(sorted({a} | {b for b in reached[a] if a in reached.get(b, ())}))
        for a in imports
        if a in reached[a]
    }
    return [list(ring) for ring in sorted(rings)]


def figures(top: Path) -> dict[str, object]:
    """Measure `labkit/` below a folder."""
    package = top / "labkit"
    paths = {
        ".".join(("labkit", *p.relative_to(package).with_suffix("").parts)): p
        for p in sorted(package.rglob("*.py"))
    }
    found: Counter[str] = Counter()
    by_room: Counter[str] = Counter()
    importers: dict[str, set[str]] = defaultdict(set)
    imports: dict[str, set[str]] = {}
    for module, path in paths.items():
        text = path.read_text("utf-8")
        tree = ast.parse(text)
        room = room_of(module, package)
        code = code_lines(text, tree)
        by_room[room] += code
        found["files"] += 1
        found["lines"] += text.count("\n")
        found["lines of code"] += code
        found["comments"] += sum(1 for li in text.split("\n") if li.lstrip().startswith("#"))
        found["questions for a fitting's kind"] += sum(map(asks_fitting, ast.walk(tree)))
        for function in (n for n in ast.walk(tree) if isinstance(n, FUNCTIONS)):
            found["functions"] += 1
            if copied_fields(function) >= SAME_FIELDS:
                found["functions that copy fields"] += 1
                found["lines of those"] += function.end_lineno - function.lineno + 1
            found["functions that write JSON by hand"] += writes_json(function)
        imports[module] = set()
        for node in (n for n in ast.walk(tree) if isinstance(n, ast.ImportFrom)):
            for target in targets(node, paths):
                importers[target].add(module)
                found["imports across rooms"] += room_of(target, package) not in (room, "base")
                imports[module].add(target)
    found["modules with one importer"] = sum(len(who) == 1 for who in importers.values())
    rings = cycles(imports)
    rest: dict[str, object] = dict(found)
    rest["comments per 100 lines"] = round(100 * found["comments"] / found["lines"], 2)
    rest["cycles"] = [" ↔ ".join(ring) for ring in rings] or "none"
    rest["lines of code by room"] = dict(sorted(by_room.items()))
    return rest


def targets(node: ast.ImportFrom, paths: dict[str, Path]) -> list[str]:
    """Name the modules that an import statement reaches, one for each name from them."""
    deep = [f"{node.module}.{a.name}" for a in node.names if f"{node.module}.{a.name}" in paths]
    return deep or ([node.module] if node.module in paths else [])


def room_of(module: str, package: Path) -> str:
    """Name the room of a module."""
    parts = module.split(".")
    return parts[1] if len(parts) > 1 and (package / parts[1]).is_dir() else "base"


if __name__ == "__main__":
    for name, value in figures(Path(sys.argv[1] if len(sys.argv) > 1 else ".")).items():
        print(f"{name}: {value}")
