"""A prescription: filled in or taken from a file, worked out while it is typed, and recorded."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial

from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from starlette.datastructures import UploadFile

from labkit.catalog.toml_source import TomlSource, decode, parse_toml
from labkit.errors import InputError, LabkitError, RefusedError
from labkit.ledger.store import Ledger
from labkit.web.asked import Told, own_case, status_of, today_of, told, visit, workplace
from labkit.web.bite_scale import WIDTH, bite_scale_of
from labkit.web.jaw_view import jaw_view
from labkit.web.jobs.solids import kept
from labkit.web.language import decimal_sign
from labkit.web.pages.prescription_drawn import jaw_facts
from labkit.web.prescription_form import fields, parts_of, shown_texts
from labkit.web.show import address, page
from labkit.web.worked_out import (
    MOST_KEPT,
    Problem,
    in_turn,
    problems_of,
    require_small,
    templates_of,
    worked_out,
)
from labkit.web.workplace import Workplace
from labkit.workflow.intake.prescriptions import TextSource, texts_of
from labkit.workflow.intake.typed import FORM, on_base, read_form
from labkit.workflow.record.case_mark import case_mark_notes, case_mark_of
from labkit.workflow.record.lookup import need_case
from labkit.workflow.record.prescribe import (
    Prescribed,
    newest_prescribed,
    record_first,
    record_prescription,
    refuse_first,
    refuse_revision,
)
from labkit.workflow.sets.cases import Case, open_case

router = APIRouter()
#: What sentences call an uploaded file: its own name is the user's.
_FILE = "the file"
#: Record, its state, what was asked → what the record refuses of it.
_ANSWERS: dict[Hashable, tuple[Problem, ...]] = {}


@dataclass(frozen=True)
class _Form:
    """What stands in the form.

    Args:
        texts: By the names of the fields, as typed.
        revises: The case whose prescription is revised; "" for a new case.
        revision: The revision that the form was filled from.
        asked: Step and opening at which the jaw is shown, and whether solids are.
        base: The text that the form was filled from, as a form can carry it; "" for none.
    """

    texts: Mapping[str, str] = field(default_factory=dict)
    revises: str = ""
    revision: str = ""
    base: str = ""
    reason: str = ""
    despite_trial: bool = False
    asked: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, tell: Told) -> _Form:
        """Take it from what a browser sent."""
        return cls(
            {name: tell(name) for name in fields() if tell(name)}, tell("revises"),
            tell("revision"), tell("base"), tell("reason"), bool(tell("despite_trial")),
            {name: tell(name) for name in ("at_step", "at_drop", "solids")},
        )

    def base_text(self) -> str:
        """Give the text that the form was filled from."""
        try:
            text = base64.b64decode(self.base, validate=True).decode()
        except (binascii.Error, UnicodeDecodeError) as error:
            raise InputError(
                "the file that the form was filled from came back changed; choose it again",
                where=FORM, field="base",
            ) from error
        require_small(text)
        return text


@router.get("/new-case", name="new_case")
def new_case(request: Request) -> HTMLResponse:
    """Show an empty form."""
    return _page(request, _Form({"date": today_of(request).isoformat()}))


@router.get("/prescription/{case:path}", name="revise")
def revise(request: Request, case: str) -> HTMLResponse:
    """Show the newest prescription of a case, to be revised."""
    with workplace(request).look() as reader:
        need_case(reader, own_case(request, case))
        newest = reader.prescription(case)
    texts = _texts(parse_toml(newest.text, FORM), decimal_sign(request))
    return _page(request, _Form(texts, case, str(newest.revision)))


@router.post("/prescription-look", name="prescription_look")
async def prescription_look(request: Request) -> HTMLResponse:
    """Work out what stands in the form; nothing is written."""
    form, own, decimal = _Form.of(told(request)), workplace(request).own, decimal_sign(request)
    found = await in_turn(partial(worked_out, form.texts, decimal, own))
    problems: tuple[Problem, ...] = ()
    if found.case and found.usable:
        problems = await _refused_by_record(request, form, found.case)
    piece = "hx-request" in request.headers
    return await in_turn(partial(_page, request, form, problems, piece=piece))


async def _refused_by_record(request: Request, form: _Form, case: Case) -> tuple[Problem, ...]:
    """Say while it is typed what the record would refuse.

    The record is asked in a thread, where it keeps nobody else waiting, and only where its answer
    is not known: threads take the interpreter from one another at every word with the record.
    """
    place = workplace(request)
    about = case.source.text if form.revises else case.prescription.case
    key = (place.ledger, place.record_state(), form.revises, form.despite_trial, about)
    try:
        _require_own(request, form)
        if key not in _ANSWERS:
            answer = await run_in_threadpool(_ask_record, place, form, case)
            if len(_ANSWERS) >= MOST_KEPT:
                _ANSWERS.clear()
            _ANSWERS[key] = answer
    except LabkitError as error:
        return problems_of(error)
    return _ANSWERS[key]


def _ask_record(place: Workplace, form: _Form, case: Case) -> tuple[Problem, ...]:
    try:
        with place.look() as reader, reader.snapshot():
            if form.revises:
                refuse_revision(reader, case, despite_trial=form.despite_trial)
            else:
                refuse_first(reader, case)
    except RefusedError as error:
        return problems_of(error)
    return ()


@router.post("/prescription-file", name="prescription_file")
def prescription_file(request: Request) -> HTMLResponse:
    """Fill the form from a prescription file."""
    form = _Form.of(told(request))
    sent = request.state.form.get("file")
    try:
        if not isinstance(sent, UploadFile) or not sent.filename:
            raise InputError("no file is chosen; choose a prescription file", where=_FILE)
        text = decode(sent.file.read(), _FILE)
        require_small(text)
        source = parse_toml(text, _FILE)
    except LabkitError as error:
        return _page(request, form, problems_of(error), 422)
    left_out = _left_out(request, source)
    base = "" if left_out else base64.b64encode(source.text.encode()).decode()
    texts = _texts(source, decimal_sign(request))
    return _page(request, replace(form, texts=texts, base=base), left_out)


@router.post("/prescription", name="prescribe")
def prescribe(request: Request) -> Response:
    """Record what stands in the form, as a new case or as the next revision."""
    form = _Form.of(told(request))
    place = workplace(request)
    try:
        _require_own(request, form)
        require_small(*form.texts.values())
        source = read_form(form.texts, decimal_sign(request))
        with place.act() as ledger, ledger.transaction():
            done = _record(request, ledger, form, source)
    except LabkitError as error:
        return _page(request, form, problems_of(error), status_of(error))
    to = address(request, "prescribed", case=done.stored.case)
    return RedirectResponse(to if done.recorded else f"{to}?before=1", 303)


@router.get("/prescribed/{case:path}", name="prescribed")
def prescribed(request: Request, case: str, before: str = "") -> HTMLResponse:
    """Show the newest prescription as recorded, and offer to make its set.

    Args:
        before: Told where it was recorded before, and not just now.
    """
    place = workplace(request)
    with place.look() as reader:
        done = newest_prescribed(reader, own_case(request, case))
        # Whose account is limited is told nothing of other cases.
        notes = () if visit(request).limited else case_mark_notes(
            reader, case, case_mark_of(done.stored)
        )
        sets = len(reader.sets(case))
    return page(
        request, "prescribed", done=replace(done, recorded=not before), case=case,
        notes=[note.message for note in notes],
        sets=sets, process=place.own.process_name(),
    )


def _record(request: Request, ledger: Ledger, form: _Form, source: TextSource) -> Prescribed:
    place = workplace(request)
    templates, who = templates_of(place.own), (visit(request).by, place.now().astimezone())
    if not form.revises:
        if form.base:
            source = on_base(source, parse_toml(form.base_text(), FORM))
        return record_first(ledger, source, templates, who)
    need_case(ledger, own_case(request, form.revises))
    newest = ledger.prescription(form.revises)
    if form.revision != str(newest.revision):
        raise RefusedError(
            f"{newest.stamp.by} has recorded prescription revision {newest.revision} since this "
            "page was loaded; nothing was recorded: load the page again",
            where=FORM, field="revision",
        )
    source = on_base(source, parse_toml(form.base_text() if form.base else newest.text, FORM))
    return record_prescription(
        ledger, source, templates, form.reason, who, despite_trial=form.despite_trial
    )


def _require_own(request: Request, form: _Form) -> None:
    """Refuse a case that is not the one that is revised, or not of the operator's clinic."""
    case, who = form.texts.get("case", ""), visit(request)
    if form.revises and case != form.revises:
        raise InputError(
            f"the prescription of {form.revises} is revised, and the form says {case!r}; begin a "
            "new case instead", where=FORM, field="case",
        )
    if case and not who.sees(case):
        begin = " or ".join(who.account.cases) if who.account else ""
        raise RefusedError(
            f"your account is for cases whose numbers begin with {begin}; give such a number",
            where=FORM, field="case",
        )


