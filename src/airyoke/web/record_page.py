"""The record: who did what when, what was corrected or taken back, and the way to do either."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, Query, Request
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from airyoke.contract.words import name_words
from airyoke.quantities import Finding, Refused
from airyoke.record import Record
from airyoke.ward.entries import Draft, Entry
from airyoke.ward.fold import REVISIONS
from airyoke.ward.kinds import KINDS
from airyoke.web.visits import Visit, sent_form, visit, writing_visit

router = APIRouter()
Form = Annotated[dict[str, str], Depends(sent_form)]
Visiting = Annotated[Visit, Depends(visit)]
A_PAGE: Final = 50
_AT_ONCE: Final = 400
NEVER_REVISED: Final = frozenset({"person", "site", "import"})


@dataclass(frozen=True, slots=True)
class Line:
    """One entry as listed: what stands instead of it where it was corrected, ``None`` where it counts as written."""

    entry: Entry
    by: Entry | None

    @property
    def standing(self) -> str:
        """A word for an entry that does not count as it was written."""
        return "" if self.by is None else "corrected" if self.by.kind == "correction" else "taken back"


@router.get("/record")
def record(visiting: Visiting, bed: Annotated[str, Query(max_length=80)] = "",
           kind: Annotated[str, Query(max_length=40)] = "", person: Annotated[str, Query(max_length=80)] = "",
           before: Annotated[int | None, Query(ge=1)] = None) -> Response:  # fmt: skip
    """The page: newest first, fifty at a time, by bed, kind and person."""
    desk = visiting.desk
    desk.note_reading(visiting.session, "the record")
    audit = kind in KINDS and KINDS[kind].stream == "audit"
    if audit and not may_read_audit(visiting):
        finding = Finding("right-missing", "refused", "only a keeper reads the audit", "ask a keeper")
        raise Refused((finding,))
    revised = revisions(desk.record)
    lines = [
        Line(one, revised.get(one.id))
        for one in _chosen(desk.record, bed, kind, person, before)
    ]  # fmt: skip
    look = desk.look()
    kinds = [one for one in KINDS.values() if one.stream == "ward" or may_read_audit(visiting)]
    return visiting.page(
        "record.html", look, here="record", lines=lines[:A_PAGE], older=lines[A_PAGE - 1].entry.sequence
        if len(lines) > A_PAGE else None, bed=bed, kind=kind, by=person, kinds=kinds, audit=audit,
        beds=list(look.state.beds), people=list(look.state.people), head=desk.record.head(),
    )  # fmt: skip


@router.get("/record/{sequence}")
def entry(visiting: Visiting, sequence: int) -> Response:
    """One entry in full."""
    return _entry_page(visiting, sequence, {}, ())


@router.post("/record/{sequence}/undo")
def undo(request: Request, sequence: int, form: Form) -> Response:
    """Take an entry back; it stays, and does not count."""
    visiting = writing_visit(request, form, f"/record/{sequence}")
    one = _entry(visiting.desk.record, sequence)
    return _write(visiting, one, form, Draft("undo", {"undoes": one.id} | _reason(form), _once(form)))


@router.post("/record/{sequence}/correct")
def correct(request: Request, sequence: int, form: Form) -> Response:
    """Write what should have stood there; the entry stays, and the correction counts."""
    visiting = writing_visit(request, form, f"/record/{sequence}")
    one = _entry(visiting.desk.record, sequence)
    try:
        content = corrected(one, form)
    except Refused as refusal:
        return _entry_page(visiting, sequence, form, refusal.findings, status=422)
    draft = Draft("correction", {"corrects": one.id, "content": content} | _reason(form), _once(form))
    return _write(visiting, one, form, draft)


def _write(visiting: Visit, one: Entry, form: Mapping[str, str], draft: Draft) -> Response:
    missing = []
    if not _reason(form):
        missing.append(("reason-missing", "no reason is given", "say why, in a few words", "reason"))
    if visiting.person is None:
        missing.append(("writer-missing", "nobody is named who writes this", "give your name", "writer"))
    if missing:
        found = tuple(Finding(i, "refused", why, what, column=where) for i, why, what, where in missing)
        return _entry_page(visiting, one.sequence, form, found, status=422)
    try:
        seen = int(form["seen"]) if form.get("seen", "").isdecimal() else 0
        visiting.desk.record.write([draft], person=visiting.person or "", seen=seen)
    except Refused as refusal:
        return _entry_page(visiting, one.sequence, form, refusal.findings, status=422)
    return RedirectResponse(f"/record/{one.sequence}?saved=1", 303)


def _entry_page(visiting: Visit, sequence: int, form: Mapping[str, str], findings: tuple[Finding, ...],
                status: int = 200) -> Response:  # fmt: skip
    desk = visiting.desk
    desk.note_reading(visiting.session, "the record")
    one = _entry(desk.record, sequence)
    by = revisions(desk.record).get(one.id)
    may = visiting.may(one.kind) and one.kind not in NEVER_REVISED
    return visiting.page(
        "entry.html", desk.look(), status=status, here="record", one=one, by=by, may_undo=may and (
            by is None or by.kind == "correction"),
        fields=_fields(one) if may and by is None and one.kind not in REVISIONS else [], form=form, findings=findings,
        content=json.dumps(dict(one.content), indent=1, ensure_ascii=False), saved="saved" in
        visiting.request.query_params, meaning=KINDS[one.kind].meaning, seen=desk.look().state.sequence,
    )  # fmt: skip


def may_read_audit(visiting: Visit) -> bool:
    """Who read what is for keepers; in an unlocked record for whoever sits there."""
    roles = visiting.desk.record.state().people.get(visiting.person or "", ())
    return "keeper" in roles or not visiting.desk.door.login


def revisions(record: Record) -> dict[str, Entry]:
    """Id of an entry -> the correction or undo that stands over it. One that is undone itself has no say."""
    found: dict[str, Entry] = {}
    gone: set[str] = set()
    for one in record.newest(100_000, kinds=REVISIONS):
        if one.id in gone:
            continue
        target = str(one.content.get("corrects") or one.content.get("undoes"))
        if one.kind == "undo":
            gone.add(target)
        found.setdefault(target, one)
    return found


def _chosen(record: Record, bed: str, kind: str, person: str, before: int | None) -> list[Entry]:
    """One more than a page, so that it is known whether older ones follow."""
    known = KINDS.get(kind)
    chosen: list[Entry] = []
    for one in _back(record, None if known is None else kind, before):
        if (not bed or _is_about(one, bed)) and (not person or one.person == person):
            chosen.append(one)
            if len(chosen) > A_PAGE:
                break
    return chosen


def _back(record: Record, kind: str | None, before: int | None) -> Iterator[Entry]:
    stream = "ward" if kind is None else KINDS[kind].stream
    while True:
        some = record.newest(_AT_ONCE, before=before, kinds=None if kind is None else (kind,), stream=stream)
        yield from some
        if len(some) < _AT_ONCE:
            return
        before = some[-1].sequence


def _is_about(one: Entry, bed: str) -> bool:
    content = one.content
    return bed in (content.get("bed"), content.get("to")) or bed in (content.get("beds") or ())


def _entry(record: Record, sequence: int) -> Entry:
    found = record.entries(sequence, sequence)
    if not found:
        raise HTTPException(404)
    return found[0]


def _fields(one: Entry) -> list[tuple[str, str, str]]:
    """What can be corrected in a form: key, name, and the value as typed."""
    values = one.content.get("values")
    if isinstance(values, Mapping):
        fields = [(key, name_words(key), _typed(value)) for key, value in values.items()]
        return fields + ([("read_at", "read at", str(one.content["read_at"]))] if one.content.get("read_at") else [])
    return [("text", "text", str(one.content["text"]))] if one.kind == "note" else []


def corrected(one: Entry, form: Mapping[str, str]) -> dict[str, Any]:
    """The content as it should have been, from a form. An emptied value is one that was not read.

    Raises ``Refused`` where a number was there and none was typed, and where nothing was changed.
    """
    content = dict(one.content)
    values = content.get("values")
    wrong: list[Finding] = []
    if isinstance(values, Mapping):
        typed: dict[str, Any] = {}
        for key, old in values.items():
            text = form.get(f"value-{key}", _typed(old)).strip()
            if not text:
                continue
            try:
                typed[key] = old if text == _typed(old) else _like(old, text)
            except ValueError:
                reason = f"{name_words(key)} {text[:20]!r} is no number"
                wrong.append(Finding("value-form", "refused", reason, "type a number", column=key))
        content["values"] = typed
    for key in ("read_at", "text"):
        if key in content and form.get(f"value-{key}", "").strip():
            content[key] = form[f"value-{key}"].strip()
    if not wrong and content == dict(one.content):
        wrong = [Finding("nothing-typed", "refused", "nothing was changed", "type what should have stood there")]
    if wrong:
        raise Refused(tuple(wrong))
    return content


def _like(old: Any, text: str) -> Any:
    """The text as the kind of value that stood there."""
    if isinstance(old, bool):
        if text not in ("yes", "no"):
            raise ValueError
        return text == "yes"
    if isinstance(old, int | float):
        return float(text)
    if isinstance(old, list | tuple):
        return [part.strip() for part in text.split(";") if part.strip()]
    return text


def _typed(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return f"{value:.6g}"
    return "; ".join(value) if isinstance(value, list | tuple) else "" if value is None else str(value)


def _reason(form: Mapping[str, str]) -> dict[str, str]:
    reason = form.get("reason", "").strip()
    return {"reason": reason} if reason else {}


def _once(form: Mapping[str, str]) -> str | None:
    return form.get("once") or None
