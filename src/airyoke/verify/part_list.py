"""A build read from its part list: what lies between which two places, by this module's own reading.

The engine sees a ``FlowNetwork`` in which parts in series were added up and their compliances moved to three kinds of
place. Here every part stays where it lies, with half of its compliance at either end, and the tree of splitters stays
a tree. Only the list of parts, the data of each part and the machine's own data are taken from the package; the
``FlowNetwork`` is not read.

The reading. A Y-piece takes its loss in its common leg; for the splitters behind the first that may also be each
outgoing leg (``second_splitters``), because a datum of one flow through one leg does not say. Splitters form a
balanced tree; each further splitter needs one sleeve to the one before. Inspiratory side: machine, sleeve, splitters,
one-way valve, hose, patient Y; expiratory side: patient Y, hose, one-way valve, splitters, sleeve, filter, machine.
Between the Y and the patient: filter, mount, capnograph adapter.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Literal

from airyoke.circuit import PARTS, Part, builds
from airyoke.circuit import assembly as assembled
from airyoke.circuit.assembly import EXPIRATORY_PORT, INSPIRATORY_PORT, TERMINALS, Assembly
from airyoke.verify.scenarios import Trim


@dataclass(frozen=True, slots=True)
class Piece:
    """One part in its place: gas goes from ``start`` to ``end``. Data as the part has them.

    ``one_way``: it opens once the drop along it passes ``cracking_cmh2o``; shut, it leaks ``back_leak`` L/s per cmH2O.
    """

    start: str
    end: str
    name: str
    linear: float
    quadratic: float
    one_way: bool = False
    cracking_cmh2o: float = 0.0
    back_leak: float = 0.0


@dataclass(slots=True)
class Layout:
    """Pieces with their places, and the compliance (mL/cmH2O) that collects at each place.

    Places: ``in`` and ``out`` are the machine's ports, ``tube0`` … the patients' tracheal tubes. ``way_in`` and
    ``way_out``: linear and quadratic resistance of the machine itself, behind these ports.
    """

    patients: int
    way_in: tuple[float, float] = (builds.MACHINE_INSPIRATORY.linear, builds.MACHINE_INSPIRATORY.quadratic)
    way_out: tuple[float, float] = (builds.MACHINE_EXPIRATORY.linear, builds.MACHINE_EXPIRATORY.quadratic)
    pieces: list[Piece] = field(default_factory=list)
    compliance_ml_per_cmh2o: dict[str, float] = field(default_factory=dict)

    def add_compliance(self, place: str, ml_per_cmh2o: float) -> None:
        """Gas that the place takes up, mL/cmH2O."""
        self.compliance_ml_per_cmh2o[place] = self.compliance_ml_per_cmh2o.get(place, 0.0) + ml_per_cmh2o


class _Box:
    """The parts of the list, laid out one by one; what is left at the end was not understood."""

    def __init__(self, layout: Layout, parts: tuple[tuple[str, int], ...]) -> None:
        self.layout = layout
        self.left = Counter(dict(parts))
        self._places = 0

    def lay(self, names: tuple[str, ...], start: str, end: str, resistance_factor: float = 1.0) -> None:
        """Parts in series between two places, in the order of the flow."""
        place = start
        for i, name in enumerate(names):
            following = end if i == len(names) - 1 else self.new_place()
            self._piece(name, place, following, resistance_factor)
            place = following

    def split(self, name: str, fork: str, side: Literal["in", "out"], legs: int) -> list[str]:
        """A splitter whose loss lies in each of its outgoing legs; the far ends of these legs."""
        part = self.take(name)
        ends = [self.new_place() for _ in range(legs)]
        for end in ends:
            start, stop = (fork, end) if side == "in" else (end, fork)
            self.layout.pieces.append(Piece(start, stop, name, part.element.linear, part.element.quadratic))
        self.layout.add_compliance(fork, part.compliance_ml_per_cmh2o)
        return ends

    def take(self, name: str) -> Part:
        """One part out of the box. Raises ``ValueError`` where none is left."""
        if self.left[name] < 1:
            raise ValueError(f"the part list has no further {name}")
        self.left[name] -= 1
        return PARTS[name]

    def new_place(self) -> str:
        """The name of a place between two parts."""
        self._places += 1
        return f"j{self._places}"

    def _piece(self, name: str, start: str, end: str, factor: float) -> None:
        part = self.take(name)
        valve = name == "one-way-valve"
        self.layout.pieces.append(
            Piece(
                start,
                end,
                name,
                factor * part.element.linear,
                factor * part.element.quadratic,
                one_way=valve,
                cracking_cmh2o=builds.VALVE_CRACKING_CMH2O if valve else 0.0,
                back_leak=builds.VALVE_BACK_LEAK_L_PER_S_PER_CMH2O if valve else 0.0,
            )
        )
        for place in (start, end):
            self.layout.add_compliance(place, part.compliance_ml_per_cmh2o / 2)


def shared_layout(
    parts: tuple[tuple[str, int], ...],
    patients: int,
    trims: tuple[Trim, ...] = (),
    *,
    second_splitters: Literal["common", "each"] = "common",
    doubled_limb: tuple[int, Literal["in", "out"]] | None = None,
) -> Layout:
    """The standard shared build of 2 to 4 patients, laid out from its list of parts.

    ``second_splitters``: the loss of a splitter behind the first is taken at the flow of its common leg, or at that of
    each outgoing leg.
    ``doubled_limb``: a planted error, the resistance of one patient's limb (hose and valve) twice what it should be.
    Raises ``ValueError`` where the list has too few parts, or parts that have no place.
    """
    layout = Layout(patients)
    box = _Box(layout, parts)
    layout.add_compliance("in", builds.MACHINE_COMPLIANCE_ML_PER_CMH2O)
    layout.add_compliance("out", builds.MACHINE_COMPLIANCE_ML_PER_CMH2O)
    for side in ("in", "out"):
        legs = _tree(box, side, patients, second_splitters)
        for k, leg in enumerate(legs):
            factor = 2.0 if doubled_limb == (k, side) else 1.0
            trim = trims[k] if trims else Trim()
            if side == "in":
                begin = _restricted(box, leg, trim)
                box.lay(("one-way-valve", "tube-22mm-1500mm"), begin, f"wye{k}", factor)
            else:
                end = _peep_valve(box, leg, trim)
                box.lay(("tube-22mm-1500mm", "one-way-valve"), f"wye{k}", end, factor)
    for k in range(patients):
        box.lay(("y-piece", "hmef", "catheter-mount", "capnograph-adapter"), f"wye{k}", f"tube{k}")
    _nothing_left(box)
    return layout


def single_layout() -> Layout:
    """The ordinary circuit of one patient with an HMEF: no valves; the machine makes up for its way in."""
    layout = Layout(1, way_in=(2 * builds.KNOWN_TO_THE_MACHINE.linear, 2 * builds.KNOWN_TO_THE_MACHINE.quadratic))
    box = _Box(layout, (("tube-22mm-1500mm", 2), ("y-piece", 1), ("hmef", 1), ("catheter-mount", 1)))
    layout.add_compliance("in", builds.MACHINE_COMPLIANCE_ML_PER_CMH2O)
    layout.add_compliance("out", builds.MACHINE_COMPLIANCE_ML_PER_CMH2O)
    box.lay(("tube-22mm-1500mm",), "in", "wye0", resistance_factor=0.0)
    box.lay(("tube-22mm-1500mm", "y-piece"), "wye0", "out")
    box.lay(("hmef", "catheter-mount"), "wye0", "tube0")
    _nothing_left(box)
    return layout


def _tree(
    box: _Box, side: Literal["in", "out"], patients: int, second_splitters: Literal["common", "each"]
) -> list[str]:
    """Splitters of one side, from the machine's port; the places where the patients' limbs begin."""
    trunk = ("sleeve-22f-22f", "y-piece") if side == "in" else ("y-piece", "sleeve-22f-22f", "expiratory-filter")
    root = box.new_place()
    box.lay(trunk, *(("in", root) if side == "in" else (root, "out")))
    legs = []
    for lungs in {2: (1, 1), 3: (2, 1), 4: (2, 2)}[patients]:
        if lungs == 1:
            legs.append(root)
            continue
        fork = box.new_place()
        if second_splitters == "common":
            further = ("sleeve-22f-22f", "y-piece") if side == "in" else ("y-piece", "sleeve-22f-22f")
            box.lay(further, *((root, fork) if side == "in" else (fork, root)))
            legs += [fork] * lungs
        else:
            box.lay(("sleeve-22f-22f",), *((root, fork) if side == "in" else (fork, root)))
            legs += box.split("y-piece", fork, side, lungs)
    return legs


def _restricted(box: _Box, leg: str, trim: Trim) -> str:
    if not trim.restrictor_cmh2o_s2_per_l2:
        return leg
    beyond = box.new_place()
    box.layout.pieces.append(Piece(leg, beyond, "restrictor", 0.0, trim.restrictor_cmh2o_s2_per_l2))
    return beyond


def _peep_valve(box: _Box, leg: str, trim: Trim) -> str:
    if not trim.peep_valve_cmh2o:
        return leg
    before = box.new_place()
    spring = Piece(before, leg, "in-line PEEP valve", 1e-3, 0.0, one_way=True, cracking_cmh2o=trim.peep_valve_cmh2o)
    box.layout.pieces.append(spring)
    return before


def _nothing_left(box: _Box) -> None:
    left = {name: count for name, count in box.left.items() if count}
    if left:
        raise ValueError(f"parts without a place: {left}")


def joined_layout(assembly: Assembly) -> Layout:
    """A circuit from the stock, read joint by joint: every joint is a place, every piece lies between its joints.

    Of a splitter the smaller loss lies in the common leg, the rest in a leg that turns off. Directions of one-way
    pieces are those of their own ends. Raises ``ValueError`` for a piece with more than three ends.
    """
    place = _places(assembly)
    layout = Layout(len(assembly.lanes))
    layout.add_compliance("in", builds.MACHINE_COMPLIANCE_ML_PER_CMH2O)
    layout.add_compliance("out", builds.MACHINE_COMPLIANCE_ML_PER_CMH2O)
    for one in assembly.pieces:
        part = assembly.part(one.id)
        ends = [name for name in (end.name for end in part.ends) if (one.id, name) in place]
        if one.part in TERMINALS or part.kind == "cap":
            continue
        for name in ends:
            layout.add_compliance(place[one.id, name], part.compliance_ml_per_cmh2o / len(ends))
        if len(ends) == 2:
            layout.pieces.append(_two_ended(one, part, place))
        elif len(ends) == 3:
            layout.pieces += _three_ended(one, part, place, _common_end(assembly, one))
        else:
            raise ValueError(f"{one.id} has {len(ends)} ends joined")
    return layout


def _places(assembly: Assembly) -> dict[tuple[str, str], str]:
    """(piece, end) -> place: the machine's ports and the tracheal tubes by name, every other joint by its number."""
    named = {INSPIRATORY_PORT: "in", EXPIRATORY_PORT: "out"}
    named |= {f"{lane}.tube": f"tube{k}" for k, lane in enumerate(assembly.lanes)}
    place = {}
    for number, joint in enumerate(assembly.joints):
        names = [named[piece] for piece, _ in joint.ends if piece in named]
        for end in joint.ends:
            place[end] = names[0] if names else f"j{number}"
    return place


