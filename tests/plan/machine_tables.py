"""Invented choices of machines: who is on which, which are alike, what stands in which room. No lungs, no engine.

The options are made twice: as the planner offers them (own machines and pools), and here machine by machine.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import combinations
from random import Random

from airyoke.breath.settings import Settings
from airyoke.breath.ventilator import Ventilator
from airyoke.circuit.builds import Build, standard_build
from airyoke.plan.candidate import Candidate, Note
from airyoke.plan.options import KEPT, Choices, Machines, Offers, Option
from plan.option_tables import TIED_MARGINS

KEPT_LABEL = "K1"


@dataclass(frozen=True)
class MachineWard:
    """Beds, machines, and the margin of every group that may be, by its beds and the pool of its machine."""

    candidates: tuple[Candidate, ...]
    machines: Machines
    margins: dict[tuple[tuple[int, ...], int], float]
    usable: int
    stock: dict[str, int] | None

    @property
    def beds(self) -> int:
        return len(self.candidates)

    @property
    def offers(self) -> Offers:
        return Offers(self.candidates, self.machines, {KEPT_LABEL})

    @property
    def left_breaks(self) -> tuple[int, ...]:
        """1 for a bed that would be taken off a machine if it were left."""
        return tuple(int(c.ventilator is not None and not c.keeps_ventilator) for c in self.candidates)

    def offered(self) -> list[Option]:
        """The options as the planner makes them."""
        options = self.offers.alone()
        for (members, pool), margin in self.margins.items():
            options.extend(replace(o, margin=margin) for o in self.offers.shared(members, pool, build_of(len(members))))
        return options

    def by_name(self, spared: frozenset[str] = frozenset()) -> list[Option]:
        """Every bed and every group on every machine that it may be on; ``spared`` are parts that count for nothing."""
        options: list[Option] = []
        for i, c in enumerate(self.candidates):
            if c.keeps_ventilator:
                options.append(Option((i,), KEPT, None, 0, 0))
                continue
            for n, v in enumerate(self.machines.ventilators):
                mode = c.present_settings.mode if c.present_settings else None
                if v.label == c.ventilator or (mode in v.modes and v.room in (None, c.room)):
                    options.append(Option((i,), n, None, 0, int(v.label != c.ventilator)))
        for (members, pool), margin in self.margins.items():
            parts = tuple(line for line in parts_of(len(members)) if line[0] not in spared)
            for n in self.machines.pools[pool]:
                v = self.machines.ventilators[n]
                if v.room is None or all(self.candidates[i].room == v.room for i in members):
                    options.append(
                        Option(
                            members, n, margin, sum(len(self.candidates[i].needs) for i in members),
                            self.breaks(members, n), parts,
                        )
                    )  # fmt: skip
        return options

    def breaks(self, members: tuple[int, ...], machine: int) -> int:
        """Beds that would come to this machine from elsewhere."""
        return sum(self.candidates[i].ventilator != self.machines.ventilators[machine].label for i in members)


def choices(ward: MachineWard, options: Iterable[Option]) -> Choices:
    """What one choice is made from."""
    return Choices(
        ward.beds, tuple(options), len(ward.machines.ventilators), ward.usable, ward.stock, ward.left_breaks,
        ward.machines.pools,
    )  # fmt: skip


def build_of(size: int) -> Build:
    """A circuit that takes these parts; nobody breathes through it here."""
    return replace(standard_build(size), parts=parts_of(size))


def parts_of(size: int) -> tuple[tuple[str, int], ...]:
    """What a shared circuit takes, by the rule of the trade (common practice, no source)."""
    return (
        ("y-piece", 2 * (size - 1) + size), ("one-way-valve", 2 * size), ("tube-22mm-1500mm", 2 * size),
        ("hmef", size), ("expiratory-filter", 1), ("sleeve-22f-22f", 2 * (size - 1)), ("catheter-mount", size),
        ("capnograph-adapter", size),
    )  # fmt: skip


def machine_ward(seed: int, *, alike: bool = False, largest: int = 3, most: int = 7) -> MachineWard:
    """The ward of that number, the same each time. ``alike``: one pool, and nobody shares a machine now."""
    rng = Random(f"machines {seed}")
    beds, count = rng.randint(1, most), rng.randint(0, most)
    rooms = ["East"] if alike or rng.random() < 0.4 else ["East", "West"]
    ventilators = tuple(_ventilator(rng, f"V{n + 1}", rooms, alike) for n in range(count))
    candidates = tuple(_candidates(rng, beds, rooms, ventilators, alike))
    machines = Machines.of(ventilators)
    tied, density = rng.random() < 0.6, rng.choice((0.2, 0.5, 0.9))
    margins: dict[tuple[tuple[int, ...], int], float] = {}
    free = [i for i, c in enumerate(candidates) if not c.keeps_ventilator]
    for size in range(2, min(largest, len(free)) + 1):
        for members in combinations(free, size):
            if rng.random() < density / (size - 1):
                for pool, numbers in enumerate(machines.pools):
                    if "pc" in ventilators[numbers[0]].modes and rng.random() < 0.9:
                        margins[members, pool] = rng.choice(TIED_MARGINS) if tied else rng.random()
    stock = None
    if rng.random() < 0.4:
        circuits = rng.randint(0, 3)
        stock = {name: circuits * need + rng.randint(0, 2) for name, need in parts_of(2)}
    return MachineWard(candidates, machines, margins, rng.randint(max(count - 1, 0), count), stock)


def _ventilator(rng: Random, label: str, rooms: list[str], alike: bool) -> Ventilator:
    if alike:
        return Ventilator(label)
    return Ventilator(
        label,
        room=rng.choice(rooms) if rng.random() < 0.25 else None,
        modes=("vc",) if rng.random() < 0.1 else ("vc", "pc"),
        rate_step_per_min=rng.choice((1.0, 1.0, 2.0)),
    )


def _candidates(
    rng: Random, beds: int, rooms: list[str], ventilators: tuple[Ventilator, ...], alike: bool
) -> list[Candidate]:
    nobody_on = [v.label for v in ventilators]
    rng.shuffle(nobody_on)
    found: list[Candidate] = []
    for number in range(beds):
        keeps = number == 0 and rng.random() < 0.15
        label = KEPT_LABEL if keeps else None
        if not keeps and rng.random() < 0.6:
            running = [c.ventilator for c in found if c.ventilator and not c.keeps_ventilator]
            if running and not alike and rng.random() < 0.3:
                label = rng.choice(running)
            elif nobody_on:
                label = nobody_on.pop()
        mode = rng.choices(("pc", "vc", None), (70, 20, 10))[0]
        found.append(
            Candidate(
                bed=f"B{number + 1}",
                patient=None,
                present_settings=None if mode is None else Settings(mode, 20.0, 1.0, 5.0, 0.4),
                needs=tuple(Note(f"need-{k}", "a decision") for k in range(rng.choice((0, 0, 0, 1, 2)))),
                room=rng.choice(rooms),
                ventilator=label,
                keeps_ventilator=keeps,
            )
        )
    return found
