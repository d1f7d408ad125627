"""Readings typed back: which are outside, and which single mistake in the build would read like that.

Every valve missing or turned round, every filter and restrictor forgotten, every part that another of its kind fits in
the place of, is put into the network in turn; the engine and the squeeze logic say what would be read. A mistake is
named if it explains every reading that was typed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from airyoke.bench_check.checks import Check, volume_band
from airyoke.bench_check.squeeze import rising
from airyoke.bench_check.test_lungs import TestLung, breathe
from airyoke.breath.settings import Settings
from airyoke.circuit.gas_path import GasPath, gas_path
from airyoke.circuit.network import FlowNetwork
from airyoke.circuit.part import Part
from airyoke.circuit.reduction import Mistake, network_of
from airyoke.circuit.steps import title
from airyoke.quantities import Finding, Refused, did_you_mean

_CAN_BE_FORGOTTEN = ("valve", "filter", "hme", "hmef", "restrictor", "peep_valve")
_CAN_BE_MIXED_UP = ("valve", "restrictor", "tube", "filter")


@dataclass(frozen=True, slots=True)
class Slip:
    """One mistake in a build: a piece missing or turned round, or ``instead`` of it another part (``wrong``)."""

    piece: str
    mistake: Literal["missing", "reversed", "wrong"]
    instead: str | None = None

    @property
    def done_to(self) -> dict[str, Mistake]:
        """The mistake as the network reads it; nothing for a wrong part."""
        return {} if self.mistake == "wrong" else {self.piece: self.mistake}

    def network(self, path: GasPath) -> FlowNetwork:
        """The network that was built by this mistake."""
        if self.instead is None:
            return network_of(path, self.done_to)
        assembly = path.assembly
        pieces = tuple(replace(p, part=self.instead) if p.id == self.piece else p for p in assembly.pieces)
        return network_of(gas_path(replace(assembly, pieces=pieces)))


@dataclass(frozen=True, slots=True)
class Suspect:
    """One mistake and what it would do. ``explains``: every typed reading is what it would give."""

    slip: Slip
    words: str
    readings: dict[str, float]
    backflow_ml: dict[str, float]
    explains: bool
    misfit: float

    @property
    def piece(self) -> str:
        """The piece it is about."""
        return self.slip.piece

    @property
    def mistake(self) -> Literal["missing", "reversed", "wrong"]:
        """What happened to it."""
        return self.slip.mistake


def judge(checks: Sequence[Check], readings: Mapping[str, float]) -> tuple[tuple[Check, float, bool], ...]:
    """Each reading beside its check: accepted or not. Raises ``Refused`` for a check that does not exist."""
    known = {check.id: check for check in checks}
    unknown = [name for name in readings if name not in known]
    if unknown:
        raise Refused(tuple(_no_such_check(name, tuple(known)) for name in unknown))
    return tuple((known[name], value, known[name].accepts(value)) for name, value in readings.items())


def _no_such_check(name: str, known: tuple[str, ...]) -> Finding:
    near = did_you_mean(name, known)
    remedy = f"did you mean {near}?" if near else f"the checks are {', '.join(known)}"
    return Finding(
        "bench-check-unknown", "refused", f"there is no check {name!r}", remedy, column="readings", value=name
    )


def suspects(
    path: GasPath, settings: Settings, lungs: Sequence[TestLung], readings: Mapping[str, float]
) -> tuple[Suspect, ...]:
    """Every single mistake, those that explain the readings best first; see ``possible_mistakes``.

    Only the tidal volumes (``vt.A``), the machine's exhaled volume (``vte``) and the squeezes are compared.
    """
    candidates = possible_mistakes(path)
    breath = breathe([slip.network(path) for slip in candidates], settings, lungs)
    letters = [lane.letter for lane in path.lanes]
    found: list[Suspect] = []
    for run, slip in enumerate(candidates):
        if not breath.settled[run]:
            continue
        volumes = {letter: float(breath.tidal_volume_ml[run, i]) for i, letter in enumerate(letters)}
        would = {f"vt.{letter}": volume for letter, volume in volumes.items()}
        would["vte"] = float(breath.exhaled_ml[run])
        for letter in letters if len(letters) > 1 else []:
            would[f"squeeze.{letter}"] = float(bool(rising(path, letter, slip.done_to)))
            clamped = rising(path, letter, slip.done_to, inspiratory_clamped=True)
            would[f"squeeze.{letter}.expiratory"] = float(bool(clamped))
        backflow = {letter: float(breath.backflow_ml[run, i]) for i, letter in enumerate(letters)}
        off = [_misfit(name, would[name], value) for name, value in readings.items() if name in would]
        explains = all(one <= 1.0 for one in off)
        found.append(Suspect(slip, _words(path, slip, volumes), would, backflow, explains, sum(off)))
    return tuple(sorted(found, key=lambda one: (not one.explains, one.misfit)))


def possible_mistakes(path: GasPath) -> tuple[Slip, ...]:
    """Every piece that can be forgotten, turned round, or mixed up with another part that has the same ends."""
    found: list[Slip] = []
    for one in path.assembly.pieces:
        part = path.assembly.part(one.id)
        if one.part not in path.assembly.catalogue:
            continue
        if part.kind in _CAN_BE_FORGOTTEN:
            found.append(Slip(one.id, "missing"))
        if part.one_way:
            found.append(Slip(one.id, "reversed"))
        found += [Slip(one.id, "wrong", other) for other in _mixed_up_with(part, path.assembly.catalogue.values())]
    return tuple(found)


def _mixed_up_with(part: Part, catalogue: Iterable[Part]) -> Iterable[str]:
    """Parts of the same kind that push together just as well; hoses only of the same length."""
    if part.kind not in _CAN_BE_MIXED_UP:
        return
    ends = [one.written for one in part.ends]
    for other in catalogue:
        alike = other.kind == part.kind and [one.written for one in other.ends] == ends
        if alike and other.name != part.name and other.length_m == part.length_m:
            yield other.name


def _misfit(name: str, would: float, read: float) -> float:
    """0 = as this mistake would read, 1 = at the edge of the tolerance; a wrong yes or no is far outside."""
    if name.startswith("squeeze."):
        return 0.0 if would == read else 10.0
    low, high = volume_band(would)
    half = max(high - would, 1e-9)
    return abs(read - would) / half if low > 0.0 or read > high else abs(read - would) / max(half, would)


def _words(path: GasPath, slip: Slip, volumes: Mapping[str, float]) -> str:
    name = title(slip.piece, path.assembly.part(slip.piece))
    states = {"missing": "is missing", "reversed": "is turned round", "wrong": f"is a {slip.instead}"}
    shown = ", ".join(f"{letter} {volume:.0f} mL" for letter, volume in volumes.items())
    return f"{name} {states[slip.mistake]}: tidal volumes would be {shown}"
