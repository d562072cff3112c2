"""Every text of the project that a person can read, piece by piece, with its place."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
_CODE = re.compile(r"(?ms)^```.*?^```$|`[^`]*`|<!--.*?-->|\]\([^)]*\)")
_MARKUP = re.compile(r"(?s)\{%.*?%\}|\{\{.*?\}\}|\{#.*?#\}|<(script|style)\b.*?</\1>|<!--.*?-->")
_FILLED = re.compile(r"\$\{[^}]*\}|\[[a-z_.]+\]")
_ATTRIBUTE = re.compile(r'\b(?:title|alt|placeholder|aria-label|value)="([^"]*)"')


@dataclass(frozen=True)
class Said:
    """A text and where it stands."""

    where: str
    line: int
    text: str


def sentences() -> Iterator[Said]:
    """Give messages, help, words of papers and pages, guide and README."""
    for folder, pattern, read in _PLACES:
        for path in sorted((ROOT / folder).glob(pattern)):
            if "fonts" in path.parts or path.name.endswith(".min.js") or path.name == "lean-qr.js":
                continue
            where = path.relative_to(ROOT).as_posix()
            for line, text in read(path.read_text("utf-8")):
                words = [word for word in text.split() if not word.startswith(("/", "./"))]
                if len(words) > 1:
                    yield Said(where, line, " ".join(words))


def _of_python(text: str) -> Iterator[tuple[int, str]]:
    nodes = list(ast.walk(ast.parse(text)))
    inner = set()
    for node in nodes:
        if isinstance(node, ast.JoinedStr):
            inner |= {id(part) for part in ast.walk(node)} - {id(node)}
        elif isinstance(node, _DOCUMENTED) and ast.get_docstring(node) and not _is_command(node):
            inner.add(id(node.body[0].value))
    for node in nodes:
        if id(node) in inner:
            continue
        if isinstance(node, ast.JoinedStr):
            yield node.lineno, "".join(
                str(part.value) if isinstance(part, ast.Constant) else "…" for part in node.values
            )
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.lineno, node.value


_DOCUMENTED = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)


def _is_command(node: ast.AST) -> bool:
    """Whether a docstring is the help of a command."""
    return isinstance(node, ast.FunctionDef) and any(
        re.search(r"\b(command|group)\(", ast.unparse(one)) for one in node.decorator_list
    )


def _paragraphs(text: str) -> Iterator[tuple[int, str]]:
    number = 1
    for piece in re.split(r"(\n\s*\n|\n(?=\s*[-|#]))", text):
        if piece.strip():
            yield number, piece
        number += piece.count("\n")


def _blank(found: re.Match[str]) -> str:
    """Take a piece out and leave its lines."""
    return "…" + "\n" * found[0].count("\n")


def _of_markdown(text: str) -> Iterator[tuple[int, str]]:
    return _paragraphs(_CODE.sub(_blank, text))


def _of_page(text: str) -> Iterator[tuple[int, str]]:
    for found in _MARKUP.finditer(text):
        for _, inside in _of_strings(found[0]):
            yield text.count("\n", 0, found.start()) + 1, inside
    text = _MARKUP.sub(_blank, text)
    for found in _ATTRIBUTE.finditer(text):
        yield text.count("\n", 0, found.start()) + 1, found[1]
    number = 1
    for piece in re.split(r"(<[^>]*>)", text):
        if not piece.startswith("<"):
            yield number, piece
        number += piece.count("\n")


def _of_strings(text: str) -> Iterator[tuple[int, str]]:
    """Strings of TOML, scripts and layouts, and TOML's comments."""
    for found in re.finditer(r'"((?:[^"\\\n]|\\.)*)"|\'([^\'\n]*)\'|`([^`]*)`|# (.*)', text):
        words = next(filter(None, found.groups()), "")
        yield text.count("\n", 0, found.start()) + 1, _FILLED.sub("…", words)


_PLACES = (
    ("labkit", "**/*.py", _of_python),
    ("templates", "**/*.toml", _of_strings),
    ("templates", "**/*.typ", _of_strings),
    ("templates", "**/*.html", _of_page),
    ("templates", "**/*.js", _of_strings),
    ("labkit/guide", "*.md", _of_markdown),
    ("", "README.md", _of_markdown),
)
