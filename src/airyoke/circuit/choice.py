"""Which parts of the store room fill which slots, proved: for one group or for many that compete for one stock.

Goals in order, each fixed before the next: most groups built · fewest and mildest substitutes · fewest parts · least
added resistance and dead space · scarce parts spared. Where a group cannot be built, the smallest set of parts whose
arrival would change that.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from airyoke.circuit.needs import Catalogue, CircuitNeeds, Stock, check_needs, check_stock
from airyoke.circuit.parts import PARTS
from airyoke.circuit.slots import LUER_OF_THE_HMEF, Option, Slot, SlotName, bridge_options, needs_no_bridge, slots
from airyoke.quantities import Finding, Refused
from airyoke.solver import IntegerModel, Solution

GoalName = Literal["built", "substitutes", "parts", "resistance_and_dead_space", "scarce_parts"]
GOALS: tuple[GoalName, ...] = ("built", "substitutes", "parts", "resistance_and_dead_space", "scarce_parts")


@dataclass(frozen=True, slots=True)
class Pick:
    """One slot, filled: the option and how many times."""

    slot: SlotName
    key: str
    option: Option
    count: int


@dataclass(frozen=True, slots=True)
class Chosen:
    """The parts of one group, slot by slot."""

    needs: CircuitNeeds
    picks: tuple[Pick, ...]

    @property
    def parts(self) -> tuple[tuple[str, int], ...]:
        """Part and count, by name."""
        counted = Counter[str]()
        for pick in self.picks:
            for name in pick.option.parts:
                counted[name] += pick.count
        return tuple((name, counted[name]) for name in sorted(counted))

    @property
    def substitutes(self) -> tuple[Pick, ...]:
        """Every pick that is not the usual part."""
        return tuple(pick for pick in self.picks if pick.option.rank > 0)


@dataclass(frozen=True, slots=True)
class CannotBuild:
    """A group that the stock does not give: the smallest set of parts that is missing for it after the others.

    ``missing``: part and count; no smaller number of parts would do. ``others``: for each of them, the other parts
    that could be ordered in its place.
    """

    needs: CircuitNeeds
    missing: tuple[tuple[str, int], ...]
    others: dict[str, tuple[str, ...]]
    reason: str


@dataclass(frozen=True, slots=True)
class GoalReached:
    """One goal: what was reached, the proved bound, and whether it is proved."""

    goal: GoalName
    value: float
    bound: float
    proved: bool


@dataclass(frozen=True, slots=True)
class Choice:
    """For every group in the order asked: its parts, or why not. ``goals`` say what is proved."""

    groups: tuple[Chosen | CannotBuild, ...]
    goals: tuple[GoalReached, ...]


@dataclass(slots=True)
class _Class:
    """Groups with the same needs, counted together: symmetrical ones need not be told apart to be chosen for."""

    needs: CircuitNeeds
    members: list[int]  # their places among the groups asked for
    built: int  # variable: how many of them are built
    picks: list[tuple[Slot, Option, int]]  # variable: how often this option fills this slot, over the whole class


def choose(
    groups: Sequence[CircuitNeeds], stock: Stock | None, catalogue: Catalogue = PARTS, *, seconds: float = 30.0
) -> Choice:
    """Fill the slots of every group from one stock (``None`` = nothing is scarce).

    Raises ``Refused`` for an impossible need or stock, and for a reach that no tubing of the catalogue gives.
    """
    if not groups:
        return Choice((), tuple(GoalReached(goal, 0.0, 0.0, True) for goal in GOALS))
    check_needs(tuple(groups))
    check_stock(stock, catalogue)
    _check_reach(groups, catalogue)
    model = IntegerModel()
    classes = _classes(model, groups, catalogue)
    use = _use(classes)
    _within(model, use, stock)
    solution, goals = _lexicographic(model, _objectives(classes, use, stock, catalogue), seconds)
    return Choice(_dealt(groups, classes, solution, stock, catalogue), goals)


def buildable(
    model: IntegerModel, kinds: Mapping[CircuitNeeds, int], stock: Stock, catalogue: Catalogue = PARTS
) -> list[int]:
    """Add to a model how many circuits of each kind the stock can give together, exactly: a variable a kind, in order.

    ``kinds``: what is needed, and the most of it that is asked for.
    """
    classes = [_class(model, needs, [], most, catalogue) for needs, most in kinds.items()]
    _within(model, _use(classes), stock)
    return [one.built for one in classes]


def _within(model: IntegerModel, use: dict[str, dict[int, float]], stock: Stock | None) -> None:
    if stock is not None:
        for part, coefficients in use.items():
            model.row(coefficients, high=float(stock.get(part, 0)))


def _classes(model: IntegerModel, groups: Sequence[CircuitNeeds], catalogue: Catalogue) -> list[_Class]:
    by_needs: dict[CircuitNeeds, list[int]] = {}
    for index, needs in enumerate(groups):
        by_needs.setdefault(_anonymous(needs), []).append(index)
    return [_class(model, needs, members, len(members), catalogue) for needs, members in by_needs.items()]


def _anonymous(needs: CircuitNeeds) -> CircuitNeeds:
    return replace(needs, label="", patients=tuple(sorted(needs.patients, key=repr)))


def _class(
    model: IntegerModel, needs: CircuitNeeds, members: list[int], many: int, catalogue: Catalogue
) -> _Class:
    built = model.variable(many)
    picks: list[tuple[Slot, Option, int]] = []

    def fill(slot: Slot) -> dict[int, float]:
        variables = {model.variable(slot.count * many): option for option in slot.options}
        picks.extend((slot, option, variable) for variable, option in variables.items())
        return dict.fromkeys(variables, 1.0)

    for slot in slots(needs, catalogue):
        model.row({**fill(slot), built: -float(slot.count)}, 0.0, 0.0)
    # Two male ends meet at the common end of every splitter that is not female there, and at the humidifier.
    n = needs.size
    heated = needs.humidification == "heated"
    bridge = Slot("bridge", 2 * (n - 1) + int(heated), bridge_options(catalogue))
    if bridge.count:
        row = fill(bridge)
        for slot, option, variable in picks:
            if slot.name == "splitter" and not needs_no_bridge(option, catalogue):
                row[variable] = -1.0
        row[built] = -float(heated)
        model.row(row, 0.0, 0.0)
    # A capnograph line on the HMEF's own port needs that HMEF.
    ports = {variable: 1.0 for slot, option, variable in picks if option.note == LUER_OF_THE_HMEF}
    if ports:
        hmefs = {variable: -1.0 for slot, option, variable in picks if _has_a_port(option, catalogue)}
        model.row({**ports, **hmefs}, high=0.0)
    return _Class(needs, members, built, picks)


def _has_a_port(option: Option, catalogue: Catalogue) -> bool:
    return len(option.parts) == 1 and catalogue[option.parts[0]].kind == "hmef"


def _use(classes: Sequence[_Class]) -> dict[str, dict[int, float]]:
    """Part -> how many of it each variable takes."""
    use: dict[str, dict[int, float]] = {}
    for one in classes:
        for _, option, variable in one.picks:
            for name, count in Counter(option.parts).items():
                use.setdefault(name, {})[variable] = float(count)
    return use


def _objectives(
    classes: Sequence[_Class], use: dict[str, dict[int, float]], stock: Stock | None, catalogue: Catalogue
) -> dict[GoalName, dict[int, float]]:
    every = [(option, variable) for one in classes for _, option, variable in one.picks]
    # A part of which little is left over counts for more; whole numbers, so that ties are ties.
    scarce: Counter[int] = Counter()
    for part, coefficients in use.items():
        have = 0 if stock is None else stock.get(part, 0)
        for variable, count in coefficients.items():
            scarce[variable] += round(1000.0 * count / have) if have else 0
    return {
        "built": {one.built: -1.0 for one in classes},
        "substitutes": {variable: float(_RANK_WEIGHT[option.rank]) for option, variable in every if option.rank},
        "parts": {variable: float(len(option.parts)) for option, variable in every if option.parts},
        "resistance_and_dead_space": {variable: float(option.cost) for option, variable in every if option.cost},
        "scarce_parts": {variable: float(weight) for variable, weight in scarce.items() if weight},
    }


_RANK_WEIGHT = {1: 1, 2: 3}  # judgement: a part with a caution weighs as much as three plain substitutes


def _lexicographic(
    model: IntegerModel, objectives: dict[GoalName, dict[int, float]], seconds: float
) -> tuple[Solution, tuple[GoalReached, ...]]:
    solution: Solution | None = None
    goals: list[GoalReached] = []
    for goal in GOALS:
        objective = objectives[goal]
        if not objective:
            goals.append(GoalReached(goal, 0.0, 0.0, True))
            continue
        found = model.minimise(objective, seconds=seconds)
        if not found.usable:
            if solution is None:
                raise RuntimeError("no choice at all was found, although building nothing is one")
            goals.append(GoalReached(goal, _value(objective, solution), found.bound, False))
            model.row(objective, high=_value(objective, solution))
            continue
        solution = found
        sign = -1.0 if goal == "built" else 1.0
        goals.append(GoalReached(goal, sign * found.value, sign * found.bound, found.status == "optimal"))
        model.row(objective, high=found.value)
    assert solution is not None, "the first goal always has an objective"
    return solution, tuple(goals)


def _value(objective: dict[int, float], solution: Solution) -> float:
    return sum(weight * solution.values[variable] for variable, weight in objective.items())


def _dealt(
    groups: Sequence[CircuitNeeds],
    classes: Sequence[_Class],
    solution: Solution,
    stock: Stock | None,
    catalogue: Catalogue,
) -> tuple[Chosen | CannotBuild, ...]:
    """The choice of each class dealt out to its groups; then what the groups left over lack."""
    results: dict[int, Chosen | CannotBuild] = {}
    taken: Counter[str] = Counter()
    unbuilt: list[int] = []
    for one in classes:
        built = solution.values[one.built]
        hands = _hands(one, built, solution, catalogue)
        for index, picks in zip(one.members, hands, strict=False):
            chosen = Chosen(groups[index], picks)
            results[index] = chosen
            taken.update(dict(chosen.parts))
        unbuilt += one.members[built:]
    left = None if stock is None else {name: stock.get(name, 0) - taken[name] for name in catalogue}
    lacking: dict[CircuitNeeds, CannotBuild] = {}
    for index in sorted(unbuilt):
        alike = _anonymous(groups[index])
        if alike not in lacking:
            lacking[alike] = _lacking(groups[index], left or {}, catalogue)
        results[index] = replace(lacking[alike], needs=groups[index])
    return tuple(results[index] for index in range(len(groups)))


def _hands(one: _Class, built: int, solution: Solution, catalogue: Catalogue) -> list[tuple[Pick, ...]]:
    """Deal every slot's options out group by group, so that a group gets as few different ones as may be.

    Splitters and the bridges that they ask for go together; so do HMEFs and capnograph lines on their ports: both
    lists are sorted the same way round.
    """
    hands: list[list[Pick]] = [[] for _ in range(built)]
    names = dict.fromkeys((slot.name, slot.key) for slot, _, _ in one.picks)
    bridges = [0] * built
    for name, key in names:
        rows = [
            (slot, option, solution.values[v]) for slot, option, v in one.picks if (slot.name, slot.key) == (name, key)
        ]
        if name == "capnograph":  # the port of an HMEF first: the hands that hold HMEFs come first
            rows.sort(key=lambda row: row[1].note != LUER_OF_THE_HMEF)
        deck = [option for _, option, count in rows for _ in range(count)]
        start = 0
        for i in range(built):
            size = bridges[i] if name == "bridge" else rows[0][0].count
            mine = Counter(deck[start : start + size])
            start += size
            hands[i] += [Pick(name, key, option, count) for option, count in mine.items()]
            if name == "splitter":
                plain = sum(count for option, count in mine.items() if not needs_no_bridge(option, catalogue))
                bridges[i] += plain
            if name == "humidifier":
                bridges[i] += 1
    return [tuple(hand) for hand in hands]


def _lacking(needs: CircuitNeeds, left: Stock, catalogue: Catalogue) -> CannotBuild:
    """The smallest number of parts whose arrival would let this group be built from what is left."""
    model = IntegerModel()
    (one,) = _classes(model, (needs,), catalogue)
    model.row({one.built: 1.0}, 1.0, 1.0)
    short: dict[str, int] = {}
    for part, coefficients in _use((one,)).items():
        most = sum(int(count) * 2 * needs.size for count in coefficients.values())
        short[part] = model.variable(max(most, 8))
        model.row({**coefficients, short[part]: -1.0}, high=float(left.get(part, 0)))
    fewest = dict.fromkeys(short.values(), 1.0)
    solution = model.minimise(fewest)
    # Among equally small sets: the usual parts.
    model.row(fewest, high=solution.value)
    solution = model.minimise(
        {variable: float(_RANK_WEIGHT[option.rank]) for _, option, variable in one.picks if option.rank}
    )
    missing = tuple((part, solution.values[variable]) for part, variable in short.items() if solution.values[variable])
    words = " and ".join(f"{count} {part}" for part, count in missing)
    others = {part: _others(part, one) for part, _ in missing}
    return CannotBuild(needs, missing, others, f"the stock lacks {words}, and nothing in it would do instead")


def _others(part: str, one: _Class) -> tuple[str, ...]:
    """Single parts that fill a slot which that part fills too."""
    mine = {(slot.name, slot.key) for slot, option, _ in one.picks if option.parts == (part,)}
    return tuple(
        dict.fromkeys(
            option.parts[0]
            for slot, option, _ in one.picks
            if (slot.name, slot.key) in mine and len(option.parts) == 1 and option.parts != (part,)
        )
    )


def _check_reach(groups: Sequence[CircuitNeeds], catalogue: Catalogue) -> None:
    longest = max((part.length_m for part in catalogue.values() if part.kind == "tube"), default=0.0)
    found = [
        Finding("circuit-reach", "refused", f"no tubing of the catalogue reaches {int(slot.key) / 100:g} m",
                f"the longest tube is {longest:g} m and a limb takes 4: move the bed closer",
                column="reach", value=int(slot.key) / 100)
        for needs in groups for slot in slots(needs, catalogue) if slot.name == "limb" and not slot.options
    ]  # fmt: skip
    if found:
        raise Refused(tuple(found))
