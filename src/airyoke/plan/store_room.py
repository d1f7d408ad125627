"""What the store room gives a plan: the builds of each size, best first, and whether more could be built of all sizes.

A build here is one way to fill every slot of a circuit from the stock. As many circuits of one size as could ever be
wanted are chosen at once (``circuit.choice``) and dealt out, usual parts first; the different ones among them are what
groups of that size may be judged on. What the chosen builds take together is a row for every part, so that no plan
takes more than there is. Where sizes compete for parts, that list may lack a build that only a mixture of sizes calls
for: :meth:`StoreRoom.most_kinds` bounds what any builds could do, and :meth:`StoreRoom.build_together` adds them.
"""

from __future__ import annotations

import string
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from airyoke.circuit.builds import Build, standard_build
from airyoke.circuit.choice import CannotBuild
from airyoke.circuit.from_stock import BuiltCircuit, build_for, builds_for
from airyoke.circuit.needs import Catalogue, CircuitNeeds, PatientNeeds
from airyoke.circuit.parts import PARTS

Humidification = Literal["hme", "heated"]
Parts = tuple[tuple[str, int], ...]
SECONDS = 10.0  # for one choice of parts; what is not proved by then is used as found


@dataclass(frozen=True, slots=True)
class Kind:
    """Circuits that are asked for alike: for so many patients, with HMEs or one heated humidifier."""

    size: int
    humidification: Humidification

    @property
    def needs(self) -> CircuitNeeds:
        """What the store room is asked for; beds within the usual reach."""
        return CircuitNeeds((PatientNeeds(),) * self.size, humidification=self.humidification)

    @property
    def name(self) -> str:
        """How its first build is called."""
        return f"stock-{self.size}" + ("-heated" if self.humidification == "heated" else "")


class StoreRoom:
    """The builds that a plan may use; those of a size are chosen when they are first asked for.

    ``stock`` ``None`` = nothing is scarce: the standard build, whatever is needed of it. ``most_groups`` is how many
    groups could ever share.
    """

    def __init__(self, stock: Mapping[str, int] | None, most_groups: int, catalogue: Catalogue = PARTS) -> None:
        self.stock = None if stock is None else dict(stock)
        self.catalogue = catalogue
        self._most_groups = most_groups
        self._chambers = any(count and catalogue[name].kind == "humidifier" for name, count in (stock or {}).items())
        self._builds: dict[Kind, tuple[Build, ...]] = {}
        self._made: dict[Parts, BuiltCircuit] = {}

    def serves(self, stock: Mapping[str, int] | None, most_groups: int, catalogue: Catalogue) -> bool:
        """Whether its builds are those of this stock: the same parts, for as many groups."""
        if stock is None or self.stock is None:
            return stock is None and self.stock is None
        return (dict(stock), most_groups, catalogue) == (self.stock, self._most_groups, self.catalogue)

    def builds(self, size: int, *, heated: bool) -> tuple[Build, ...]:
        """What a group of that size may be built on, best first; ``heated``: everybody in it is on a heated
        humidifier now, so that one in the shared trunk would do as well. Empty where the stock gives none."""
        if self.stock is None:
            return (standard_build(size),)
        wet = self._of(Kind(size, "heated")) if heated and self._chambers else ()
        return (*self._of(Kind(size, "hme")), *wet)

    def made(self, parts: Parts) -> BuiltCircuit | None:
        """The circuit that these parts make, joint by joint; ``None`` for the standard build."""
        return self._made.get(parts)

    def _of(self, kind: Kind) -> tuple[Build, ...]:
        if kind not in self._builds:
            self._builds[kind] = ()
            self._add([kind] * self._most_groups)
        return self._builds[kind]

    def _add(self, kinds: Sequence[Kind]) -> bool:
        """Choose circuits for all of these at once; whether a build came to light that was not known."""
        found = builds_for([kind.needs for kind in kinds], self.stock, self.catalogue, seconds=SECONDS)
        new = False
        for kind, built in zip(kinds, found.groups, strict=True):
            if isinstance(built, CannotBuild) or built.build.parts in self._made:
                continue
            known = self._builds.get(kind, ())
            name = kind.name + (f"-{_letters(len(known))}" if known else "")
            built = replace(built, build=replace(built.build, name=name))
            self._made[built.build.parts] = built
            self._builds[kind] = (*known, built.build)
            new = True
        return new

    @property
    def sizes_compete(self) -> bool:
        """Whether the known builds of one kind may lack what a mixture of kinds calls for: more than one kind is
        known, and the stock does not hold as many of the first build of each as could be wanted."""
        if self.stock is None or len(self._builds) < 2:
            return False
        wanted: Counter[str] = Counter()
        for builds in self._builds.values():
            if len(builds) != 1:
                return True
            for part, count in builds[0].parts:
                wanted[part] += count * self._most_groups
        return any(count > self.stock.get(part, 0) for part, count in wanted.items())

    def needs_of(self, parts: Parts) -> CircuitNeeds | None:
        """What the store room was asked for when it gave these parts; ``None`` for none of its builds."""
        built = self._made.get(parts)
        return None if built is None else built.needs

    @property
    def several_builds(self) -> bool:
        """Whether a group has a choice of builds."""
        return sum(len(builds) for builds in self._builds.values()) > len({kind.size for kind in self._builds})

    def most_of(self) -> dict[CircuitNeeds, int]:
        """Every kind that is known, as the circuit asks for it, and the most of it that could be wanted."""
        return {kind.needs: self._most_groups for kind in self._builds}

    def build_together(self, circuits: Sequence[CircuitNeeds]) -> bool:
        """Choose these circuits at once; whether that brought builds to light that were not known."""
        return self._add([Kind(needs.size, needs.humidification) for needs in circuits])

    def lacks(self, taken: Iterable[Parts], size: int) -> CannotBuild | None:
        """The smallest set of parts that is missing for one more circuit when these are taken; ``None`` where
        nothing is."""
        if self.stock is None:
            return None
        found = build_for(Kind(size, "hme").needs, self._without(taken), self.catalogue, seconds=SECONDS)
        return found if isinstance(found, CannotBuild) else None

    def _without(self, taken: Iterable[Parts]) -> dict[str, int]:
        left = Counter(self.stock or {})
        for parts in taken:
            left.subtract(dict(parts))
        return {name: max(count, 0) for name, count in left.items()}

    def with_more(self, more: Parts) -> StoreRoom:
        """A store room that holds these parts too."""
        return StoreRoom(Counter(self.stock or {}) + Counter(dict(more)), self._most_groups, self.catalogue)


def _letters(number: int) -> str:
    """b, c, … z, then numbers: the first build of a kind has no letter."""
    return string.ascii_lowercase[number] if number < 26 else str(number + 1)
