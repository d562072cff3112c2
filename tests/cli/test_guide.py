"""The pages of the guide, listed and shown."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from labkit.catalog.guide import TOPICS, page, title
from labkit.cli.main import cli
from labkit.core.cautions import CAUTIONS

ROOT = Path(__file__).parents[2]
GUIDE = ROOT / "labkit" / "guide"


def test_every_page_is_a_topic():
    assert sorted(path.stem for path in GUIDE.glob("*.md")) == sorted(TOPICS)


def test_the_list_names_every_page_with_its_title():
    listed = CliRunner().invoke(cli, ["guide"])
    assert listed.exit_code == 0
    for topic in TOPICS:
        assert re.search(rf"{topic} +{re.escape(title(topic))}", listed.output)


@pytest.mark.parametrize("topic", TOPICS)
def test_a_page_is_shown_as_it_is_written(topic):
    shown = CliRunner().invoke(cli, ["guide", topic])
    assert (shown.exit_code, shown.output) == (0, page(topic))


def test_a_slip_is_named():
    shown = CliRunner().invoke(cli, ["guide", "trial"])
    assert shown.exit_code == 2
    assert "`trial` is not a topic of the guide; topics are first-set" in shown.output
    shown = CliRunner().invoke(cli, ["guide", "scan"])
    assert "did you mean `scans`?" in shown.output


@pytest.mark.parametrize(
    "place", [ROOT / "README.md", *sorted(GUIDE.glob("*.md"))], ids=lambda path: path.name
)
def test_links_lead_somewhere(place):
    for link in re.findall(r"\]\(([^)#]+)[^)]*\)", place.read_text("utf-8")):
        assert link.startswith("https://") or (place.parent / link).exists(), link


def test_the_readme_leads_to_every_page():
    readme = (ROOT / "README.md").read_text("utf-8")
    assert all(f"(labkit/guide/{topic}.md)" in readme for topic in TOPICS)


def test_the_cautions_are_those_of_the_papers():
    assert [f"- {caution}" for caution in CAUTIONS] == re.findall(
        r"(?m)^- .*$", page("cautions")
    )
