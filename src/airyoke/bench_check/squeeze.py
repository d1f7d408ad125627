"""The squeeze test as logic: both common ports shut, one test lung squeezed; whose lung rises?

Gas of the squeezed lung reaches another one only through a branch that lets it pass the wrong way. Which ways are open
follows from the one-way pieces alone, so this needs no engine.
"""

from __future__ import annotations

from collections.abc import Mapping

from airyoke.circuit.gas_path import GasPath, Lane
from airyoke.circuit.inspection import SIDES, Side
from airyoke.circuit.reduction import Mistake


def rising(
    path: GasPath, squeezed: str, mistakes: Mapping[str, Mistake] | None = None, *, inspiratory_clamped: bool = False
) -> frozenset[str]:
    """Lanes whose lungs rise when that lane's is squeezed.

    ``inspiratory_clamped``: every inspiratory hose is clamped at its splitter, so that only the expiratory side can
    pass gas on; it tells the two sides apart.
    """
    ways: dict[str, set[str]] = {}
    for lane in path.lanes:
        for side in SIDES:
            if side == "inspiratory" and inspiratory_clamped:
                continue
            forward, backward = open_ways(path, lane, side, mistakes or {})
            # Forward is the way of the breath: trunk to wye on the way in, wye to trunk on the way out.
            first, second = (side, lane.letter) if side == "inspiratory" else (lane.letter, side)
            if forward:
                ways.setdefault(first, set()).add(second)
            if backward:
                ways.setdefault(second, set()).add(first)
    reached, waiting = {squeezed}, [squeezed]
    while waiting:
        for place in ways.get(waiting.pop(), ()):
            if place not in reached:
                reached.add(place)
                waiting.append(place)
    return frozenset(reached & {lane.letter for lane in path.lanes} - {squeezed})


def open_ways(path: GasPath, lane: Lane, side: Side, mistakes: Mapping[str, Mistake]) -> tuple[bool, bool]:
    """Whether one lane's branch lets gas pass the way of the breath, and against it."""
    passed = path.lanes_through(side)
    forward = backward = True
    for step in lane.inspiratory if side == "inspiratory" else lane.expiratory:
        part, mistake = path.assembly.part(step.piece), mistakes.get(step.piece)
        if passed[step.piece] > 1 or not part.one_way or mistake == "missing":
            continue
        right_way = (part.end(step.enters).flow != "out") != (mistake == "reversed")
        forward, backward = forward and right_way, backward and not right_way
    return forward, backward
