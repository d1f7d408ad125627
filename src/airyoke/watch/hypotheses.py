"""What may have changed in a running group: causes, whom they concern, how likely beforehand, and how large.

A hypothesis is one cause in one patient (or in what is shared). Its size is not known: every draw of the group carries
a size of its own, drawn from the stated range, so that a sum over draws is a sum over sizes too.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Final, Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

from airyoke.breath.engine import LungMechanics
from airyoke.breath.settings import Settings
from airyoke.circuit.network import Element, FlowNetwork
from airyoke.faults import changes, openings
from airyoke.lungs.stores import Airway
from airyoke.quantities.draws import uniform_draws

Floats = NDArray[np.float64]
_T = TypeVar("_T")
LANES: Final = "ABCD"

Cause = Literal[
    "nobody", "stiffer", "softer", "resistance-up", "resistance-down", "leak", "tube-off", "blocked", "valve-failed",
    "effort", "shared-filter", "settings", "circuit-open", "monitors-crossed",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One cause and the lanes it concerns: one, two crossed ones, none where it is shared or nothing changed."""

    cause: Cause
    lanes: tuple[int, ...] = ()

    @property
    def id(self) -> str:
        """``stiffer.B``, ``settings``, ``monitors-crossed.AB``."""
        letters = "".join(LANES[lane] for lane in self.lanes)
        return f"{self.cause}.{letters}" if letters else self.cause

    @property
    def words(self) -> str:
        """As a finding, with letters: "B's lung has become stiffer"."""
        x = " and ".join(LANES[lane] for lane in self.lanes)
        return _WORDS[self.cause].format(x=x)


NOBODY: Final = Hypothesis("nobody")

_WORDS: Final[dict[Cause, str]] = {
    "nobody": "nothing has changed",
    "stiffer": "{x}'s lung has become stiffer: oedema, collapse, a plug, a pneumothorax, the tube too deep",
    "softer": "{x}'s lung has become softer: it takes more",
    "resistance-up": "{x}'s resistance has risen: secretions, spasm, a kink, a wet filter",
    "resistance-down": "{x}'s resistance has fallen",
    "leak": "gas leaks at {x}: cuff or a joint",
    "tube-off": "{x}'s tube is off its wye",
    "blocked": "{x}'s tube, or one of its two branches, is blocked",
    "valve-failed": "one of {x}'s one-way valves leaks backwards or stands open",
    "effort": "{x} makes efforts, or coughs",
    "shared-filter": "the shared expiratory way clogs: its filter, or water",
    "settings": "the machine is not set as planned",
    "circuit-open": "a shared limb is off, for everybody",
    "monitors-crossed": "the monitors of {x} are crossed",
}
OWN: Final[tuple[Cause, ...]] = (
    "stiffer", "softer", "resistance-up", "resistance-down", "leak", "tube-off", "blocked", "valve-failed", "effort",
)  # fmt: skip
SHARED: Final[tuple[Cause, ...]] = ("shared-filter", "settings", "circuit-open")

# How often each is what changed, against the others; of one patient, or of what is shared. Judgement, no source.
WEIGHTS: Final[tuple[tuple[Cause, float], ...]] = (
    ("stiffer", 3.0), ("softer", 1.5), ("resistance-up", 3.0), ("resistance-down", 1.0), ("leak", 1.5),
    ("tube-off", 0.7), ("blocked", 1.5), ("valve-failed", 0.5), ("effort", 2.0), ("shared-filter", 1.0),
    ("settings", 1.5), ("circuit-open", 0.3), ("monitors-crossed", 0.5),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Sizes:
    """How large a change may be: the smallest and the largest, equally likely by ratio in between. Judgement, no
    source; a change smaller than the smallest is not looked for here but as a drift."""

    stiffer: tuple[float, float] = (0.80, 0.35)
    softer: tuple[float, float] = (1.20, 1.80)
    resistance_up: tuple[float, float] = (1.6, 6.0)
    resistance_down: tuple[float, float] = (0.65, 0.35)
    leak_opening_mm: tuple[float, float] = (1.5, 5.0)
    expiratory_way_cmh2o_s_per_l: tuple[float, float] = (4.0, 40.0)
    drive_cmh2o: tuple[float, float] = (2.0, 6.0)
    peep_cmh2o: tuple[float, float] = (2.0, 6.0)
    rate_share: tuple[float, float] = (0.15, 0.5)
    volume_share: tuple[float, float] = (0.10, 0.40)
    triggered_per_min: tuple[float, float] = (1.0, 12.0)
    untriggered_share: float = 0.3  # of efforts: seen, but the machine starts no breath
    shunt_added: float = 0.20  # most that a stiffer lung adds
    rebreathed_share: tuple[float, float] = (0.02, 0.30)  # CO2 given back by a failed valve, against that breathed out


@dataclass(frozen=True, slots=True)
class Drawn:
    """One hypothesis in every draw (row 0 left out). ``None`` = as it was.

    networks, settings
        One a draw. ``airway`` is how the lung of its lane stands where nothing is ventilated.
    opens
        Gas is lost to the room as fast as the machine gives it.
    """

    networks: tuple[FlowNetwork, ...] | None = None
    lungs: LungMechanics | None = None
    settings: tuple[Settings, ...] | None = None
    airway: Airway = "circuit"
    opens: bool = False
    shunt_added: Floats | None = None
    rebreathed: Floats | None = None


def hypotheses_of(network: FlowNetwork) -> tuple[Hypothesis, ...]:
    """Every hypothesis about this circuit, "nothing has changed" first. A part that is not there cannot fail."""
    patients = len(network.limbs)
    return (
        NOBODY,
        *(
            Hypothesis(cause, (lane,))
            for lane in range(patients)
            for cause in OWN
            if cause != "valve-failed" or _valves(network, lane)
        ),
        *(Hypothesis(cause) for cause in SHARED),
        *(Hypothesis("monitors-crossed", (a, b)) for a in range(patients) for b in range(a + 1, patients)),
    )


def log_prior(every: tuple[Hypothesis, ...], weights: tuple[tuple[Cause, float], ...] = WEIGHTS) -> Floats:
    """ln of the probability of each, given that something changed; -inf for the first, "nothing has changed".

    Raises ``ValueError`` where a weight is missing or negative, or all are 0.
    """
    of = dict(weights)
    mass = np.array([0.0 if one.cause == "nobody" else of.get(one.cause, -1.0) for one in every])
    if (mass < 0.0).any() or mass.sum() <= 0.0:
        raise ValueError("every cause needs a weight of 0 or more, and one of them more than 0")
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(mass / mass.sum()))