def _texts(source: TomlSource, decimal: str) -> dict[str, str]:
    """Give a file as the form shows it; what a blank file has still to be filled in is empty."""
    told_ = {
        name: text for name, text in texts_of(source).items() if text.casefold() != "nan"
    }
    return shown_texts(told_, decimal)


def _left_out(request: Request, source: TomlSource) -> tuple[Problem, ...]:
    """Say what of a file has no field, such as keys that no prescription has."""
    try:
        open_case(source, dict(templates_of(workplace(request).own)))
    except LabkitError as error:
        return tuple(problem for problem in problems_of(error) if not problem.name)
    return ()


def _page(
    request: Request, form: _Form, problems: Iterable[Problem] = (), status: int = 200, *,
    piece: bool = False,
) -> HTMLResponse:
    """Show the form with what it comes to, or this alone.

    Args:
        problems: What is wrong besides what working it out says.
    """
    own, decimal = workplace(request).own, decimal_sign(request)
    found, told_ = worked_out(form.texts, decimal, own), tuple(problems)
    said = {problem.sentence for problem in told_}
    told_ += tuple(problem for problem in found.problems if problem.sentence not in said)
    seen = jaw_view(found.case, form.asked) if found.case else None
    solids = None
    if found.case and found.usable and form.asked.get("solids"):
        solids = kept(workplace(request), found.case)
    return page(
        request, "worked-out" if piece else "new-case", status, form=form, found=found,
        problems=told_, wrong={problem.name for problem in told_},
        scale=bite_scale_of(form.texts, found.case), width=WIDTH, decimal=decimal or ".",
        labels=fields(),
        parts=() if piece else parts_of(templates_of(own)), piece=piece,
        form_id="prescription", solids=solids, refused="", **jaw_facts(seen),
    )
