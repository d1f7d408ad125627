"""The way of the gas through a circuit: machine to wye, wye to patient, wye to machine, lane by lane.

Found from the joints alone, so that a circuit typed back by whoever built it is read the same way as a planned one.
Take the patients' wyes away and what is left must fall into two trees, one at each port of the machine.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from airyoke.circuit.assembly import EXPIRATORY_PORT, INSPIRATORY_PORT, TERMINALS, Assembly
from airyoke.circuit.joints import fit
from airyoke.circuit.needs import LANES
from airyoke.quantities import Finding, Refused, did_you_mean

Place = tuple[str, str]  # piece id, end name


@dataclass(frozen=True, slots=True)
class Passage:
    """Gas of the breath passes one piece, from the end it enters by to the end it leaves by."""

    piece: str
    enters: str
    leaves: str


@dataclass(frozen=True, slots=True)
class Lane:
    """One patient's way: ``inspiratory`` from the machine to the wye, ``expiratory`` from the wye to the machine (both
    without the wye), ``patient`` from the wye towards the tracheal tube."""

    letter: str
    wye: Passage  # enters by the way in, leaves by the way out
    inspiratory: tuple[Passage, ...]
    expiratory: tuple[Passage, ...]
    patient: tuple[Passage, ...]


@dataclass(frozen=True, slots=True)
class GasPath:
    """The ways of all lanes, and how many lanes pass each piece on each side."""

    assembly: Assembly
    lanes: tuple[Lane, ...]

    def lanes_through(self, side: str) -> Counter[str]:
        """Piece -> number of lanes whose gas passes it on that side (``inspiratory`` or ``expiratory``)."""
        return Counter(step.piece for lane in self.lanes for step in getattr(lane, side))


def gas_path(assembly: Assembly) -> GasPath:
    """Follow the gas. Raises ``Refused`` naming every unknown part or end, joint that does not fit, open end, loop."""
    _refuse(_unknown(assembly))
    _refuse((*_joints_that_do_not_fit(assembly), *_used_twice(assembly), *_open_ends(assembly)))
    return _Tracer(assembly).traced()


def _refuse(findings: Iterable[Finding]) -> None:
    found = tuple(findings)
    if found:
        raise Refused(found)


def _finding(id_: str, reason: str, remedy: str, piece: str | None = None) -> Finding:
    return Finding(f"circuit-{id_}", "refused", reason, remedy, column="joints", value=piece)


def _unknown(assembly: Assembly) -> Iterable[Finding]:
    names = (*assembly.catalogue, *TERMINALS)
    known = {one.id for one in assembly.pieces}
    for id_, count in Counter(one.id for one in assembly.pieces).items():
        if count > 1:
            yield _finding("piece-twice", f"two pieces are called {id_}", "give each its own label", id_)
    for one in assembly.pieces:
        if one.part not in names:
            near = did_you_mean(one.part, names)
            remedy = f"did you mean {near}?" if near else "`airyoke circuit --parts` lists the names"
            yield _finding("part-unknown", f"{one.id}: the catalogue has no part {one.part!r}", remedy, one.part)
    for port in (INSPIRATORY_PORT, EXPIRATORY_PORT):
        if port not in known:
            yield _finding("port-missing", f"nothing is joined to {port}", "type both ports of the machine", port)
    tubes = [one for one in assembly.pieces if one.part == "tracheal-tube"]
    if not 1 <= len(tubes) <= len(LANES) or any(not one.lane for one in tubes):
        reason = f"{len(tubes)} tracheal tubes: a circuit serves 1 to {len(LANES)}, named A.tube, B.tube, …"
        yield _finding("patients", reason, "type one tracheal tube a patient")
    for joint in assembly.joints:
        for piece, name in joint.ends:
            if piece not in known:
                near = did_you_mean(piece, tuple(known))
                remedy = f"did you mean {near}?" if near else "add it to the pieces"
                yield _finding(
                    "piece-unknown", f"a joint names {piece!r}, which is not among the pieces", remedy, piece
                )
            elif assembly.piece(piece).part in names and all(e.name != name for e in assembly.part(piece).ends):
                ends = ", ".join(e.name for e in assembly.part(piece).ends)
                yield _finding("end-unknown", f"{piece} has no end {name!r}", f"its ends are {ends}", piece)


def _joints_that_do_not_fit(assembly: Assembly) -> Iterable[Finding]:
    for joint in assembly.joints:
        (one, a), (other, b) = joint.ends
        first, second = assembly.part(one).end(a), assembly.part(other).end(b)
        verdict = fit(first, second, assembly.catalogue.values())
        if verdict.verdict != "mates":
            what = f"{one} {first.written} and {other} {second.written} do not mate"
            remedy = f"put {' or '.join(verdict.adapters)} between" if verdict.adapters else "no adapter joins them"
            yield _finding("joint", what, remedy, f"{one} - {other}")


def _used_twice(assembly: Assembly) -> Iterable[Finding]:
    for (piece, name), count in Counter(place for joint in assembly.joints for place in joint.ends).items():
        if count > 1:
            yield _finding("end-twice", f"{count} joints at end {name} of {piece}", "one joint an end", piece)


def _open_ends(assembly: Assembly) -> Iterable[Finding]:
    joined = {place for joint in assembly.joints for place in joint.ends}
    for one in assembly.pieces:
        part = assembly.part(one.id)
        if part.venting:
            reason = f"{one.id}: a {part.short} loses the breath to the room: nothing returns to the ventilator"
            yield _finding("venting", reason, "use the in-line kind, whose outlet is captured", one.id)
            continue
        for an_end in part.ends:
            if (one.id, an_end.name) not in joined:
                reason = f"end {an_end.name} of {one.id} ({an_end.written}) is open: gas leaves there"
                yield _finding("open-end", reason, "join it, or close it with a cap", one.id)


class _Tracer:
    def __init__(self, assembly: Assembly) -> None:
        self.assembly = assembly
        self.other: dict[Place, Place] = {}
        for joint in assembly.joints:
            self.other[joint.upstream], self.other[joint.downstream] = joint.downstream, joint.upstream
        self.ends = {one.id: tuple(e.name for e in assembly.part(one.id).ends) for one in assembly.pieces}

    def traced(self) -> GasPath:
        chains = {lane: self._from_tube(lane) for lane in sorted(self.assembly.lanes)}
        wyes = {wye[0]: lane for lane, (_, wye) in chains.items()}
        if len(wyes) < len(chains):
            shared = next(wye for wye in wyes if sum(w[0] == wye for _, w in chains.values()) > 1)
            _refuse([_finding("wye-shared", f"two patients hang on {shared}", "one wye a patient", shared)])
        ways_in = self._tree(INSPIRATORY_PORT, wyes)
        ways_out = self._tree(EXPIRATORY_PORT, wyes)
        both = set(ways_in.seen) & set(ways_out.seen)
        if both:
            name = sorted(both)[0]
            reason = f"{name} joins the two sides without a patient between: gas takes the short way"
            _refuse([_finding("short-cut", reason, "keep the inspiratory and the expiratory side apart", name)])
        loose = {one.id for one in self.assembly.pieces} - ways_in.seen - ways_out.seen - wyes.keys()
        loose -= {step.piece for chain, _ in chains.values() for step in chain} | {f"{lane}.tube" for lane in chains}
        loose = {name for name in loose if self.assembly.part(name).kind != "cap"}
        if loose:
            names = ", ".join(sorted(loose))
            _refuse([_finding("loose", f"no gas reaches {names}", "join them to the rest, or leave them out", names)])
        return GasPath(self.assembly, tuple(self._lane(lane, chains[lane], ways_in, ways_out) for lane in chains))

    def _lane(self, letter: str, chain: tuple[tuple[Passage, ...], Place], into: _Ways, out: _Ways) -> Lane:
        steps, (wye, patient_end) = chain
        legs = [name for name in self.ends[wye] if name != patient_end]
        entry = [name for name in legs if (wye, name) in into.arrivals]
        leaving = [name for name in legs if (wye, name) in out.arrivals]
        for found, side in ((entry, "inspiratory"), (leaving, "expiratory")):
            if len(found) != 1:
                words = "no way" if not found else "two ways"
                reason = f"patient {letter} has {words} on the {side} side"
                _refuse([_finding("lane", reason, "one limb in and one limb out a patient", wye)])
        way_out = tuple(Passage(p.piece, p.leaves, p.enters) for p in reversed(out.arrivals[wye, leaving[0]]))
        towards_patient = tuple(Passage(p.piece, p.leaves, p.enters) for p in reversed(steps))
        return Lane(letter, Passage(wye, entry[0], leaving[0]), into.arrivals[wye, entry[0]], way_out, towards_patient)

    def _from_tube(self, lane: str) -> tuple[tuple[Passage, ...], Place]:
        """From the tracheal tube to the first piece with three ends: the pieces passed, and where it is entered."""
        place = self.other.get((f"{lane}.tube", "connector"))
        steps: list[Passage] = []
        seen: set[str] = set()
        while place is not None:
            piece, entered = place
            ends = self.ends[piece]
            if len(ends) > 2:
                return tuple(steps), place
            if piece in seen or len(ends) < 2:
                break
            seen.add(piece)
            leaves = ends[1] if ends[0] == entered else ends[0]
            steps.append(Passage(piece, entered, leaves))
            place = self.other.get((piece, leaves))
        reason = (
            f"patient {lane} has no wye: the way from the tracheal tube ends in {steps[-1].piece if steps else 'air'}"
        )
        raise Refused((_finding("no-wye", reason, "a Y- or T-piece where the way in and the way out meet", lane),))

    def _tree(self, port: str, wyes: Mapping[str, str]) -> _Ways:
        """Every way from a port up to the wyes. Refuses a loop."""
        arrivals: dict[Place, tuple[Passage, ...]] = {}
        seen = {port}
        start = self.other[port, "port"]
        waiting: list[tuple[Place, tuple[Passage, ...]]] = [(start, ())]
        while waiting:
            (piece, entered), before = waiting.pop()
            if piece in wyes:
                arrivals[piece, entered] = before
                continue
            if piece in seen:
                reason = f"there is a loop through {piece}: gas can go round in it"
                _refuse([_finding("loop", reason, "take one joint of it apart", piece)])
            seen.add(piece)
            for leaves in self.ends[piece]:
                if leaves != entered and (piece, leaves) in self.other:
                    waiting.append((self.other[piece, leaves], (*before, Passage(piece, entered, leaves))))
        return _Ways(arrivals, seen)


@dataclass(frozen=True, slots=True)
class _Ways:
    """Ways from one port: (wye, end arrived at) -> pieces passed; and every piece seen, the port included."""

    arrivals: dict[Place, tuple[Passage, ...]]
    seen: set[str]
