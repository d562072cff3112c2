"""The pages' styles: no rule for what no page has."""

from __future__ import annotations

import re

from labkit.catalog.places import templates_dir
from labkit.web.jobs.job import How
from tests.support.workplaces import ROOT

WEB = templates_dir() / "web"
#: Classes that a template puts together: "job {how it is}", "field of-{kind}".
COMPOSED = {*(how.replace(" ", "-") for how in How), "of-tick"}


def test_every_class_that_is_styled_is_that_of_something():
    styles = "".join(path.read_text("utf-8") for path in sorted(WEB.glob("static/*.css")))
    selectors = re.findall(r"([^{}]+)\{", re.sub(r"/\*.*?\*/", "", styles, flags=re.S))
    styled = {name for one in selectors for name in re.findall(r"\.([a-zA-Z][\w-]*)", one)}
    assert len(styled) > 80
    told = " ".join(
        found for path in WEB.glob("*.html")
        for found in re.findall(r'class="((?:[^"{]|\{\{.*?\}\}|\{%.*?%\})*)"', path.read_text())
    )
    code = " ".join(
        path.read_text("utf-8") for path in (
            *WEB.glob("static/*.js"), *ROOT.glob("labkit/web/**/*.py"),
            ROOT / "labkit" / "documents" / "svg.py",
        ) if "htmx" not in path.name
    )
    given = " ".join(re.findall(r"""["'][^"'\n]*["']""", code))
    words = set(re.findall(r"[\w-]+", f"{told} {given}")) | COMPOSED
    assert styled <= words, sorted(styled - words)
