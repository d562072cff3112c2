"""Files of sets: to be saved, or a paper to be read within the page."""

from __future__ import annotations

from pathlib import PurePosixPath

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response
from starlette.exceptions import HTTPException

from labkit.ledger.stored import StoredSet
from labkit.web.asked import own_case, workplace
from labkit.web.case_facts import recalled_in
from labkit.web.files import SHOWN, TYPES, read_file, zipped
from labkit.web.guard import POLICY_OF_A_PAPER
from labkit.web.show import page

router = APIRouter()
#: Papers tell another range than the one that holds now.
OTHER_RANGE = "papers_of_another_range"


@router.get("/sets/{name}/files/{file:path}", name="set_file")
def set_file(request: Request, name: str, file: str) -> Response:
    """Give one file of a set; papers and pictures open, the rest is saved."""
    content = read_file(_set(request, name), file)
    path = PurePosixPath(file)
    answer = Response(content, media_type=TYPES.get(path.suffix, "application/octet-stream"))
    if path.suffix not in SHOWN:
        answer.headers["Content-Disposition"] = f'attachment; filename="{path.name}"'
    if path.suffix == ".pdf":
        answer.headers["Content-Security-Policy"] = POLICY_OF_A_PAPER
        answer.headers["X-Frame-Options"] = "SAMEORIGIN"
    return answer


@router.get("/sets/{name}/all.zip", name="set_zip")
def set_zip(request: Request, name: str) -> Response:
    """Give a whole set in one file."""
    stored = _set(request, name)
    answer = Response(zipped(stored), media_type="application/zip")
    answer.headers["Content-Disposition"] = f'attachment; filename="{stored.name}.zip"'
    return answer


@router.get("/sets/{name}/paper/{file:path}", name="paper")
def paper(request: Request, name: str, file: str) -> HTMLResponse:
    """Show a paper of a set within a page."""
    stored = _set(request, name)
    read_file(stored, file)
    with workplace(request).look() as reader:
        stale = [each for each in recalled_in(reader, stored.case) if each.reason == OTHER_RANGE]
    return page(request, "paper", stored=stored, file=file, stale=stale)


def _set(request: Request, name: str) -> StoredSet:
    with workplace(request).look() as reader:
        stored = reader.set_named(name)
    if stored is None:
        raise HTTPException(404)
    own_case(request, stored.case)
    return stored
