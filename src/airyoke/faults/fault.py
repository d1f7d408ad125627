"""A fault: one thing that goes wrong in one place, and what it changes for the engine."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from airyoke.breath.events import Effort
from airyoke.breath.settings import Settings
from airyoke.circuit.network import FlowNetwork
from airyoke.lungs.stores import Airway

Onset = Literal["immediate", "prompt", "delayed"]
Result = Literal["life", "injury", "minor"]


@dataclass(frozen=True, slots=True)
class LungChange:
    """One patient's lung against what it was: factors, and what is added to the shunt fraction."""

    lane: int
    compliance: float = 1.0
    resistance: float = 1.0
    shunt_added: float = 0.0


@dataclass(frozen=True, slots=True)
class Unrest:
    """What goes on with a fault without end, every ``every_s`` seconds: an effort of somebody's muscles, or a swing of
    the network to another one, for half of that time."""

    every_s: float
    effort: Effort | None = None
    swings_to: Callable[[FlowNetwork], FlowNetwork] | None = None


@dataclass(frozen=True, slots=True)
class Effect:
    """What a fault changes of what the engine takes; ``None`` stays as it was.

    unrest
        What goes on besides.
    trigger_cmh2o
        The machine starts a breath where the pressure falls this far below PEEP; ``None``: its trigger is set to where
        nothing sets it off.
    cut_short
        The high limit of the airway pressure ends breaths. Other faults are breathed without: what comes of them with
        the alarm at its widest.

    airway
        How the lung of the fault's lane (of everybody, where it is shared) stands once nothing is ventilated: open
        to the circuit, blocked, or open to the room.
    opens
        Gas is lost to the room, as fast as the machine can give it.
    stops
        The machine stands still: no breath at all.
    """

    network: Callable[[FlowNetwork], FlowNetwork] | None = None
    lungs: LungChange | None = None
    settings: Callable[[Settings], Settings] | None = None
    unrest: Unrest | None = None
    trigger_cmh2o: float | None = None
    cut_short: bool = False
    airway: Airway = "circuit"
    opens: bool = False
    stops: bool = False


@dataclass(frozen=True, slots=True)
class Reasoned:
    """What a fault does that the engine does not express: in words, with how bad and how soon by judgement."""

    words: str
    result: Result
    onset: Onset


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that goes wrong in one place.

    id
        ``kink-80.inspiratory.A``: what, its grade, where, whose.
    also
        Other ids of the same thing: what cannot be told apart by what it does.
    lane
        Number of the patient's lane, ``None`` where the place is shared.
    words
        What happened, as a finding: "A's tube is blocked or bitten shut".
    effect, reasoned
        What the engine is given; what is said without it, or besides. One of them at least.
    monitor
        What shows it on the patient's own monitors, or how else to find it.
    source
        Where size and meaning come from.
    """

    id: str
    words: str
    lane: int | None
    monitor: str
    source: str
    effect: Effect | None = None
    reasoned: Reasoned | None = None
    also: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.effect is None and self.reasoned is None:
            raise ValueError(f"{self.id}: a fault has an effect or a reasoned consequence")

    @property
    def from_engine(self) -> bool:
        """Whether its figures are computed."""
        return self.effect is not None

    @property
    def kind(self) -> str:
        """The id without the place: ``kink-80``."""
        return self.id.split(".", 1)[0]
