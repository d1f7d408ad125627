"""Readings typed back: which are outside, and which single mistake in the build would read like that.

Every valve missing or turned round, every filter and restrictor forgotten, is put into the network in turn; the engine
and the squeeze logic say what would be read. A mistake is named if it explains every reading that was typed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from airyoke.bench_check.checks import Check, volume_band
from airyoke.bench_check.squeeze import rising
from airyoke.bench_check.test_lungs import TestLung, breathe
from airyoke.breath.settings import Settings
from airyoke.circuit.gas_path import GasPath
from airyoke.circuit.reduction import Mistake, network_of
from airyoke.circuit.steps import title
from airyoke.quantities import Finding, Refused, did_you_mean

_CAN_BE_FORGOTTEN = ("valve", "filter", "hme", "hmef", "restrictor", "peep_valve")


@dataclass(frozen=True, slots=True)
class Suspect:
    """One mistake and what it would do. ``explains``: every typed reading is what it would give."""

    piece: str
    mistake: Mistake
    words: str
    readings: dict[str, float]
    backflow_ml: dict[str, float]
    explains: bool
    misfit: float


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
    networks = [network_of(path, {piece: mistake}) for piece, mistake in candidates]
    breath = breathe(networks, settings, lungs)
    letters = [lane.letter for lane in path.lanes]
    found: list[Suspect] = []
    for run, (piece, mistake) in enumerate(candidates):
        if not breath.settled[run]:
            continue
        volumes = {letter: float(breath.tidal_volume_ml[run, i]) for i, letter in enumerate(letters)}
        would = {f"vt.{letter}": volume for letter, volume in volumes.items()}
        would["vte"] = float(breath.exhaled_ml[run])
        for letter in letters if len(letters) > 1 else []:
            would[f"squeeze.{letter}"] = float(bool(rising(path, letter, {piece: mistake})))
            clamped = rising(path, letter, {piece: mistake}, inspiratory_clamped=True)
            would[f"squeeze.{letter}.expiratory"] = float(bool(clamped))
        backflow = {letter: float(breath.backflow_ml[run, i]) for i, letter in enumerate(letters)}
        misfit = sum(_misfit(name, would[name], value) for name, value in readings.items() if name in would)
        explains = all(_misfit(name, would[name], value) <= 1.0 for name, value in readings.items() if name in would)
        words = _words(path, piece, mistake, volumes)
        found.append(Suspect(piece, mistake, words, would, backflow, explains, misfit))
    return tuple(sorted(found, key=lambda one: (not one.explains, one.misfit)))


def possible_mistakes(path: GasPath) -> tuple[tuple[str, Mistake], ...]:
    """Every piece that can be forgotten, and every one-way piece that can be turned round."""
    found: list[tuple[str, Mistake]] = []
    for one in path.assembly.pieces:
        part = path.assembly.part(one.id)
        if part.kind in _CAN_BE_FORGOTTEN:
            found.append((one.id, "missing"))
        if part.one_way and one.part in path.assembly.catalogue:
            found.append((one.id, "reversed"))
    return tuple(found)


def _misfit(name: str, would: float, read: float) -> float:
    """0 = as this mistake would read, 1 = at the edge of the tolerance; a wrong yes or no is far outside."""
    if name.startswith("squeeze."):
        return 0.0 if would == read else 10.0
    low, high = volume_band(would)
    half = max(high - would, 1e-9)
    return abs(read - would) / half if low > 0.0 or read > high else abs(read - would) / max(half, would)


def _words(path: GasPath, piece: str, mistake: Mistake, volumes: Mapping[str, float]) -> str:
    name = title(piece, path.assembly.part(piece))
    state = "is missing" if mistake == "missing" else "is turned round"
    shown = ", ".join(f"{letter} {volume:.0f} mL" for letter, volume in volumes.items())
    return f"{name} {state}: tidal volumes would be {shown}"