def _valves(network: FlowNetwork, lane: int) -> list[changes.Side]:
    limb = network.limbs[lane]
    pairs: tuple[tuple[changes.Side, object], ...] = (
        ("inspiratory", limb.inspiratory_valve), ("expiratory", limb.expiratory_valve),
    )  # fmt: skip
    return [side for side, valve in pairs if valve is not None]


def drawn(
    one: Hypothesis, networks: tuple[FlowNetwork, ...], lungs: LungMechanics, settings: Settings, sizes: Sizes,
    seed: int,
) -> Drawn:  # fmt: skip
    """The hypothesis in every draw of a group: ``networks`` and the rows of ``lungs`` are those of the draws."""
    count = len(networks)
    size, kind = (uniform_draws(f"watch {one.id}", column, count, seed) for column in (0, 1))
    match one.cause:
        case "nobody" | "monitors-crossed":
            return Drawn()
        case "stiffer" | "softer":
            return _compliance(one, lungs, size, kind, sizes)
        case "resistance-up" | "resistance-down":
            between = sizes.resistance_up if one.cause == "resistance-up" else sizes.resistance_down
            return Drawn(lungs=_resistance(lungs, one.lanes[0], _between(between, size)))
        case "effort":
            return Drawn(settings=tuple(_triggered(settings, sizes, u, v) for u, v in zip(size, kind, strict=True)))
        case "settings":
            return Drawn(settings=tuple(_dialled(settings, sizes, u, v) for u, v in zip(size, kind, strict=True)))
        case "shared-filter":
            added = _between(sizes.expiratory_way_cmh2o_s_per_l, size)
            return Drawn(networks=tuple(_clogged(n, float(r)) for n, r in zip(networks, added, strict=True)))
        case _:
            return _network(one, networks, size, kind, sizes)


def _compliance(one: Hypothesis, lungs: LungMechanics, size: Floats, kind: Floats, sizes: Sizes) -> Drawn:
    between = sizes.stiffer if one.cause == "stiffer" else sizes.softer
    compliance = lungs.compliance_ml_per_cmh2o.copy()
    compliance[:, one.lanes[0]] *= _between(between, size)
    changed = replace(lungs, compliance_ml_per_cmh2o=compliance)
    return Drawn(lungs=changed, shunt_added=sizes.shunt_added * kind if one.cause == "stiffer" else None)


def _resistance(lungs: LungMechanics, lane: int, factor: Floats) -> LungMechanics:
    def one(values: Floats) -> Floats:
        changed = values.copy()
        changed[:, lane] *= factor
        return changed

    return replace(
        lungs,
        inspiratory_resistance_cmh2o_s_per_l=one(lungs.inspiratory_resistance_cmh2o_s_per_l),
        expiratory_resistance_cmh2o_s_per_l=one(lungs.expiratory_resistance_cmh2o_s_per_l),
        quadratic_resistance_cmh2o_s2_per_l2=one(lungs.quadratic_resistance_cmh2o_s2_per_l2),
    )


