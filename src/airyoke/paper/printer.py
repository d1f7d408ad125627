"""Sheets to PDF: which are asked for, and Typst. Text goes in as data, never as source, so that it stays text."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

from airyoke.paper import bed_sheets, build_sheets, time_sheets, ward_sheets
from airyoke.paper.envelope import KINDS
from airyoke.paper.fonts import printable, typst_fonts
from airyoke.paper.material import GroupMaterial, Material
from airyoke.pictures.style import INKS
from airyoke.quantities import Finding, Refused, did_you_mean

Paper = Literal["a4", "letter"]
PAPERS: Final[Mapping[str, str]] = {"a4": "a4", "letter": "us-letter"}
_TEMPLATES: Final = Path(__file__).parent / "typst"
_SVG_KEYS: Final = frozenset({"drawing", "qr"})
_PRINT_INK: Final = 2  # column of the table of inks: paper

_OF_A_GROUP: Final[Mapping[str, Callable[[Material, GroupMaterial], dict[str, Any]]]] = {
    "bed-card": bed_sheets.bed_card,
    "labels": bed_sheets.labels,
    "assembly": build_sheets.assembly,
    "bench-check": build_sheets.bench_check,
    "rehearsal": time_sheets.rehearsal,
    "change-over": time_sheets.change_over,
    "observation": time_sheets.observation,
    "alarms": bed_sheets.alarms,
    "emergency": bed_sheets.emergency,
    "shift-report": ward_sheets.shift_report,
    "acceptance": ward_sheets.acceptance,
}
_OF_THE_WARD: Final[Mapping[str, Callable[[Material], dict[str, Any]]]] = {
    "order": ward_sheets.order,
    "shift-report": ward_sheets.ward_report,
}


@dataclass(frozen=True, slots=True)
class Sheet:
    """One sheet as it is printed: ``group`` is ``None`` for the ward. ``content`` is all that stands on it."""

    name: str
    group: str | None
    content: Mapping[str, Any]

    @property
    def file(self) -> str:
        """Name of its file."""
        return f"{re.sub('[^A-Za-z0-9-]+', '-', self.group or 'ward')}-{self.name}.pdf"


def sheets(material: Material, *, names: Sequence[str] = (), group: str | None = None) -> tuple[Sheet, ...]:
    """The sheets asked for (none named: every one), of one group or of all groups and the ward.

    Raises ``Refused`` for a sheet or a group that does not exist, and where there is nothing to print.
    """
    _check(material, names, group)
    wanted = [name for name in KINDS if not names or name in names]
    found = tuple(_wanted(material, wanted, group))
    if not found:
        reason = "nobody shares in this plan, so there is no sheet of a group"
        raise Refused((Finding("print-nothing", "refused", reason, "print shift-report or order of the ward"),))
    return found


def _wanted(material: Material, wanted: Sequence[str], group: str | None) -> Iterator[Sheet]:
    for one in material.groups:
        if group is None or one.plan.id == group:
            for name in wanted:
                if name in _OF_A_GROUP:
                    yield Sheet(name, one.plan.id, _shown(_OF_A_GROUP[name](material, one)))
    planned = [set(one.plan.beds) for one in material.groups]
    for running in material.running or ():
        if "shift-report" in wanted and set(running.beds) not in planned and group in (None, running.name):
            content = _shown(ward_sheets.running_report(material, running))
            yield Sheet("shift-report", f"running-{running.name}", content)
    if group is None:
        for name in wanted:
            if name in _OF_THE_WARD:
                yield Sheet(name, None, _shown(_OF_THE_WARD[name](material)))


def pdf(sheet: Sheet, *, paper: Paper, as_of: int) -> bytes:
    """One sheet as a PDF. ``as_of`` (seconds since 1970) stands in it as its time: same sheet, same bytes."""
    import typst

    compiler = typst.Compiler(
        input=str(_TEMPLATES / f"{sheet.name}.typ"),
        root=str(_TEMPLATES),
        font_paths=typst_fonts(),
        ignore_system_fonts=True,
        sys_inputs={"data": json.dumps({**sheet.content, "paper": PAPERS[paper]})},
    )
    made = compiler.compile(format="pdf", timestamp=as_of)
    assert isinstance(made, bytes), "a PDF is one file"
    return made


def check_paper(name: str) -> Paper:
    """The paper of that name. Raises ``Refused`` for any other."""
    if name in ("a4", "letter"):
        return "a4" if name == "a4" else "letter"
    raise Refused((Finding("print-paper", "refused", f"there is no paper {name!r}", "a4 or letter", column="--paper"),))


def _check(material: Material, names: Sequence[str], group: str | None) -> None:
    wrong = []
    for name in names:
        if name not in KINDS:
            near = did_you_mean(name, KINDS)
            remedy = f"did you mean {near}?" if near else f"the sheets are {', '.join(KINDS)}"
            wrong.append(Finding("print-sheet", "refused", f"there is no sheet {name!r}", remedy, column="--sheet"))
    ids = [one.plan.id for one in material.groups] + [one.name for one in material.running or ()]
    if group is not None and group not in ids:
        near = did_you_mean(group, ids)
        known = f"the shared groups are {', '.join(ids)}" if ids else "nobody shares in this plan"
        wrong.append(Finding("print-group", "refused", f"there is no shared group {group!r}",
                             f"did you mean {near}?" if near else known, column="--group"))  # fmt: skip
    if wrong:
        raise Refused(tuple(wrong))


def _shown(content: Mapping[str, Any]) -> dict[str, Any]:
    """Every text with letters that the fonts have; drawings with the inks of paper written out."""
    return {key: _text(key, value) for key, value in content.items()}


def _text(key: str, value: Any) -> Any:
    match value:
        case str():
            return _plain_ink(value) if key in _SVG_KEYS else printable(value)
        case Mapping():
            return {name: _text(name, one) for name, one in value.items()}
        case list() | tuple():
            return [_text(key, one) for one in value]
        case _:
            return value


def _plain_ink(svg: str) -> str:
    """A drawing with its inks as plain colours: Typst knows no variables of style sheets."""
    return re.sub(r"var\(--([a-z-]+)\)", lambda match: INKS[match.group(1)][_PRINT_INK], svg)
