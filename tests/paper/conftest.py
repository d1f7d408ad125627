"""A plan for two and one for four, worked out from the readings of the demo ward; sheets of them; and a record."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from airyoke import paper
from airyoke.cli.run import main
from airyoke.contract.plan_answer import PlanAnswer
from airyoke.exchange import read_ward, write_tables
from airyoke.exchange.ward_rows import ward_of_rows
from airyoke.paper import Material, Provenance, Sheet
from airyoke.ward.demo import demo_tables
from airyoke.ward.questions import plan_ward
from airyoke.ward.ward import Ward

NOW = datetime(2026, 11, 25, 14, 0, tzinfo=UTC)
LONGEST = "Überwachungsbett am Fenster links, zweite Reihe hinter der Tür, Platz Nr. 7b-III"  # 80 letters: the most
HOSTILE = '#panic("a") *b* [c] $x$ <l> @r `q` \\ // </text><script>'
NO_GLYPH = "Bett 北\u202e5"


def tables(like: tuple[str, ...], size: int) -> dict[str, list[dict[str, Any]]]:
    """Beds 1, 2, … with the readings of those beds of the demo ward; one usable ventilator and one in reserve."""
    demo = demo_tables(NOW)
    by_bed = {row["bed"]: row for row in demo["beds"]}
    beds = [
        {**by_bed[name], "bed": f"E{i}", "code": f"k0{i}", "ventilator": "V1" if i == 1 else None}
        for i, name in enumerate(like, start=1)
    ]
    policy = [{"name": "max_group_size", "value": size}, {"name": "reserve_ventilators", "value": 1},
              {"name": "sharing", "value": "last-resort-accepted"}]  # fmt: skip
    return {"beds": beds, "ventilators": demo["ventilators"][:2], "stock": demo["stock"], "policy": policy}


def ward_of(rows: dict[str, list[dict[str, Any]]]) -> Ward:
    known = {name: [{k: v for k, v in row.items() if v is not None} for row in each] for name, each in rows.items()}
    return ward_of_rows(known, file="made-up ward", now=NOW)


@pytest.fixture(scope="session")
def two_rows() -> dict[str, list[dict[str, Any]]]:
    return tables(("E2", "E3"), 2)


@pytest.fixture(scope="session")
def two(two_rows: dict[str, list[dict[str, Any]]]) -> PlanAnswer:
    return PlanAnswer.of(plan_ward(ward_of(two_rows), now=NOW, draws=64))


@pytest.fixture(scope="session")
def four() -> PlanAnswer:
    rows = tables(("E3",) * 4, 4)
    answer = PlanAnswer.of(plan_ward(ward_of(rows), now=NOW, draws=64))
    assert [len(group.beds) for group in answer.groups] == [4], "four patients share, or the tests below see nothing"
    return answer


def printed(plan: PlanAnswer, ward: Ward | None = None, head: str | None = None) -> Material:
    return paper.gather(plan, ward, Provenance(NOW, "0.0-test", "made-up ward", head, "plan P7"))


@pytest.fixture(scope="session")
def two_material(two: PlanAnswer, two_rows: dict[str, list[dict[str, Any]]]) -> Material:
    return printed(two, ward_of(two_rows), "ward:214:3fa9c01b")


@pytest.fixture(scope="session")
def four_material(four: PlanAnswer) -> Material:
    return printed(four)


def renamed(plan: PlanAnswer, names: dict[str, str]) -> PlanAnswer:
    """The same plan with other bed labels."""

    def walk(value: Any) -> Any:
        match value:
            case dict():
                return {names.get(key, key): walk(one) for key, one in value.items()}
            case list():
                return [walk(one) for one in value]
            case str():
                return names.get(value, value)
            case _:
                return value

    return PlanAnswer.model_validate_json(json.dumps(walk(json.loads(plan.json_text()))))


@pytest.fixture(scope="session")
def hostile_material(four: PlanAnswer) -> Material:
    return printed(renamed(four, {"E1": LONGEST, "E2": HOSTILE, "E3": NO_GLYPH}))


_sheets: dict[int, tuple[Material, tuple[Sheet, ...]]] = {}
_made: dict[int, tuple[Sheet, bytes]] = {}


def sheets_of(material: Material) -> tuple[Sheet, ...]:
    """Every sheet of it, put together once."""
    if id(material) not in _sheets:
        _sheets[id(material)] = material, paper.sheets(material)
    return _sheets[id(material)][1]


def made(sheet: Sheet) -> bytes:
    """The sheet on A4, made once."""
    if id(sheet) not in _made:
        _made[id(sheet)] = sheet, paper.pdf(sheet, paper="a4", as_of=int(NOW.timestamp()))
    return _made[id(sheet)][1]


def pages_of(sheet: Sheet) -> list[str]:
    """The text of every page on A4, with runs of white space as one blank."""
    return list(_pages(made(sheet)))


@cache
def _pages(content: bytes) -> tuple[str, ...]:
    return tuple(" ".join(page.extract_text().split()) for page in PdfReader(io.BytesIO(content)).pages)


def the(material: Material, name: str, group: str | None = "G1") -> Sheet:
    return next(one for one in sheets_of(material) if (one.name, one.group) == (name, group))


Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    def command(*words: str) -> tuple[int, str, str]:
        capsys.readouterr()
        code = main(list(words))
        shown = capsys.readouterr()
        return code, shown.out, shown.err

    return command


@pytest.fixture
def folder_ward(tmp_path: Path, two_rows: dict[str, list[dict[str, Any]]]) -> Path:
    target = tmp_path / "ward"
    write_tables(target, two_rows)  # type: ignore[arg-type]
    assert read_ward(target, now=NOW).beds
    return target
