"""The flow network of a circuit: what the engine needs to know of everything between machine and patients."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal


@dataclass(frozen=True, slots=True)
class Element:
    """One resistance: pressure drop = ``linear`` Q + ``quadratic`` Q|Q|, in cmH2O with Q in L/s."""

    linear: float
    quadratic: float = 0.0

    def in_series_with(self, other: Element) -> Element:
        """Both elements passed by the same flow: the coefficients add."""
        return Element(self.linear + other.linear, self.quadratic + other.quadratic)

    def scaled(self, factor: float) -> Element:
        """The same element with both coefficients multiplied."""
        return Element(factor * self.linear, factor * self.quadratic)

    def drop_cmh2o(self, flow_l_per_s: float) -> float:
        """Pressure drop at a flow, cmH2O."""
        return self.linear * flow_l_per_s + self.quadratic * flow_l_per_s * abs(flow_l_per_s)


# A clamped tube, a valve stuck shut: 20 cmH2O push 0.02 mL a second through it, which no answer shows.
BLOCKED = Element(1e6)


@dataclass(frozen=True, slots=True)
class Valve:
    """A one-way valve in series with a limb.

    It opens once the drop along its limb exceeds ``cracking_cmh2o``; open it adds ``linear`` cmH2O·s/L. Shut, and
    pushed backwards by a drop d < 0, it lets ``back_leak_l_per_s_per_cmh2o`` x d through. ``reversed``: fitted the
    wrong way round, gas passes only against the arrow.
    """

    cracking_cmh2o: float = 0.0
    linear: float = 0.0
    back_leak_l_per_s_per_cmh2o: float = 0.0
    reversed: bool = False


Place = Literal["inspiratory_splitter", "expiratory_splitter", "wye", "lung"]


@dataclass(frozen=True, slots=True)
class Opening:
    """A way to the room, or to a sucker, that is not meant to be there: at one place of the network.

    place
        ``wye`` and ``lung`` of limb number ``limb``; a lung leaks from behind its tube (past the cuff). A splitter is
        the first of its side, or the one that branch number ``branch`` ends in: branches of one side are numbered
        from 0, those nearer to the machine first.
    element
        What the gas passes on its way out. Orifices and hoses alike; ``BLOCKED`` where only ``draws_l_per_min`` counts.
    one_way
        Gas passes outwards only, once the drop exceeds ``cracking_cmh2o`` (a limb taken off beyond its valve).
    outside_cmh2o
        Pressure at the far end: 0 the room, negative a sucker.
    draws_l_per_min
        Taken off whatever the pressure (a sampling line), besides what the element lets through.
    """

    place: Place
    element: Element
    limb: int | None = None
    branch: int | None = None
    one_way: bool = False
    cracking_cmh2o: float = 0.0
    outside_cmh2o: float = 0.0
    draws_l_per_min: float = 0.0


@dataclass(frozen=True, slots=True)
class Limb:
    """Everything that belongs to one patient: the branch in, the branch out, and the wye where they meet.

    A valve of ``None`` is a limb without a valve: gas passes both ways. ``peep_valve_cmh2o`` is an in-line
    spring valve on the expiratory branch (it is one-way by itself). ``patient`` is what lies between the wye and the
    tracheal tube (filter, mount), passed both ways; ``dead_space_ml`` its volume, which matters for gas exchange
    only.
    """

    inspiratory: Element
    expiratory: Element
    inspiratory_valve: Valve | None
    expiratory_valve: Valve | None
    wye_compliance_ml_per_cmh2o: float
    peep_valve_cmh2o: float = 0.0
    dead_space_ml: float = 0.0
    patient: Element = Element(0.0)

    def trimmed(
        self,
        restrictor_cmh2o_s2_per_l2: float = 0.0,
        peep_valve_cmh2o: float = 0.0,
        added_dead_space_ml: float = 0.0,
    ) -> Limb:
        """The same limb with a restrictor on its way in, an in-line PEEP valve on its way out, more dead space."""
        return replace(
            self,
            inspiratory=self.inspiratory.in_series_with(Element(0.0, restrictor_cmh2o_s2_per_l2)),
            peep_valve_cmh2o=self.peep_valve_cmh2o + peep_valve_cmh2o,
            dead_space_ml=self.dead_space_ml + added_dead_space_ml,
        )


@dataclass(frozen=True, slots=True)
class Branch:
    """A stretch of trunk behind a splitter that ends in a splitter of its own, passed both ways.

    ``limbs`` are the numbers of the limbs that hang on that splitter, ``branches`` what leads from it to further ones;
    ``compliance_ml_per_cmh2o`` stands there.
    """

    element: Element
    compliance_ml_per_cmh2o: float
    limbs: tuple[int, ...] = ()
    branches: tuple[Branch, ...] = ()

    def scaled(self, resistance: float, compliance: float) -> Branch:
        """The same branch, and those behind it, with every resistance and every compliance multiplied."""
        return replace(
            self,
            element=self.element.scaled(resistance),
            compliance_ml_per_cmh2o=self.compliance_ml_per_cmh2o * compliance,
            branches=tuple(branch.scaled(resistance, compliance) for branch in self.branches),
        )

    @property
    def all_limbs(self) -> tuple[int, ...]:
        """Limbs on its splitter and on every one behind it."""
        return sum((branch.all_limbs for branch in self.branches), self.limbs)

    def __iter__(self) -> Iterator[Branch]:
        """The branch itself and every one behind it."""
        yield self
        for branch in self.branches:
            yield from branch


@dataclass(frozen=True, slots=True)
class FlowNetwork:
    """One ventilator, a tree of splitters a side (mostly a single one), one limb per patient.

    ``inspiratory_trunk`` lies between the machine's inspiratory port and the inspiratory splitter,
    ``expiratory_trunk`` between the expiratory splitter and the room (the machine's expiratory valve included).
    ``splitter_compliance_ml_per_cmh2o`` stands on each side, or on the inspiratory one alone where the expiratory has a
    value of its own (hose between a one-way valve and its splitter fills with the splitter). Compliances are against
    the room. Limbs that none of a side's branches names hang on its first splitter. ``openings`` are leaks, one a place
    at most. Raises ``ValueError`` for a limb that is named twice or does not exist, for a splitter with fewer than two
    ways on, and for an opening at no place of this network or at one that has one.
    """

    inspiratory_trunk: Element
    expiratory_trunk: Element
    splitter_compliance_ml_per_cmh2o: float
    limbs: tuple[Limb, ...]
    expiratory_splitter_compliance_ml_per_cmh2o: float | None = None
    inspiratory_branches: tuple[Branch, ...] = ()
    expiratory_branches: tuple[Branch, ...] = ()
    openings: tuple[Opening, ...] = ()

    def __post_init__(self) -> None:
        for branches in (self.inspiratory_branches, self.expiratory_branches):
            named = [limb for branch in branches for limb in branch.all_limbs]
            if len(set(named)) < len(named) or not set(named) <= set(range(len(self.limbs))):
                raise ValueError(f"branches name limbs {sorted(named)}: each of {len(self.limbs)} at most once")
            first = len(self.limbs) - len(named) + len(branches)
            ways = [len(one.limbs) + len(one.branches) for branch in branches for one in branch]
            if branches and min(first, *ways) < 2:
                raise ValueError("a splitter needs two ways on: what leads to a single one belongs to that one")
        places = [self._place_of(opening) for opening in self.openings]
        if len(set(places)) < len(places):
            raise ValueError("two openings at one place: put what both let through into one")

    def _place_of(self, opening: Opening) -> tuple[Place, int]:
        """Where an opening is: its place and the number of its limb or branch, -1 the first splitter."""
        if opening.place in ("wye", "lung"):
            if opening.branch is not None or opening.limb is None or not 0 <= opening.limb < len(self.limbs):
                raise ValueError(f"an opening at a {opening.place} needs a limb, 0 to {len(self.limbs) - 1}")
            return opening.place, opening.limb
        branches = self.inspiratory_branches if opening.place == "inspiratory_splitter" else self.expiratory_branches
        count = sum(1 for branch in branches for _ in branch)
        if opening.limb is not None or not (opening.branch is None or 0 <= opening.branch < count):
            raise ValueError(f"an opening at the {opening.place} needs no limb, and a branch below {count} or none")
        return opening.place, -1 if opening.branch is None else opening.branch

    def scaled(self, resistance: float, compliance: float) -> FlowNetwork:
        """The same circuit with every resistance and every compliance multiplied: one draw of its uncertainty.

        Openings stay: they are no parts with data that may be off.
        """
        return FlowNetwork(
            self.inspiratory_trunk.scaled(resistance),
            self.expiratory_trunk.scaled(resistance),
            self.splitter_compliance_ml_per_cmh2o * compliance,
            tuple(
                replace(
                    limb,
                    inspiratory=limb.inspiratory.scaled(resistance),
                    expiratory=limb.expiratory.scaled(resistance),
                    patient=limb.patient.scaled(resistance),
                    wye_compliance_ml_per_cmh2o=limb.wye_compliance_ml_per_cmh2o * compliance,
                )
                for limb in self.limbs
            ),
            None
            if self.expiratory_splitter_compliance_ml_per_cmh2o is None
            else self.expiratory_splitter_compliance_ml_per_cmh2o * compliance,
            tuple(branch.scaled(resistance, compliance) for branch in self.inspiratory_branches),
            tuple(branch.scaled(resistance, compliance) for branch in self.expiratory_branches),
            self.openings,
        )

    def merged(self) -> FlowNetwork:
        """The same with one splitter a side: what k limbs share is counted in each, k times linear, k² times quadratic.

        Exact as long as the k breathe alike, too much resistance for whoever flows more than the others. Compliance at
        a splitter moves to the first one, openings at the others are left out. For first guesses and screens; a network
        without branches is itself.
        """
        if not self.inspiratory_branches and not self.expiratory_branches:
            return self
        limbs = list(self.limbs)
        for branches, name in ((self.inspiratory_branches, "inspiratory"), (self.expiratory_branches, "expiratory")):
            for branch in (one for first in branches for one in first):
                shared = branch.all_limbs
                k = len(shared)
                part = Element(k * branch.element.linear, k * k * branch.element.quadratic)
                for number in shared:
                    way = getattr(limbs[number], name).in_series_with(part)
                    limbs[number] = replace(
                        limbs[number],
                        inspiratory=way if name == "inspiratory" else limbs[number].inspiratory,
                        expiratory=way if name == "expiratory" else limbs[number].expiratory,
                    )
        inside, outside = self.splitter_compliances
        inside += _compliance(self.inspiratory_branches)
        outside += _compliance(self.expiratory_branches)
        openings = tuple(one for one in self.openings if one.branch is None)
        return FlowNetwork(
            self.inspiratory_trunk, self.expiratory_trunk, inside, tuple(limbs), outside, openings=openings
        )

    @property
    def splitter_compliances(self) -> tuple[float, float]:
        """Compliance at the first inspiratory and the first expiratory splitter, mL/cmH2O."""
        own = self.expiratory_splitter_compliance_ml_per_cmh2o
        inside = self.splitter_compliance_ml_per_cmh2o
        return inside, inside if own is None else own

    @property
    def compliance_ml_per_cmh2o(self) -> float:
        """Compliance of the whole circuit without the lungs, mL/cmH2O."""
        branches = _compliance(self.inspiratory_branches) + _compliance(self.expiratory_branches)
        return sum(self.splitter_compliances) + branches + sum(limb.wye_compliance_ml_per_cmh2o for limb in self.limbs)


def _compliance(branches: tuple[Branch, ...]) -> float:
    """Compliance at all splitters behind the first, mL/cmH2O."""
    return sum(one.compliance_ml_per_cmh2o for branch in branches for one in branch)
