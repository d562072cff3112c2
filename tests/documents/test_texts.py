"""The texts offer to translators every word of the papers that can be translated, and no other."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import labkit
from labkit.catalog.places import templates_dir
from labkit.catalog.texts import english_texts
from labkit.core.case.rod_life import RodState
from labkit.workflow.rods.replace import ORDERED

#: Words that fill places.
WORDS = {"ordered": ORDERED, "left": "left", "right": "right"}
#: What stands on no translated paper: shown there with values, or reported by commands alone.
ELSEWHERE = {"average_values", "made_far_from_asked"}


def sentences() -> dict[str, str]:
    """Code -> sentence of every note and slip that is written as one text with places."""
    found = {}
    for path in Path(labkit.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            match node:
                case ast.Call(func=ast.Name("note" | "Slip"), args=[
                    ast.Constant(str(code)), ast.Constant(str(said)), *_
                ]):
                    found[code] = said
    return found


@pytest.mark.parametrize(
    "code", sorted(english_texts().tables["findings"].keys() - WORDS.keys())
)
def test_the_texts_have_the_sentence_of_the_program(code):
    assert english_texts().tables["findings"][code] == sentences()[code]


def test_the_texts_have_the_words_that_fill_places():
    table = english_texts().tables["findings"]
    assert {name: table[name] for name in WORDS} == WORDS


@pytest.mark.parametrize("module", ["core/grading/notes.py", "core/grading/hold.py"])
def test_every_note_on_a_set_is_in_the_texts(module):
    tree = ast.parse((Path(labkit.__file__).parent / module).read_text("utf-8"))
    codes = {
        node.args[0].value for node in ast.walk(tree)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
        and node.func.id in ("note", "Slip") and isinstance(node.args[0], ast.Constant)
    }
    assert len(codes) > 3
    assert codes - ELSEWHERE <= english_texts().tables["findings"].keys()


def test_every_key_of_the_texts_is_used():
    """A key that no template and no drawing names would be translated for nothing."""
    templates = (templates_dir() / "documents").glob("*.typ")
    rooms = (Path(labkit.__file__).parent / name for name in ("documents", "workflow/sets"))
    code = (path for room in rooms for path in room.rglob("*.py"))
    used = " ".join(path.read_text("utf-8") for path in (*templates, *code))
    # Looked up by what the set says, and findings by their code.
    by_value = {"models", "assumed", "cautions", "findings"}
    by_state = {str(state) for state in RodState}
    for table, words in english_texts().tables.items():
        for name in words:
            known = table in by_value or (table == "standing" and name in by_state)
            assert known or re.search(rf"\b{name}\b", used), f"{table}.{name}"
