"""What a plan may choose from: these beds on this machine, with the best margin they could have there.

Machines that differ in nothing but their label are one pool: a group is offered the machine that a member is on, or
any of the pool, not every machine by name.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from airyoke.breath.settings import Settings
from airyoke.breath.ventilator import Ventilator
from airyoke.circuit.builds import Build
from airyoke.plan.candidate import Candidate

MARGIN_UNIT = 1_000_000
KEPT = -1


@dataclass(frozen=True, slots=True)
class Option:
    """One choice: these beds on this ventilator. ``margin``: of a shared group; ``None`` for one bed.

    ``ventilator`` is the number of a machine; ``KEPT``: the bed keeps a machine that is not given away;
    :func:`pool_number` of a pool: whichever of its machines is left over. ``parts`` is what its circuit takes,
    ``build`` the circuit of a shared group that they make.
    """

    beds: tuple[int, ...]
    ventilator: int
    margin: float | None
    needs: int
    breaks: int
    parts: tuple[tuple[str, int], ...] = ()
    build: Build | None = field(default=None, compare=False)

    @property
    def couplings(self) -> int:
        """Pairs of patients coupled to each other."""
        return len(self.beds) * (len(self.beds) - 1) // 2

    @property
    def units(self) -> int:
        """The margin in integer units: compared as integers, so that equal margins tie."""
        return 0 if self.margin is None else round(self.margin * MARGIN_UNIT)


@dataclass(frozen=True, slots=True)
class Choices:
    """Everything that one choice is made from.

    ``ventilators`` are numbered 0 to n - 1, of which at most ``usable`` may be used (the reserve is held back);
    ``stock`` ``None`` = no part is scarce; ``left_breaks`` counts 1 for a bed that would be taken off a ventilator if
    it were left; ``pools`` are machines that are alike.
    """

    beds: int
    options: tuple[Option, ...]
    ventilators: int
    usable: int
    stock: Mapping[str, int] | None
    left_breaks: tuple[int, ...]
    pools: tuple[tuple[int, ...], ...] = ()


def pool_number(pool: int) -> int:
    """How an option names a pool of machines instead of one machine."""
    return -2 - pool


@dataclass(frozen=True, slots=True)
class Machines:
    """The ventilators that may be given away, and which of them are alike."""

    ventilators: tuple[Ventilator, ...]
    pools: tuple[tuple[int, ...], ...]

    @classmethod
    def of(cls, ventilators: Iterable[Ventilator]) -> Machines:
        """Machines in their order; a pool holds those equal but for the label."""
        listed = tuple(ventilators)
        alike: dict[Ventilator, list[int]] = {}
        for number, v in enumerate(listed):
            alike.setdefault(replace(v, label=""), []).append(number)
        return cls(listed, tuple(tuple(numbers) for numbers in alike.values()))

    def one_of(self, number: int) -> Ventilator:
        """The machine, or for a pool the first of it (they are alike)."""
        return self.ventilators[number if number >= 0 else self.pools[-2 - number][0]]

    def on_machines(self, chosen: Sequence[Option]) -> tuple[Option, ...]:
        """The same choice with a machine for every pool: the first that nobody else was given."""
        taken = {o.ventilator for o in chosen if o.ventilator >= 0}
        placed: list[Option] = []
        for option in chosen:
            if option.ventilator <= pool_number(0):
                number = next(n for n in self.pools[-2 - option.ventilator] if n not in taken)
                taken.add(number)
                option = replace(option, ventilator=number)
            placed.append(option)
        return tuple(placed)


def in_reach(ventilator: Ventilator, members: Sequence[int], candidates: Sequence[Candidate]) -> bool:
    """Whether the machine may stand where these beds are."""
    return ventilator.room is None or all(candidates[i].room == ventilator.room for i in members)


def _can_go_on(now: Settings, ventilator: Ventilator) -> bool:
    """Whether another machine can be set as a patient's is: in its mode and, in volume control, to its volume."""
    volume = now.tidal_volume_ml
    in_range = volume is None or ventilator.min_tidal_volume_ml <= volume <= ventilator.max_tidal_volume_ml
    return now.mode in ventilator.modes and (in_range or now.mode != "vc")


class Offers:
    """Which machines a bed or a group may be offered, as options without a margin yet."""

    def __init__(self, candidates: Sequence[Candidate], machines: Machines, kept_labels: set[str]) -> None:
        self.candidates = candidates
        self.machines = machines
        self._kept_labels = kept_labels
        self._number = {v.label: n for n, v in enumerate(machines.ventilators)}
        on: dict[str, int] = {}
        for c in candidates:
            if c.ventilator is not None:
                on[c.ventilator] = on.get(c.ventilator, 0) + 1
        self._people_on = on
        self._pool_of = {n: p for p, numbers in enumerate(machines.pools) for n in numbers}

    def alone(self) -> list[Option]:
        """Every bed on a machine of its own at its present settings."""
        options: list[Option] = []
        for i, c in enumerate(self.candidates):
            if c.keeps_ventilator:
                if c.ventilator in self._kept_labels:
                    options.append(Option((i,), KEPT, None, 0, 0))
                continue
            now = c.present_settings
            own = None if c.ventilator is None else self._number.get(c.ventilator)
            if own is not None:
                # Whatever a cell says of rooms or modes, the machine that ventilates a patient now can go on doing so.
                options.append(Option((i,), own, None, 0, 0))
            for pool, numbers in enumerate(self.machines.pools):
                v = self.machines.ventilators[numbers[0]]
                if own in numbers and self._people_on[self.machines.ventilators[own].label] == 1:
                    continue  # nobody else can want it as theirs: another like it is never better
                if now is not None and _can_go_on(now, v) and in_reach(v, (i,), self.candidates):
                    options.append(Option((i,), pool_number(pool), None, 0, 1))
        return options

    def shared(self, members: tuple[int, ...], pool: int, build: Build) -> list[Option]:
        """A group on machines of one pool, a member's own or any; its margin (0 here) is for the caller to set."""
        numbers = self.machines.pools[pool]
        if not in_reach(self.machines.ventilators[numbers[0]], members, self.candidates):
            return []
        needs = sum(len(self.candidates[i].needs) for i in members)
        options: list[Option] = []
        own = sorted({n for i in members if (n := self._machine_in(i, pool)) is not None})
        sole = False
        for number in own:
            label = self.machines.ventilators[number].label
            staying = sum(self.candidates[i].ventilator == label for i in members)
            # Machines that members are on by themselves cost the same, and nobody else can want them: one will do.
            if staying == self._people_on[label] == 1:
                if sole:
                    continue
                sole = True
            options.append(Option(members, number, 0.0, needs, len(members) - staying, build.parts, build))
        if not sole:
            options.append(Option(members, pool_number(pool), 0.0, needs, len(members), build.parts, build))
        return options

    def _machine_in(self, bed: int, pool: int) -> int | None:
        label = self.candidates[bed].ventilator
        number = None if label is None else self._number.get(label)
        return number if number is not None and self._pool_of[number] == pool else None

    @property
    def alike(self) -> bool:
        """Whether all machines are one pool and nobody shares a machine now: a plain matching then says everything."""
        return len(self.machines.pools) <= 1 and all(
            self._people_on.get(v.label, 0) <= 1 for v in self.machines.ventilators
        )
