"""Small changes of the code, one at a time: which of them does no test notice?

    python -m tests.support.mutations labkit/core --tests tests/core tests/qa --count 200

The tests run once to learn which test reaches which line. Then a sample of changes, drawn by
`--seed`, is tried, each in a process of its own that imports the changed module and runs only the
tests that reach the line, up to the first that fails. Nothing is written: the change is made as
the module is imported. Tests that start a program of their own do not see it.
"""

from __future__ import annotations

import argparse
import ast
import copy
import importlib.machinery
import io
import os
import random
import signal
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import redirect_stderr, redirect_stdout, suppress
from pathlib import Path

import coverage
import numpy as np  # imported before the processes part, for speed
import pytest
import sqlalchemy

#: Processor seconds of one change; a loop without end is noticed by this.
MOST_SECONDS = 40
_LOADED_FOR_SPEED = (np, sqlalchemy)
_SWAPS: Mapping[type[ast.AST], type[ast.AST]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn,
    ast.NotIn: ast.In, ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.Pow: ast.Mult, ast.FloorDiv: ast.Mult, ast.Mod: ast.Mult, ast.BitAnd: ast.BitOr,
    ast.And: ast.Or, ast.Or: ast.And,
}
_CALLS = {"min": "max", "max": "min", "any": "all", "all": "any", "floor": "ceil", "ceil": "floor"}


def change(node: ast.AST) -> ast.AST | None:
    """Give what a node is changed to; None where it stays."""
    if isinstance(node, ast.Compare) and type(node.ops[0]) in _SWAPS:
        return _with(node, ops=[_SWAPS[type(node.ops[0])](), *node.ops[1:]])
    if isinstance(node, ast.BinOp | ast.AugAssign | ast.BoolOp):
        return _turned(node)
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub):
        return node.operand
    if isinstance(node, ast.Constant) and isinstance(node.value, bool | int | float):
        value = node.value
        return ast.Constant(not value if isinstance(value, bool) else value * 2 + 1)
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
        name = _CALLS.get(node.func.id)
        return None if name is None else _with(node, func=ast.Name(name, ast.Load()))
    if isinstance(node, ast.If | ast.IfExp) and not isinstance(node.test, ast.Compare | ast.BoolOp):
        return _with(node, test=ast.UnaryOp(ast.Not(), node.test))
    if isinstance(node, ast.Return) and node.value and not isinstance(node.value, ast.Constant):
        return _with(node, value=ast.Constant(None))
    return None


def _turned(node: ast.BinOp | ast.AugAssign | ast.BoolOp) -> ast.AST | None:
    """Take another operator; of a union, which side wins."""
    if type(node.op) in _SWAPS:
        return _with(node, op=_SWAPS[type(node.op)]())
    if not isinstance(node.op, ast.BitOr) or isinstance(node, ast.BoolOp):
        return None
    if isinstance(node, ast.BinOp):
        return _with(node, left=node.right, right=node.left)
    here = ast.parse(ast.unparse(node.target), mode="eval").body
    return ast.Assign([node.target], ast.BinOp(node.value, ast.BitOr(), here))


def _with(node: ast.AST, **fields: object) -> ast.AST:
    changed = copy.copy(node)
    for name, value in fields.items():
        setattr(changed, name, value)
    return changed


def sites(node: ast.AST) -> Iterator[tuple[ast.AST, str, int | None]]:
    """Give every place where a node hangs: parent, field and index; no types, no sentences."""
    skipped = {"annotation", "returns", "decorator_list", "exc", "type_params"}
    for name, value in ast.iter_fields(node):
        if name in skipped or isinstance(node, ast.Assert | ast.JoinedStr):
            continue
        if isinstance(node, ast.keyword) and node.arg in ("strict", "frozen", "eq"):
            continue
        for at, child in enumerate(value) if isinstance(value, list) else ((None, value),):
            if isinstance(child, ast.AST):
                yield node, name, at
                yield from sites(child)


def mutants(path: Path) -> Iterator[tuple[int, int, str]]:
    """Give every change of a module: number of the place, line, what was and is now."""
    for number, (parent, name, at) in enumerate(sites(ast.parse(path.read_text("utf-8")))):
        node = getattr(parent, name) if at is None else getattr(parent, name)[at]
        new = change(node)
        if new is not None:
            yield number, getattr(node, "lineno", 0), f"{_short(node)}  →  {_short(new)}"