def _two_ended(one: assembled.Piece, part: Part, place: dict[tuple[str, str], str]) -> Piece:
    if part.one_way:
        start, end = sorted(part.ends, key=lambda end: end.flow)  # "in" before "out"
    else:
        start, end = part.ends
    return Piece(
        place[one.id, start.name],
        place[one.id, end.name],
        one.part,
        part.element.linear,
        part.element.quadratic,
        one_way=part.one_way,
        cracking_cmh2o=part.cracking_cmh2o if one.setting is None else one.setting,
        back_leak=part.back_leak_l_per_s_per_cmh2o,
    )


def _three_ended(one: assembled.Piece, part: Part, place: dict[tuple[str, str], str], common: str) -> list[Piece]:
    """The common leg and the two others, which meet in a place of their own."""
    middle = f"m{place[one.id, common]}{one.id.replace('.', '')}".lower()
    straight = part.straight or part.element
    legs = []
    for end in part.ends:
        if end.name == common:
            through = straight if common != "branch" else part.element
            legs.append(Piece(place[one.id, common], middle, one.part, through.linear, through.quadratic))
            continue
        turns = end.name == "branch" and common != "branch"
        rest = (part.element.linear - straight.linear, part.element.quadratic - straight.quadratic)
        legs.append(Piece(middle, place[one.id, end.name], one.part, *(rest if turns else (0.0, 0.0))))
    return legs


def _common_end(assembly: Assembly, one: assembled.Piece) -> str:
    """The leg that all gas passes: of a patient's wye the one towards the patient, of a splitter the lone one."""
    leaves = [(joint.upstream[1], joint.downstream[0]) for joint in assembly.joints if joint.upstream[0] == one.id]
    enters = [joint.downstream[1] for joint in assembly.joints if joint.downstream[0] == one.id]
    if one.id.endswith(".wye"):
        return next(name for name, beyond in leaves if not beyond.startswith(f"{one.lane}.out"))
    return enters[0] if len(enters) == 1 else leaves[0][0]
