"""A circuit pushed together: single pieces, the joints between their ends, and the order in which gas passes them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from airyoke.circuit.choice import Chosen
from airyoke.circuit.ends import End, end
from airyoke.circuit.needs import LANES, Catalogue
from airyoke.circuit.network import Element
from airyoke.circuit.part import Part
from airyoke.circuit.parts import PARTS
from airyoke.circuit.slots import NEEDS_NO_BRIDGE, SlotName

INSPIRATORY_PORT, EXPIRATORY_PORT = "ventilator.inspiratory", "ventilator.expiratory"
_COMMON_PRACTICE = "usual ends of a machine and a tracheal tube (ISO 5361: 15 mm male); look at yours"


def _terminal(name: str, meaning: str, one: End) -> Part:
    return Part(name, meaning, Element(0.0), 0.0, 0.0, _COMMON_PRACTICE, "sleeve", (one,), short=meaning)


# What a build is attached to; nobody takes these from the store room.
TERMINALS: Mapping[str, Part] = {
    "inspiratory-port": _terminal("inspiratory-port", "inspiratory port", end("port", "22M", "out")),
    "expiratory-port": _terminal("expiratory-port", "expiratory port", end("port", "22M", "in")),
    "tracheal-tube": _terminal("tracheal-tube", "tracheal tube", end("connector", "15M")),
}


@dataclass(frozen=True, slots=True)
class Piece:
    """One thing in the hand: ``id`` as written on its label, the part it is, and what it is set to.

    ``setting``: of a PEEP valve in cmH2O; ``None`` elsewhere.
    """

    id: str
    part: str
    setting: float | None = None

    @property
    def lane(self) -> str:
        """Letter of the patient it belongs to; empty where it is shared."""
        first = self.id.split(".")[0]
        return first if first in LANES else ""


@dataclass(frozen=True, slots=True)
class Joint:
    """Two ends pushed together; gas of the breath passes from ``upstream`` to ``downstream``.

    Between wye and patient it passes both ways and is written towards the patient. Each end: (piece id, end name).
    """

    upstream: tuple[str, str]
    downstream: tuple[str, str]

    @property
    def ends(self) -> tuple[tuple[str, str], tuple[str, str]]:
        """Both ends."""
        return self.upstream, self.downstream


@dataclass(frozen=True, slots=True)
class Assembly:
    """Every piece and every joint of one circuit, in the order in which it is put together."""

    pieces: tuple[Piece, ...]
    joints: tuple[Joint, ...]
    catalogue: Catalogue = field(default_factory=lambda: PARTS, repr=False, compare=False)

    def part(self, piece_id: str) -> Part:
        """The part that a piece is. Raises ``KeyError`` for no such piece or part."""
        name = self.piece(piece_id).part
        return TERMINALS[name] if name in TERMINALS else self.catalogue[name]

    def piece(self, piece_id: str) -> Piece:
        """The piece of that id. Raises ``KeyError`` where there is none."""
        for one in self.pieces:
            if one.id == piece_id:
                return one
        raise KeyError(piece_id)

    @property
    def lanes(self) -> str:
        """The letters of its patients."""
        return "".join(one.lane for one in self.pieces if one.part == "tracheal-tube")

    @property
    def taken(self) -> tuple[tuple[str, int], ...]:
        """Parts from the store room and how many of each, by name."""
        counted = Counter(one.part for one in self.pieces if one.part not in TERMINALS)
        return tuple(sorted(counted.items()))


# A tree of splitters: a lane, or two subtrees of which the first leaves by the branch of a T-piece.
Tree = str | tuple["Tree", "Tree"]


def splitting(lanes: str, layout: str) -> Tree:
    """How the trunk divides to the lanes: in pairs, or one lane after another."""
    if len(lanes) == 1:
        return lanes
    cut = 1 if layout == "chain" else (len(lanes) + 1) // 2
    return splitting(lanes[:cut], layout), splitting(lanes[cut:], layout)


def put_together(chosen: Chosen, catalogue: Catalogue = PARTS) -> Assembly:
    """Every joint of the chosen parts, in the order of the gas: in, each patient, out."""
    return _Bench(chosen, catalogue).assembly()


class _Bench:
    """Parts of one group laid out by slot; each is used up once."""

    def __init__(self, chosen: Chosen, catalogue: Catalogue) -> None:
        self.needs, self.catalogue = chosen.needs, catalogue
        self.pieces: dict[str, Piece] = {}
        self.joints: list[Joint] = []
        self.laid: dict[tuple[SlotName, str], list[tuple[str, ...]]] = {}
        for pick in chosen.picks:
            self.laid.setdefault((pick.slot, pick.key), []).extend([pick.option.parts] * pick.count)

    def take(self, slot: SlotName, key: str = "") -> tuple[str, ...]:
        """The parts of the next option laid out for a slot; none where the slot is empty."""
        waiting = self.laid.get((slot, key))
        return waiting.pop(0) if waiting else ()

    def piece(self, id_: str, part: str, setting: float | None = None) -> str:
        self.pieces[id_] = Piece(id_, part, setting)
        return id_

    def join(self, upstream: tuple[str, str], downstream: tuple[str, str]) -> None:
        self.joints.append(Joint(upstream, downstream))

    def through(self, upstream: tuple[str, str], id_: str, part: str, setting: float | None = None) -> tuple[str, str]:
        """Add a two-ended piece after ``upstream``; returns its far end. It is turned the way that mates."""
        self.piece(id_, part, setting)
        ends = self.catalogue[part].ends
        before = self._end(upstream)
        near, far = ends if ends[0].mating_cones(before) is not None and ends[0].flow != "out" else ends[::-1]
        self.join(upstream, (id_, near.name))
        return id_, far.name

    def _end(self, place: tuple[str, str]) -> End:
        name = self.pieces[place[0]].part
        part = TERMINALS[name] if name in TERMINALS else self.catalogue[name]
        return part.end(place[1])

    def assembly(self) -> Assembly:
        lanes = LANES[: self.needs.size]
        tree = splitting(lanes, self.needs.layout)
        trunk = self.piece(INSPIRATORY_PORT, "inspiratory-port"), "port"
        for names in iter(lambda: self.take("humidifier"), ()):
            trunk = self.through(trunk, "in.sleeve0", self.take("bridge")[0])
            trunk = self.through(trunk, "in.humidifier", names[0])
        wyes = dict(self._inspiratory(tree, trunk, _numbers()))
        for lane in lanes:
            self._patient(lane, wyes[lane])
        out = self._expiratory(tree, wyes, _numbers())
        out = self.through(out, "out.filter", self.take("expiratory_filter")[0])
        out_end = self._end(out)
        self.piece(EXPIRATORY_PORT, "expiratory-port")
        if out_end.mating_cones(TERMINALS["expiratory-port"].ends[0]) is None:
            out = self.through(out, "out.sleeve1", self.take("bridge")[0])
        self.join(out, (EXPIRATORY_PORT, "port"))
        return Assembly(tuple(self.pieces.values()), tuple(self.joints), self.catalogue)

    def _inspiratory(self, tree: Tree, upstream: tuple[str, str], numbers: Iterator[int]) -> Iterator[tuple[str, str]]:
        """Splitters and branches from the trunk on; yields (lane, wye id)."""
        if isinstance(tree, str):
            yield tree, self._branch_in(tree, upstream)
            return
        number = next(numbers)
        (name,) = self.take("splitter")
        if NEEDS_NO_BRIDGE not in (name, self.catalogue[name].like):
            upstream = self.through(upstream, f"in.sleeve{number}", self.take("bridge")[0])
        splitter = self.piece(f"in.splitter{number}", name)
        common, first, second = _splitter_ends(self.catalogue[name])
        self.join(upstream, (splitter, common))
        for subtree, leg in zip(tree, (first, second), strict=True):
            yield from self._inspiratory(subtree, (splitter, leg), numbers)

    def _branch_in(self, lane: str, upstream: tuple[str, str]) -> str:
        for name in self.take("valve"):
            upstream = self.through(upstream, f"{lane}.in.valve", name)
        restrictor = self.needs.patients[LANES.index(lane)].restrictor
        if restrictor is not None:
            for name in self.take("restrictor", restrictor):
                upstream = self.through(upstream, f"{lane}.in.restrictor", name)
        upstream = self._hose(lane, "in", upstream)
        (name,) = self.take("wye")
        wye = self.piece(f"{lane}.wye", name)
        self.join(upstream, (wye, _wye_ends(self.catalogue[name])[0]))
        return wye

    def _hose(self, lane: str, side: str, upstream: tuple[str, str]) -> tuple[str, str]:
        """The tubes of one limb with the connectors between them."""
        names = self.take("limb", str(self.needs.patients[LANES.index(lane)].reach_cm))
        tubes = [name for name in names if self.catalogue[name].kind == "tube"]
        connectors = [name for name in names if self.catalogue[name].kind != "tube"]
        for i, name in enumerate(tubes, start=1):
            if i > 1:
                upstream = self.through(upstream, f"{lane}.{side}.connector{i - 1}", connectors.pop())
            upstream = self.through(upstream, f"{lane}.{side}.tube{i}", name)
        return upstream

    def _patient(self, lane: str, wye: str) -> None:
        at = wye, _wye_ends(self.catalogue[self.pieces[wye].part])[2]
        for name in self.take("filter"):
            kind = "hme" if self.catalogue[name].kind == "hme" else "filter"
            at = self.through(at, f"{lane}.{kind}", name)
        for name in self.take("capnograph"):
            at = self.through(at, f"{lane}.co2", name)
        for name in self.take("mount"):
            at = self.through(at, f"{lane}.mount", name)
        if self.needs.patients[LANES.index(lane)].closed_suction:
            for name in self.take("suction"):
                at = self.through(at, f"{lane}.suction", name)
        self.join(at, (self.piece(f"{lane}.tube", "tracheal-tube"), "connector"))

    def _branch_out(self, lane: str, wye: str) -> tuple[str, str]:
        at = wye, _wye_ends(self.catalogue[self.pieces[wye].part])[1]
        for name in self.take("valve"):
            at = self.through(at, f"{lane}.out.valve", name)
        setting = self.needs.patients[LANES.index(lane)].peep_valve_cmh2o
        if setting is not None:
            for name in self.take("peep_valve"):
                at = self.through(at, f"{lane}.out.peep-valve", name, setting)
        return self._hose(lane, "out", at)

    def _expiratory(self, tree: Tree, wyes: Mapping[str, str], numbers: Iterator[int]) -> tuple[str, str]:
        """Branches and splitters towards the machine; returns the common end of the last one."""
        if isinstance(tree, str):
            return self._branch_out(tree, wyes[tree])
        number = next(numbers)
        (name,) = self.take("splitter")
        plain = NEEDS_NO_BRIDGE not in (name, self.catalogue[name].like)
        bridge = self.take("bridge") if plain and number > 1 else ()
        legs = [self._expiratory(subtree, wyes, numbers) for subtree in tree]
        splitter = self.piece(f"out.splitter{number}", name)
        common, first, second = _splitter_ends(self.catalogue[name])
        for leg, into in zip(legs, (first, second), strict=True):
            self.join(leg, (splitter, into))
        out = splitter, common
        # The root's bridge goes behind the filter, whose far end is male then.
        return self.through(out, f"out.sleeve{number}", bridge[0]) if bridge else out


def _numbers() -> Iterator[int]:
    number = 0
    while True:
        number += 1
        yield number


def _splitter_ends(part: Part) -> tuple[str, str, str]:
    """Common end, and the two legs: of a T-piece the branch first, then along its run."""
    return ("run-a", "branch", "run-b") if part.kind == "tee" else ("common", "left", "right")


def _wye_ends(part: Part) -> tuple[str, str, str]:
    """At a patient: end for the way in, for the way out, and towards the patient."""
    return ("run-a", "run-b", "branch") if part.kind == "tee" else ("left", "right", "common")