def changed_tree(path: Path, number: int) -> ast.Module:
    """Change one place of a module."""
    tree = ast.parse(path.read_text("utf-8"))
    parent, name, at = list(sites(tree))[number]
    node = getattr(parent, name) if at is None else getattr(parent, name)[at]
    new = ast.copy_location(change(node) or node, node)
    if at is None:
        setattr(parent, name, new)
    else:
        getattr(parent, name)[at] = new
    return ast.fix_missing_locations(tree)


def _short(node: ast.AST) -> str:
    return ast.unparse(ast.fix_missing_locations(copy.deepcopy(node))).splitlines()[0][:70]


class Contexts:
    """Tells coverage which test is running."""

    def __init__(self, cover: coverage.Coverage) -> None:
        self.cover = cover

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtest_logstart(self, nodeid: str) -> None:
        """A test with its fixtures begins."""
        self.cover.switch_context(nodeid)


def run(tests: list[str], *plugins: object) -> int:
    """Run tests up to the first that fails; give pytest's status."""
    options = ["-x", "-q", "-n", "0", "-p", "no:cacheprovider", "--no-header"]
    return int(pytest.main([*options, *tests], plugins=list(plugins)))


def apart(work: object, seconds: float) -> str:
    """Do something in a process of its own; "killed", "survived" or "killed by time"."""
    import resource  # neither it nor fork is there on Windows

    child = os.fork()
    if child == 0:
        resource.setrlimit(resource.RLIMIT_CPU, (int(seconds), int(seconds) + 5))
        with suppress(BaseException):
            os._exit(0 if work() in (0, 5) else 1)  # type: ignore[operator]
        os._exit(1)
    _, status = os.waitpid(child, 0)
    late = os.WIFSIGNALED(status) and os.WTERMSIG(status) in (signal.SIGXCPU, signal.SIGKILL)
    return "killed by time" if late else "survived" if status == 0 else "killed"


def try_out(path: Path, tree: ast.Module, tests: list[str]) -> int:
    """Run tests with a module changed as it is imported."""
    load = importlib.machinery.SourceFileLoader.get_code

    def changed(loader: importlib.machinery.SourceFileLoader, name: str) -> object:
        mine = Path(loader.path).resolve() == path.resolve()
        return compile(tree, str(path), "exec") if mine else load(loader, name)

    importlib.machinery.SourceFileLoader.get_code = changed  # type: ignore[assignment]
    with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()):
        return run(tests)


def reached(files: list[Path], tests: list[str], data: Path) -> dict[str, dict[int, list[str]]]:
    """Learn which tests reach which line of which file."""
    def look() -> int:
        cover = coverage.Coverage(data_file=str(data), include=[str(one) for one in files],
                                  config_file=False)
        cover.start()
        status = run(tests, Contexts(cover))
        cover.stop()
        cover.save()
        return status

    if apart(look, 7200) != "survived":
        raise SystemExit("a test fails without any change; mend that first")
    known = coverage.CoverageData(str(data))
    known.read()
    return {str(one): known.contexts_by_lineno(str(one.resolve())) for one in files}


def main() -> None:
    """Try a sample of changes and print what became of each."""
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("places", nargs="+", type=Path, help="modules or folders to be changed")
    ask.add_argument("--tests", nargs="+", required=True, help="tests that should notice")
    ask.add_argument("--count", type=int, default=100, help="how many changes")
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--data", type=Path, default=Path("mutations.coverage"))
    asked = ask.parse_args()
    sys.path.insert(0, str(Path.cwd()))
    files = sorted(one for place in asked.places
                   for one in (place.rglob("*.py") if place.is_dir() else (place,)))
    lines = reached(files, asked.tests, asked.data)
    every = [(path, *one) for path in files for one in mutants(path)]
    chosen = random.Random(asked.seed).sample(every, min(asked.count, len(every)))
    print(f"{len(every)} changes possible, {len(chosen)} tried", flush=True)
    counts: dict[str, int] = {}
    for path, number, line, told in chosen:
        known = lines[str(path)]
        tests = [one for one in known.get(line, ()) if one]
        if not tests:  # reached as the module is imported
            tests = sorted({one for reaching in known.values() for one in reaching if one})
        began = time.perf_counter()
        fate = "not reached"
        if line in known and tests:
            tree = changed_tree(path, number)
            fate = apart(lambda p=path, t=tree, w=tests: try_out(p, t, w),
                         MOST_SECONDS)
        counts[fate] = counts.get(fate, 0) + 1
        print(f"{fate:14} {path}:{line}  {told}  ({len(tests)} tests, "
              f"{time.perf_counter() - began:.1f} s)", flush=True)
    print(", ".join(f"{count} {fate}" for fate, count in sorted(counts.items())))


if __name__ == "__main__":
    main()
