"""The house: which room may import which, and what quick commands may not load."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from tests.support.avoided_words import words_avoided
from tests.support.house_figures import figures

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "labkit"
#: Room → rooms it may import; "base" is errors, units and the package itself.
ALLOWED = {
    "base": {"base"},
    "core": {"base", "core"},
    "catalog": {"base", "core", "catalog"},
    "solids": {"base", "core", "catalog", "solids"},
    "exports": {"base", "core", "catalog", "solids", "exports"},
    "tables": {"base", "core", "tables"},
    "qa": {"base", "core", "tables", "qa"},
    "ledger": {"base", "core", "qa", "ledger"},
    "documents": {"base", "core", "catalog", "qa", "documents"},
    "workflow": {
        *("base", "core", "catalog", "solids", "exports", "tables", "qa", "ledger", "documents"),
        "workflow",
    },
    "web": {
        *("base", "core", "catalog", "exports", "ledger", "documents", "workflow", "web"),
    },
    "cli": {
        *("base", "core", "catalog", "tables", "qa", "ledger", "documents", "workflow"),
        *("web", "cli"),
    },
}
WEB = {"fastapi", "starlette", "uvicorn", "jinja2", "argon2"}
CAD = {"cadquery", "OCP", "vtkmodules"}
FORBIDDEN_IN_CORE = {*CAD, "sqlalchemy", "fastapi", "click", "rich", "pydantic", "trimesh"}
IMPORTED_AS = {
    "markdown-it-py": "markdown_it",
    "argon2-cffi": "argon2", "cadquery-ocp": "OCP", "fonttools": "fontTools",
}
#: Starlette loads it where a form comes in.
ASKED_BY_OTHERS = {"python_multipart"}
MODULES = sorted(PACKAGE.rglob("*.py"))
EVERY_FILE = [*MODULES, *sorted((ROOT / "tests").rglob("*.py"))]
#: The floors that measure written files, and what none of their modules may import: the code
#: that made the files.
MEASURING = ("check", "scan", "expected")
BUILDING = (
    "labkit.solids",
    "labkit.exports.write.body", "labkit.exports.write.body_build",
    "labkit.exports.write.body_store", "labkit.exports.write.characters",
    "labkit.exports.write.mesh", "labkit.exports.write.pocket", "labkit.exports.write.rod",
    "labkit.exports.write.solid_parts", "labkit.exports.write.solid_reader",
    "labkit.exports.write.stations", "labkit.exports.write.step",
    "labkit.exports.write.step_text", "labkit.exports.write.stl",
)



def room_of(module: str) -> str:
    if module == "labkit.__main__":
        return "cli"
    parts = module.split(".")
    return parts[1] if len(parts) > 1 and (PACKAGE / parts[1]).is_dir() else "base"


def module_of(path: Path) -> str:
    return ".".join(("labkit", *path.relative_to(PACKAGE).with_suffix("").parts))


def imports_of(path: Path) -> list[str]:
    names: list[str] = []
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            names.append(node.module or "")
            # "from labkit import solids" imports a room, too.
            names += [f"{node.module}.{alias.name}" for alias in node.names]
    return names


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_imports_follow_the_arrows(path):
    room = room_of(module_of(path))
    wrong = [
        name
        for name in imports_of(path)
        if name.split(".")[0] == "labkit" and room_of(name) not in ALLOWED[room]
    ]
    assert wrong == []


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_only_solids_and_exports_know_the_cad_kernel(path):
    if room_of(module_of(path)) not in ("solids", "exports"):
        assert not CAD & {name.split(".")[0] for name in imports_of(path)}


@pytest.mark.parametrize("path", EVERY_FILE, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_modules_and_functions_stay_small(path):
    text = path.read_text("utf-8")
    assert text.count("\n") <= 400
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
            assert node.end_lineno - node.lineno < 60, node.name


def reached_from(path: Path) -> set[str]:
    """Modules of labkit that a module imports, directly or through others."""
    files = {module_of(file): file for file in MODULES}
    seen: set[str] = set()
    waiting = [module_of(path)]
    while waiting:
        module = waiting.pop()
        if module in files and module not in seen:
            seen.add(module)
            waiting += imports_of(files[module])
    return seen


def is_building(module: str) -> bool:
    return any(module == name or module.startswith(f"{name}.") for name in BUILDING)


@pytest.mark.parametrize("floor", MEASURING)
def test_what_measures_shares_nothing_with_what_builds(floor):
    paths = sorted((PACKAGE / "exports" / floor).glob("*.py"))
    assert paths
    for path in paths:
        assert [name for name in reached_from(path) if is_building(name)] == [], path.name


def test_the_search_through_imports_finds_what_is_there():
    assert is_building("labkit.solids.build")
    assert not is_building("labkit.exports.check.step_reader")
    assert any(map(is_building, reached_from(PACKAGE / "exports" / "write" / "mesh.py")))
    assert "labkit.core.rod.rods" in reached_from(PACKAGE / "exports" / "check" / "part.py")


def loaded_by(code: str) -> set[str]:
    return {name.split(".")[0] for name in modules_loaded_by(code)}


def modules_loaded_by(code: str) -> set[str]:
    run = subprocess.run(
        [sys.executable, "-c", f"{code}\nimport sys\nprint(*sys.modules)"],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
    )
    return set(run.stdout.split())


def test_a_set_is_made_without_loading_cadquery():
    """The kernel alone starts a second of processor time sooner."""
    rooms = ("labkit.solids.build", "labkit.exports.write.set_folder", "labkit.exports.write.rod")
    names = ", ".join(("labkit.workflow.sets.make", "labkit.exports.check.part", *rooms))
    loaded = loaded_by(f"import {names}")
    assert "OCP" in loaded
    assert "cadquery" not in loaded


def test_the_core_is_pure():
    names = ", ".join(
        f"labkit.core.{path.relative_to(PACKAGE / 'core').with_suffix('').as_posix()}".replace(
            "/", "."
        )
        for path in sorted((PACKAGE / "core").rglob("*.py"))
        if path.name != "__init__.py"
    )
    assert not FORBIDDEN_IN_CORE & loaded_by(f"import {names}")


@pytest.mark.parametrize(
    "arguments", [["--help"], ["ledger", "--help"], ["lengths", "--help"]], ids=" ".join
)
def test_help_loads_no_database(arguments):
    code = f"from labkit.cli.main import cli\ncli({arguments!r}, standalone_mode=False)"
    assert not {"sqlalchemy", "psycopg", "sqlite3"} & loaded_by(code)


@pytest.mark.parametrize(
    "arguments", [["--help"], ["serve", "--help"], ["lengths", "--help"]], ids=" ".join
)
def test_help_loads_no_web_server(arguments):
    code = f"from labkit.cli.main import cli\ncli({arguments!r}, standalone_mode=False)"
    assert not WEB & loaded_by(code)


def test_a_look_at_the_record_loads_no_rod_and_no_paper():
    """Each takes 10 to 60 ms to load, and a look prints neither."""
    record = "labkit.workflow.record"
    loaded = modules_loaded_by(f"import labkit.ledger.store, {record}.lookup, {record}.reports")
    assert "labkit.workflow.record.sheet" in loaded
    assert not {
        "labkit.core.rod.rods", "labkit.core.label.lettering", "labkit.documents.render",
        "labkit.catalog.profiles", "filelock", "typst",
    } & loaded


def test_the_workplace_loads_no_cad_kernel():
    """Nor does it until something is made, which happens in a process of its own."""
    loaded = loaded_by("import labkit.web.app")
    assert {"fastapi", "jinja2"} <= loaded
    assert not {*CAD, "trimesh", "manifold3d", "lib3mf"} & loaded


@pytest.mark.parametrize(
    "arguments",
    [
        ["--help"],
        ["lengths", "--help"],
        ["lengths", "templates/prescriptions/demo-hinged.toml"],
        ["templates"],
        ["about"],
        ["prescription", "blank"],
    ],
    ids=" ".join,
)
def test_quick_commands_load_no_cad_kernel(arguments):
    code = (
        "import contextlib, io\nfrom labkit.cli.main import cli\n"
        "with contextlib.redirect_stdout(io.StringIO()):\n"
        f"    code = cli({arguments!r}, standalone_mode=False)\n"
        "assert not code, code"
    )
    assert not ({*CAD, "trimesh", "manifold3d", "lib3mf", "scipy"}) & loaded_by(code)


def test_papers_and_the_drawing_are_made_without_the_cad_kernel(tmp_path):
    code = (
        "from labkit.cli.main import cli\n"
        "code = cli(['papers', 'output_examples/demo/HLB-0107-r1', "
        f"'--out', {str(tmp_path)!r}], standalone_mode=False)\n"
        "assert not code, code"
    )
    assert not {"cadquery", "OCP"} & loaded_by(code)
    assert (tmp_path / "documents" / "rod-drawing.dxf").exists()


def test_every_dependency_answers_for_itself():
    """The table of DEVELOPERS.md names what pyproject.toml names, and all of it is imported."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    wanted = {re.split(r"[\[=<>]", line)[0] for line in project["dependencies"]}
    table = (ROOT / "DEVELOPERS.md").read_text("utf-8").split("## Dependencies")[1]
    told = re.findall(r"(?m)^\| ([a-z0-9][a-z0-9-]*) \|", table.split("\n## ")[0])
    assert sorted(told) == sorted({*wanted, "library"})
    imported = {name.split(".")[0] for path in MODULES for name in imports_of(path)}
    named = {IMPORTED_AS.get(name, name.replace("-", "_")) for name in wanted} - ASKED_BY_OTHERS
    assert named <= imported


def test_no_modules_import_each_other_in_a_ring():
    """Imports inside functions and for types alone count too."""
    assert figures(ROOT)["cycles"] == "none"


def test_no_text_has_a_word_that_we_do_not_use():
    """The page labkit/guide/words.md lists them."""
    wrong = words_avoided()
    assert not wrong, "\n".join(wrong)


def test_ruff_finds_nothing():
    run = subprocess.run(
        [sys.executable, "-m", "ruff", "check", "--no-cache", "."],
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=False,
    )
    assert run.returncode == 0, run.stdout


def test_strict_types_hold(tmp_path):
    run = subprocess.run(
        [sys.executable, "-m", "mypy", f"--cache-dir={tmp_path}"],
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=False,
    )
    assert run.returncode == 0, run.stdout
