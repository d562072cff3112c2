"""Fills the pages' templates; everything that is put in is escaped."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache, partial
from typing import Any
from urllib.parse import quote

from fastapi import FastAPI, Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

import labkit
from labkit.catalog.places import templates_dir
from labkit.core.case.identifier import grouped
from labkit.core.cautions import CAUTIONS_IN_A_LINE
from labkit.units import millimetres
from labkit.web.print_report import report_facts
from labkit.web.rights import Role, may
from labkit.web.said import as_said, sentence_said
from labkit.web.visits import Visit

#: Where the pages' templates, and what they load, lie among the program's own.
PLACE = "web"


@lru_cache(maxsize=1)
def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(templates_dir() / PLACE), autoescape=True,
        undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )
    environment.filters.update(
        grouped=grouped, mm=millimetres, sentence=sentence_said, said=as_said
    )
    environment.globals.update(
        cautions=CAUTIONS_IN_A_LINE, version=labkit.__version__, printed=report_facts
    )
    return environment


def page(request: Request, name: str, status: int = 200, **facts: Any) -> HTMLResponse:
    """Fill a page.

    Args:
        name: Its template, without ending.
    """
    return HTMLResponse(piece(name, {"request": request, **facts}), status)


def piece(name: str, facts: Mapping[str, Any]) -> str:
    """Fill a template."""
    request = facts["request"]
    visit: Visit | None = getattr(request.state, "visit", None)
    return _environment().get_template(f"{name}.html").render(
        visit=visit, at=_at(request),
        may=partial(may, visit.role if visit else Role.NOBODY), **facts,
    )


def _at(request: Request) -> Any:
    """Give the address of a page by its name, with what it is about."""
    return partial(address, request)


def address(request: Request, name: str, /, **about: Any) -> str:
    """Give the address of a page by its name; a case number may hold any character."""
    return quote(_pattern(request.app, name, tuple(about)).format(**about), safe="/")


@lru_cache(maxsize=1024)
def _pattern(app: FastAPI, name: str, keys: tuple[str, ...]) -> str:
    """Give an address with {key} for what it is about: looking through all of them takes 1 ms."""
    return str(app.url_path_for(name, **{key: f"{{{key}}}" for key in keys}))


def drawn(svg: str) -> Markup:
    """Mark a drawing as finished: its words are escaped already."""
    return Markup(svg)