def _network(
    one: Hypothesis, networks: tuple[FlowNetwork, ...], size: Floats, kind: Floats, sizes: Sizes
) -> Drawn:
    """Changes of the circuit. ``kind`` chooses among the places that one cause may have."""
    if one.cause == "circuit-open":
        sides: tuple[changes.Side, ...] = ("inspiratory", "expiratory")
        return Drawn(
            tuple(openings.trunk_off(n, _chosen(sides, v)) for n, v in zip(networks, kind, strict=True)),
            airway="room air", opens=True,
        )  # fmt: skip
    lane = one.lanes[0]
    if one.cause == "tube-off":
        return Drawn(tuple(openings.tube_off(n, lane) for n in networks), airway="room air", opens=True)
    if one.cause == "leak":
        opening = _between(sizes.leak_opening_mm, size)
        return Drawn(
            tuple(openings.cuff_leak(n, lane, float(mm)) for n, mm in zip(networks, opening, strict=True)), opens=True
        )
    if one.cause == "valve-failed":
        where = tuple(_valves(networks[0], lane))
        return Drawn(
            tuple(changes.valve_missing(n, lane, _chosen(where, v)) for n, v in zip(networks, kind, strict=True)),
            rebreathed=_between(sizes.rebreathed_share, size),
        )
    ways: tuple[changes.Way, ...] = ("patient", "patient", "inspiratory", "expiratory")
    shut: Callable[[FlowNetwork, float], FlowNetwork] = lambda n, v: changes.shut(n, lane, _chosen(ways, v))  # noqa: E731
    return Drawn(tuple(shut(n, float(v)) for n, v in zip(networks, kind, strict=True)), airway="blocked")


def _clogged(network: FlowNetwork, added_cmh2o_s_per_l: float) -> FlowNetwork:
    more = network.expiratory_trunk.in_series_with(Element(added_cmh2o_s_per_l))
    return replace(network, expiratory_trunk=more)


def _triggered(settings: Settings, sizes: Sizes, size: float, kind: float) -> Settings:
    """Every effort that triggers is a breath for all: the rate is higher."""
    if kind < sizes.untriggered_share:
        return settings
    return _at_rate(settings, settings.rate_per_min + float(_between(sizes.triggered_per_min, np.array(size))))


def _at_rate(settings: Settings, rate_per_min: float) -> Settings:
    # Nobody breathes out in less than a fifth of the period: the machine would not give the breath.
    fastest = 0.8 * 60.0 / (settings.inspiratory_time_s + settings.expiratory_pause_s)
    return replace(settings, rate_per_min=min(rate_per_min, max(fastest, settings.rate_per_min)))


def _dialled(settings: Settings, sizes: Sizes, size: float, kind: float) -> Settings:
    """Somebody changed one dial: which, and up or down, by ``kind``."""
    ways = tuple(_dials(settings, sizes, np.array(size)))
    return _chosen(ways, kind)()


def _dials(settings: Settings, sizes: Sizes, size: Floats) -> Iterator[Callable[[], Settings]]:
    share, peep = float(_between(sizes.rate_share, size)), float(_between(sizes.peep_cmh2o, size))
    if settings.mode == "pc":
        drive = settings.pressure_above_peep_cmh2o or 0.0
        step = float(_between(sizes.drive_cmh2o, size))
        yield lambda: replace(settings, pressure_above_peep_cmh2o=drive + step)
        yield lambda: replace(settings, pressure_above_peep_cmh2o=max(drive - step, 2.0))
    else:
        volume = settings.tidal_volume_ml or 0.0
        part = float(_between(sizes.volume_share, size))
        yield lambda: replace(settings, tidal_volume_ml=volume * (1.0 + part))
        yield lambda: replace(settings, tidal_volume_ml=volume * (1.0 - part))
    yield lambda: replace(settings, peep_cmh2o=settings.peep_cmh2o + peep)
    yield lambda: replace(settings, peep_cmh2o=max(settings.peep_cmh2o - peep, 0.0))
    yield lambda: _at_rate(settings, settings.rate_per_min * (1.0 + share))
    yield lambda: replace(settings, rate_per_min=settings.rate_per_min * (1.0 - share))
    if settings.fio2 > 0.3:
        yield lambda: replace(settings, fio2=0.21 + float(size) * 0.6 * (settings.fio2 - 0.21))
    if settings.fio2 < 0.9:
        yield lambda: replace(settings, fio2=1.0 - float(size) * 0.6 * (1.0 - settings.fio2))


def _between(ends: tuple[float, float], u: Floats) -> Floats:
    """Equally likely by ratio from the first end to the second."""
    first, last = ends
    return np.asarray(first * (last / first) ** u)


def _chosen(choices: tuple[_T, ...], u: float) -> _T:
    return choices[min(int(u * len(choices)), len(choices) - 1)]
