"""The order in which a circuit is pushed together: one joint a step, the direction, who checks.

The build is done away from patients; every patient end stays capped until the bench check has passed.
"""

from __future__ import annotations

from dataclasses import dataclass

from airyoke.circuit.assembly import EXPIRATORY_PORT, INSPIRATORY_PORT, Assembly, Joint
from airyoke.circuit.joints import fit
from airyoke.circuit.part import Part

_SIDE = {"in": "inspiratory", "out": "expiratory"}
_NOUN = {
    "co2": "CO₂ adapter", "tube": "tracheal tube connector", "hme": "HME", "mount": "catheter mount",
    "suction": "closed suction",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Step:
    """One joint. ``sentence`` is what to do; ``direction`` the arrow where there is one; ``checked_by`` who looks."""

    number: int
    joint: Joint
    sentence: str
    cones: str
    direction: str
    checked_by: str


def title(piece_id: str, part: Part) -> str:
    """A piece in words: ``A's inspiratory one-way valve``, ``expiratory splitter 1``."""
    if piece_id == INSPIRATORY_PORT:
        return "the machine's inspiratory port"
    if piece_id == EXPIRATORY_PORT:
        return "the machine's expiratory port"
    words = piece_id.split(".")
    base = words[-1] if words[-1] in _NOUN else words[-1].rstrip("0123456789")
    number = words[-1][len(base) :]
    in_limb = len(words) == 3
    noun = part.short if in_limb else _NOUN.get(base, part.short)
    if not words[0] or len(words[0]) > 1:
        noun = "splitter" if base == "splitter" else part.short
        return f"{_SIDE.get(words[0], '')} {noun}" + (f" {number}" if number not in ("", "0") else "")
    side = f"{_SIDE[words[1]]} " if in_limb else ""
    order = {"2": "second ", "3": "third ", "4": "fourth "}.get(number, "")
    return f"{words[0]}'s {order}{side}{noun}"


def steps(assembly: Assembly) -> tuple[Step, ...]:
    """Every joint in the order of the gas: the way in, each patient, the way out."""
    return tuple(_step(number, joint, assembly) for number, joint in enumerate(assembly.joints, start=1))


def _step(number: int, joint: Joint, assembly: Assembly) -> Step:
    (one, a), (other, b) = joint.ends
    first, second = assembly.part(one), assembly.part(other)
    near, far = f"{title(one, first)} ({first.end(a).written})", f"{title(other, second)} ({second.end(b).written})"
    sentence = f"{near} onto {far}" if other == EXPIRATORY_PORT else f"{far} onto {near}"
    direction, checked_by = "", "whoever builds"
    if assembly.piece(other).part == "tracheal-tube":
        sentence = f"a test lung onto {title(one, first)} ({first.end(a).written})"
        direction = "the tracheal tube only at the change-over"
    elif second.one_way and other != EXPIRATORY_PORT:
        towards = "towards the machine" if ".out." in other else "away from the machine, towards the patient"
        direction = f"arrow {towards}"
        checked_by = "a second person reads the arrow aloud"
    return Step(number, joint, sentence, fit(first.end(a), second.end(b)).cones, direction, checked_by)


def valves(assembly: Assembly) -> tuple[str, ...]:
    """Ids of the pieces whose direction has to be read aloud and answered: right, reversed, missing."""
    return tuple(one.id for one in assembly.pieces if ".valve" in one.id or ".peep-valve" in one.id)
