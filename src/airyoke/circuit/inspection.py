"""What is wrong with a circuit although its joints fit: a valve turned round or missing, a part in the wrong place."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from airyoke.circuit.assembly import Assembly
from airyoke.circuit.ends import End
from airyoke.circuit.gas_path import GasPath, Lane, Passage, gas_path
from airyoke.circuit.joints import Where, wrong_here
from airyoke.quantities import Finding

Side = Literal["inspiratory", "expiratory"]
SIDES: tuple[Side, Side] = ("inspiratory", "expiratory")
_TURN = "take it out, turn it so that its arrow follows the gas, and let a second person read the arrow"


def inspect(assembly: Assembly) -> tuple[Finding, ...]:
    """Everything that speaks against this circuit, piece by piece.

    Raises ``Refused`` where it is no circuit at all (see ``gas_path``).
    """
    path = gas_path(assembly)
    return (*_turned_round(path), *_valves_missing(path), *_misplaced(path), *_filters(path), *_labels(path))


def turned_round(path: GasPath) -> tuple[str, ...]:
    """Ids of the one-way pieces that gas would enter by their outlet."""
    found = {
        step.piece: None
        for lane in path.lanes
        for side in SIDES
        for step in getattr(lane, side)
        if _end(path, step).flow == "out"
    }
    return tuple(found)


def has_valve(path: GasPath, lane: Lane, side: Side) -> bool:
    """Whether a lane's own branch on that side has a one-way valve the right way round."""
    passed = path.lanes_through(side)
    steps: tuple[Passage, ...] = getattr(lane, side)
    return any(
        path.assembly.part(step.piece).kind == "valve" and passed[step.piece] == 1 and _end(path, step).flow == "in"
        for step in steps
    )


def _end(path: GasPath, step: Passage) -> End:
    return path.assembly.part(step.piece).end(step.enters)


def _turned_round(path: GasPath) -> Iterable[Finding]:
    for piece in turned_round(path):
        part = path.assembly.part(piece)
        reason = f"{piece}: the {part.short} is turned round; gas would enter it at its outlet"
        yield _finding("turned-round", reason, _TURN, piece)


def _valves_missing(path: GasPath) -> Iterable[Finding]:
    if len(path.lanes) == 1:
        return  # the machine's own valves are enough for one
    for lane in path.lanes:
        for side in SIDES:
            if not has_valve(path, lane, side) and not _any_valve(path, lane, side):
                reason = f"patient {lane.letter} has no one-way valve on the {side} branch: gas flows from lung to lung"
                yield _finding(
                    "valve-missing", reason, f"put a one-way valve into {lane.letter}'s {side} branch", lane.wye.piece
                )


def _any_valve(path: GasPath, lane: Lane, side: Side) -> bool:
    """A valve the wrong way round is named as that, not as missing too."""
    passed = path.lanes_through(side)
    steps: tuple[Passage, ...] = getattr(lane, side)
    return any(path.assembly.part(step.piece).kind == "valve" and passed[step.piece] == 1 for step in steps)


def _misplaced(path: GasPath) -> Iterable[Finding]:
    assembly = path.assembly
    heated = any(assembly.part(one.id).kind == "humidifier" for one in assembly.pieces)
    said: set[str] = set()
    for lane in path.lanes:
        for side in SIDES:
            passed = path.lanes_through(side)
            for step in getattr(lane, side):
                where: Where = "trunk" if passed[step.piece] > 1 else side
                yield from _wrong(assembly, step.piece, where, heated, said)
        for step in lane.patient:
            yield from _wrong(assembly, step.piece, "patient", heated, said)


def _wrong(assembly: Assembly, piece: str, where: Where, heated: bool, said: set[str]) -> Iterable[Finding]:
    reason = wrong_here(assembly.part(piece), where, hme_and_heated=heated)
    if reason and piece not in said:
        said.add(piece)
        yield _finding("misplaced", f"{piece}: {reason}", "take it out", piece)


def _filters(path: GasPath) -> Iterable[Finding]:
    assembly = path.assembly
    for lane in path.lanes:
        if not any(assembly.part(step.piece).kind in ("filter", "hmef") for step in lane.patient):
            reason = f"no filter between patient {lane.letter} and what is shared"
            yield _finding("filter-missing", reason, f"put a filter at {lane.letter}'s wye", lane.wye.piece)
        if not any(assembly.part(step.piece).kind == "capnograph" for step in lane.patient):
            reason = f"no capnograph adapter at patient {lane.letter}: a flat CO₂ curve is the first sign of a block"
            yield _finding(
                "capnograph-missing", reason, "sample from the filter's port, or add one", lane.wye.piece, "ask"
            )
    shared = path.lanes_through("expiratory")
    everybody = [piece for piece, count in shared.items() if count == len(path.lanes)]
    if not any(assembly.part(piece).kind in ("filter", "hmef") for piece in everybody):
        yield _finding(
            "expiratory-filter-missing", "no filter on the shared expiratory limb", "put one before the machine"
        )


def _labels(path: GasPath) -> Iterable[Finding]:
    """A label that says another patient or another side: nothing else would show it."""
    for lane in path.lanes:
        for side, steps in (("in", lane.inspiratory), ("out", lane.expiratory), ("", lane.patient)):
            for step in (*steps, lane.wye):
                label = path.assembly.piece(step.piece)
                words = label.id.split(".")
                if label.lane and label.lane != lane.letter:
                    reason = f"{label.id} is labelled {label.lane} and lies in {lane.letter}'s way"
                    yield _finding(
                        "crossed", reason, "change the labels or the hoses before anybody is attached", label.id
                    )
                elif side and len(words) == 3 and words[1] != side:
                    reason = f"{label.id} is labelled for the other side"
                    yield _finding("crossed-side", reason, "change the label, or the hose", label.id, "ask")


def _finding(
    id_: str, reason: str, remedy: str, piece: str | None = None, level: Literal["refused", "ask"] = "refused"
) -> Finding:
    return Finding(f"circuit-{id_}", level, reason, remedy, column="joints", value=piece)
