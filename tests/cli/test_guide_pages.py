"""Every command on every page of the guide, run on the page's own case."""

from __future__ import annotations

import re

import pytest

from labkit.catalog.guide import TOPICS
from tests.support.guide_pages import KEYS, ROOT, Reader, agrees, page, with_keys


@pytest.fixture(scope="session")
def reader(tmp_path_factory):
    return Reader(tmp_path_factory.mktemp("guide"))


@pytest.mark.parametrize("topic", ["README", *TOPICS])
def test_the_page_prints_what_it_says(reader, topic):
    for ran in reader.follow(topic):
        assert agrees(ran.printed, ran.did), f"{ran.line}\n{ran.did}"


@pytest.mark.parametrize("topic", TOPICS)
def test_no_command_stands_outside_of_what_is_run(topic):
    blocks = re.findall(r"^```(\w*)\n(.*?)^```$", page(topic), re.MULTILINE | re.DOTALL)
    others = [text for kind, text in blocks if kind != "console"]
    assert not [text for text in others if re.search(r"(?m)^\s*(\$ )?labkit ", text)]


def test_the_readme_is_short():
    """A newcomer reads it in a quarter of an hour; the rest stands in the guide."""
    assert (ROOT / "README.md").stat().st_size <= 9000


@pytest.mark.parametrize("topic", ["README", *TOPICS])
def test_no_printed_table_is_wider_than_a_terminal(topic):
    rules = [line for line in page(topic).splitlines() if set(line.strip()) == {"─"}]
    assert max(map(len, rules), default=0) <= 80


@pytest.mark.parametrize("topic", TOPICS)
def test_the_tables_of_keys_are_those_of_the_code(topic):
    assert with_keys(page(topic)) == page(topic)


def test_every_file_that_a_lab_writes_has_its_table():
    shown = "".join(map(page, TOPICS))
    assert all(f"<!-- keys {name} -->" in shown for name in KEYS)
