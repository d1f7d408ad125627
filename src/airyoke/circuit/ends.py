"""Ends of parts and whether two of them mate: conical connectors by size and gender (ISO 5356-1).

ISO 5356-1:2015 knows 8.5, 11.5, 15, 22, 23 and 30 mm cones; adult breathing systems use 15 and 22 mm, 30 mm leads to
gas scavenging. A coaxial end is two cones in one moulding, 22 mm male outside and 15 mm female inside, or the
reverse. Which cones a device carries is in that device's own standard and varies between makers: look before you
push. Engagement and pull-off limits are not checked here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Gender = Literal["M", "F"]


@dataclass(frozen=True, slots=True, order=True)
class Cone:
    """One conical surface: nominal size in mm, and M (male) or F (female)."""

    size_mm: float
    gender: Gender

    def mates(self, other: Cone) -> bool:
        """Same size, opposite gender."""
        return self.size_mm == other.size_mm and self.gender != other.gender

    def __str__(self) -> str:
        return f"{self.size_mm:g}{self.gender}"


@dataclass(frozen=True, slots=True)
class End:
    """One end of a part: what it is called, its cones, and which way gas may pass it.

    ``flow``: ``in`` gas may only enter the part here, ``out`` only leave it, ``both``. ``bore_mm`` is the narrowest
    bore right behind it.
    """

    name: str
    cones: tuple[Cone, ...]
    flow: Literal["in", "out", "both"] = "both"

    def mating_cones(self, other: End) -> tuple[Cone, Cone] | None:
        """The pair of cones that slide into each other, the widest where several do; ``None`` where none does."""
        pairs = [(mine, theirs) for mine in self.cones for theirs in other.cones if mine.mates(theirs)]
        return max(pairs, key=lambda pair: pair[0].size_mm, default=None)

    @property
    def written(self) -> str:
        """As printed on a pick list: ``22F`` or ``22M/15F``."""
        return "/".join(str(cone) for cone in self.cones)


def end(name: str, written: str, flow: Literal["in", "out", "both"] = "both") -> End:
    """An end from its usual notation: ``22F``, ``15M``, ``22M/15F``. Raises ``ValueError`` for anything else."""
    cones: list[Cone] = []
    for word in written.split("/"):
        size, gender = word[:-1], word[-1:]
        if gender not in ("M", "F") or not size.replace(".", "", 1).isdigit():
            raise ValueError(f"{written!r} is no end: size in mm and M or F, coaxial ends with a slash")
        cones.append(Cone(float(size), "M" if gender == "M" else "F"))
    if len(cones) > 2 or len({cone.size_mm for cone in cones}) != len(cones):
        raise ValueError(f"{written!r}: a coaxial end has two cones of different sizes")
    return End(name, tuple(cones), flow)
