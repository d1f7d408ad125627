"""A second look at a circuit that shares no code with the first: notation strings, plain dictionaries, plain search."""

from __future__ import annotations

from collections import Counter

TERMINAL_ENDS = {
    "inspiratory-port": {"port": "22M"},
    "expiratory-port": {"port": "22M"},
    "tracheal-tube": {"connector": "15M"},
}


def faults_of(assembly, parts):
    """Everything wrong, in words; empty where the circuit is one that may be breathed through."""
    wrong = []
    part_of = {one.id: one.part for one in assembly.pieces}
    ends = {
        id_: TERMINAL_ENDS.get(name)
        or {e.name: "/".join(f"{c.size_mm:g}{c.gender}" for c in e.cones) for e in parts[name].ends}
        for id_, name in part_of.items()
    }
    places = [place for joint in assembly.joints for place in (joint.upstream, joint.downstream)]
    wrong += [f"end used twice: {place}" for place, count in Counter(places).items() if count > 1]
    every = {(id_, name) for id_, names in ends.items() for name in names}
    wrong += [f"open end: {place}" for place in every - set(places)]
    neighbour = {}
    for joint in assembly.joints:
        a, b = joint.upstream, joint.downstream
        neighbour[a], neighbour[b] = b, a
        if not _mate(ends[a[0]][a[1]], ends[b[0]][b[1]]):
            wrong.append(f"does not mate: {a} {b}")
    lanes = sorted(id_[0] for id_, name in part_of.items() if name == "tracheal-tube")
    for lane in lanes:
        wrong += _lane_faults(lane, lanes, part_of, ends, neighbour, parts)
    return wrong


def _mate(one, other):
    pairs = [(a[:-1] == b[:-1], {a[-1], b[-1]} == {"M", "F"}) for a in one.split("/") for b in other.split("/")]
    return (True, True) in pairs


def _lane_faults(lane, lanes, part_of, ends, neighbour, parts):
    """Gas that starts at the machine reaches this lane through exactly one valve the right way, and so does the way back."""
    wrong = []
    into = _way("ventilator.inspiratory", f"{lane}.tube", lane, ends, neighbour)
    out = _way(f"{lane}.tube", "ventilator.expiratory", lane, ends, neighbour)
    if into is None or out is None:
        return [f"no way for {lane}: in {into is not None}, out {out is not None}"]
    for side, way in (("in", into), ("out", out)):
        valves = [
            (id_, entered) for id_, entered in way if parts.get(part_of[id_]) and parts[part_of[id_]].kind == "valve"
        ]
        if len(lanes) > 1 and len(valves) != 1:
            wrong.append(f"{lane} {side}: {len(valves)} valves")
        wrong += [f"{lane} {side}: {id_} turned round" for id_, entered in valves if entered != "in"]
    chain = [part_of[id_] for id_, _ in into if id_.startswith(f"{lane}.") and id_.count(".") == 1]
    kinds = [parts[name].kind for name in chain if name in parts]
    if not {"filter", "hmef"} & set(kinds):
        wrong.append(f"{lane}: no filter")
    heated = any(parts[name].kind == "humidifier" for name in part_of.values() if name in parts)
    if heated == bool({"hme", "hmef"} & set(kinds)):
        wrong.append(f"{lane}: humidified twice or not at all")
    return wrong


def _way(start, goal, lane, ends, neighbour):
    """Shortest way through pieces; others' tracheal tubes and wyes are not to be passed. [(piece, end entered by)]."""
    first = next(iter(ends[start]))
    waiting = [(neighbour.get((start, first)), ())]
    seen = set()
    while waiting:
        place, way = waiting.pop(0)
        if place is None or place in seen:
            continue
        seen.add(place)
        id_, entered = place
        way = (*way, (id_, entered))
        if id_ == goal:
            return way
        if id_.endswith(".wye") and not id_.startswith(lane):
            continue
        waiting += [(neighbour.get((id_, name)), way) for name in ends[id_] if name != entered]
    return None
