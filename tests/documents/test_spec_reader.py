"""A set's spec from another machine: told in one sentence, or good for every paper."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from itertools import product
from typing import Any

import pytest

from labkit.catalog.lettering import load_lettering
from labkit.documents import rod_drawing
from labkit.documents.papers import PAPERS
from labkit.documents.set_picture import set_drawing
from labkit.documents.spec_reader import check_spec, read_spec
from labkit.errors import InputError, LabkitError
from tests.documents.bench_specs import BALLS, MIRRORED, PUSH, SIX, spec_of

#: In place of any value: nothing, other types, and numbers that no rod has.
WRONG = (None, "x/../y", [], -1, 1e300)
#: In the quick sample one of them at each place, in turn.
EVERY = [len(WRONG), pytest.param(1, marks=pytest.mark.slow)]


def places(value: Any, course: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Name every place in the content; of a list its first and last item."""
    if course:
        yield course
    items: list[Any] = []
    if isinstance(value, dict):
        items = list(value)
    elif isinstance(value, list) and value:
        items = sorted({0, len(value) - 1})
    for key in items:
        if key not in ("texts", "findings"):
            yield from places(value[key], (*course, key))


def changed(spec: dict[str, Any], course: tuple[Any, ...], value: Any) -> dict[str, Any]:
    out = copy.deepcopy(spec)
    inside = out
    for key in course[:-1]:
        inside = inside[key]
    inside[course[-1]] = value
    return out


def told_of(spec: dict[str, Any]) -> str:
    try:
        check_spec(spec)
    except InputError as error:
        return str(error)
    return ""


def use(spec: dict[str, Any]) -> None:
    """Work out everything that stands on the papers."""
    for paper in PAPERS:
        paper.facts(spec)
    set_drawing(spec, load_lettering())
    rod_drawing.subject_of(spec)


@pytest.mark.parametrize("text", [SIX, MIRRORED, BALLS, PUSH], ids=range(4))
def test_every_set_of_this_version_is_read(tmp_path, text):
    path = tmp_path / "spacer-set.json"
    path.write_text(json.dumps(spec_of(text)), "utf-8")
    assert read_spec(path) == spec_of(text)


@pytest.mark.parametrize("every", EVERY)
@pytest.mark.parametrize("text", [BALLS, MIRRORED], ids=["ball", "mirror"])
def test_what_is_let_through_makes_papers_and_the_rest_is_told(text, every):
    spec = spec_of(text)
    told = 0
    for course, wrong in list(product(places(spec), WRONG))[::every + (every > 1)]:
        content = changed(spec, course, wrong)
        if problem := told_of(content):
            told += 1
            assert len(problem.splitlines()) == 1
            continue
        try:
            use(content)
        except LabkitError:
            pass  # such as a radius that no rod can have
        except Exception as error:
            raise AssertionError(f"{course} = {wrong!r}") from error
    assert told > 500 / (every + 1)


@pytest.mark.parametrize("content", [[], None, "x", 3])
def test_what_is_no_object_is_told(content):
    with pytest.raises(InputError, match="the whole = "):
        check_spec(content)


@pytest.mark.parametrize("raw", [b"", b"\xff", b"{", b"[" * 100_000])
def test_what_is_no_json_is_told(tmp_path, raw):
    path = tmp_path / "spacer-set.json"
    path.write_bytes(raw)
    with pytest.raises(InputError, match="is not a finished set"):
        read_spec(path)


def test_keys_that_older_programs_did_not_write_are_told_by_name():
    spec = spec_of(SIX)
    for name in ("template", "process", "tolerances_mm", "parts", "lengths"):
        without = {key: value for key, value in spec.items() if key != name}
        with pytest.raises(InputError, match=f"^{name} is missing; use a set that this version"):
            check_spec(without)
