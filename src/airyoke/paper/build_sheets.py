"""Sheets of the trolley: what is pushed onto what, and what the build must show before a patient is near it."""

from __future__ import annotations

from typing import Any

from airyoke.contract.circuit_answer import CheckLine, CircuitAnswer
from airyoke.contract.words import number_words, plain
from airyoke.paper.envelope import group_sheet
from airyoke.paper.material import GroupMaterial, Material
from airyoke.paper.words import setting_words, upper_first


def assembly(material: Material, group: GroupMaterial) -> dict[str, Any]:
    """The drawing, then one joint a line."""
    circuit = group.circuit
    body: dict[str, Any] = {"missing": group.no_circuit, "drawing": group.drawing or "", "steps": [], "parts": []}
    if circuit is not None:
        body["steps"] = [
            {"number": one.step, "do": upper_first(one.do), "note": _note(one.direction, one.checked_by),
             "second": one.checked_by.startswith("a second")}
            for one in circuit.steps
        ]  # fmt: skip
        body["parts"] = [{"part": one.part, "count": one.count} for one in group.plan.circuit.parts]
    return group_sheet(material, group, "assembly", body)


def _note(direction: str | None, checked_by: str) -> str:
    return "; ".join(word for word in (direction, checked_by if checked_by != "whoever builds" else None) if word)


def bench_check(material: Material, group: GroupMaterial) -> dict[str, Any]:
    """What to do, what to expect, what is accepted, and room to write what was read."""
    circuit = group.circuit
    body: dict[str, Any] = {"missing": group.no_circuit, "tasks": [], "settings": "",
                            "note": group.bench_note}
    if circuit is not None:
        body["tasks"] = _tasks(circuit)
        at = circuit.bench_settings
        body["settings"] = "" if at is None else setting_words(at.model_dump(exclude_none=True))
    return group_sheet(material, group, "bench-check", body)


def _tasks(circuit: CircuitAnswer) -> list[dict[str, Any]]:
    """Checks with the same thing to do stand together."""
    tasks: dict[str, list[dict[str, str]]] = {}
    for one in circuit.bench:
        tasks.setdefault(one.do, []).append({"read": one.read, **_accepted(one)})
    return [{"do": upper_first(do), "checks": checks} for do, checks in tasks.items()]


def _accepted(check: CheckLine) -> dict[str, str]:
    if check.expected is None:
        return {"expected": "write it down", "accepted": "", "unit": ""}
    if check.unit == "yes":
        return {"expected": "yes" if check.expected else "no", "accepted": "", "unit": "yes / no"}
    unit = check.unit
    digits = "mL" if unit in ("mL", "mL/min") else "cmH2O"
    low, high = number_words(check.low, digits), number_words(check.high, digits)
    if check.low in (0.0, check.expected):
        return {"expected": plain(round(check.expected, 1)), "accepted": f"at most {high}", "unit": unit}
    return {"expected": number_words(check.expected, digits), "accepted": f"{low} to {high}", "unit": unit}
