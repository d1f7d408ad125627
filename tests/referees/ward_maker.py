"""Invented wards by number: beds, rooms, labels, ventilators, stock and policy, with the untidiness of real ones.

Nothing here is clinical evidence. Severe, moderate, near-normal and obstructive lungs come in the proportions
45 / 25 / 18 / 12 %, about half of one ward alike. The readings of one patient belong together (tidal volume,
plateau, peak, total PEEP, rate and blood gas follow from one invented lung), so that an estimate made from them
gives that lung back.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp
from random import Random

from airyoke.breath.ventilator import Ventilator
from airyoke.limits.policy import Policy
from airyoke.lungs.readings import Readings
from airyoke.ward.ward import Bed, Ward

KINDS = ("severe", "moderate", "near-normal", "obstructive")
PROPORTIONS = (45, 25, 18, 12)
INFECTIONS = ("influenza-a", "legionella", "sars-cov-2")
NEVER = ("raised-intracranial-pressure", "pregnancy", "air-leak", "tube-trouble", "extubation-expected")
ASK = ("heavy-secretions", "height-guessed", "unstable-trend", "family-not-informed")
# Parts of a shared circuit for two, as the store room counts them.
FOR_TWO = {
    "y-piece": 4, "one-way-valve": 4, "tube-22mm-1500mm": 4, "hmef": 2, "expiratory-filter": 1,
    "sleeve-22f-22f": 2, "catheter-mount": 2, "capnograph-adapter": 2,
}  # fmt: skip

# What lies between wye and tube now: dead space in mL, and the pressure that it and the tube's filter take.
_APPARATUS_ML = {"hme": 80.0, "heated": 30.0}
_APPARATUS_LINEAR = {"hme": 2.0, "heated": 0.0}
_APPARATUS_QUADRATIC = {"hme": 1.8, "heated": 0.8}
_EXPIRATORY_PATH = 5.0  # cmH2O·s/L, limb, filter and valve of the machine
_CIRCUIT_ML_PER_CMH2O = 2.0  # what a machine that does not compensate shows on top


@dataclass(frozen=True, slots=True)
class _Kind:
    """Ranges of one kind of lung: low and high of each."""

    driving: tuple[float, float]
    volume_per_kg: tuple[float, float]
    peep: tuple[int, int]
    fio2: tuple[float, float]
    resistance: tuple[float, float]
    pao2_to_fio2: tuple[float, float]
    inspiratory_time: tuple[float, float]


_RANGES = {
    "severe": _Kind((11.0, 14.5), (5.5, 6.3), (10, 13), (0.5, 0.65), (9, 14), (90, 150), (0.8, 0.95)),
    "moderate": _Kind((9.5, 12.5), (5.8, 6.8), (9, 12), (0.45, 0.6), (8, 13), (130, 210), (0.85, 1.0)),
    "near-normal": _Kind((8.0, 10.5), (6.0, 7.0), (6, 9), (0.35, 0.45), (7, 12), (200, 300), (0.9, 1.1)),
    "obstructive": _Kind((8.5, 11.0), (6.3, 7.2), (6, 8), (0.35, 0.5), (15, 21), (180, 270), (0.9, 1.1)),
}


def random_ward(seed: int, fewest: int = 4, most: int = 8) -> Ward:
    """The ward of that number, the same each time. Between ``fewest`` and ``most`` beds."""
    rng = Random(f"ward {seed}")
    count = rng.randint(fewest, most)
    dominant = rng.choices(KINDS, PROPORTIONS)[0]
    rooms = ["East"] if rng.random() < 0.5 else ["East", "West"]
    labels = INFECTIONS[: 1 if rng.random() < 0.55 else 2]
    ventilators = _ventilators(rng, count, rooms)
    of_beds = [rng.choice(rooms) if rng.random() > 0.03 else None for _ in range(count)]
    running = _running(rng, of_beds, [v for v in ventilators if v.usable])
    beds = tuple(
        _bed(rng, f"B{number + 1}", room, labels, dominant, machine)
        for number, (room, machine) in enumerate(zip(of_beds, running, strict=True))
    )
    return Ward(beds, ventilators, _policy(rng), _stock(rng))


def _ventilators(rng: Random, beds: int, rooms: list[str]) -> tuple[Ventilator, ...]:
    count = rng.randint(max(2, beds // 2), beds + 1)
    coarse_from = rng.randint(1, count) if rng.random() < 0.2 else count
    compensates = "on" if rng.random() < 0.7 else "off"
    machines = []
    for number in range(count):
        coarse = number >= coarse_from
        machines.append(
            Ventilator(
                f"V{number + 1}",
                room=rng.choice(rooms) if rng.random() < 0.12 else None,
                usable=rng.random() > 0.1,
                modes=("vc",) if rng.random() < 0.08 else ("vc", "pc"),
                circuit_compensation=compensates,
                max_rate_per_min=30.0 if coarse else 60.0,
                rate_step_per_min=2.0 if coarse else 1.0,
                inspiratory_time_step_s=0.1 if coarse else 0.05,
                max_tidal_volume_ml=1200.0 if coarse else 2000.0,
            )
        )
    return tuple(machines)


def _running(rng: Random, rooms: list[str | None], usable: list[Ventilator]) -> list[Ventilator | None]:
    """Which machine each bed is on: some on borrowed devices (none), here and there two on one."""
    free = list(usable)
    rng.shuffle(free)
    on: list[Ventilator | None] = []
    for bed, room in enumerate(rooms):
        near = [v for v in free if v.room is None or v.room == room]
        last = on[-1] if on else None
        if last is not None and on.count(last) == 1 and room == rooms[bed - 1] and rng.random() < 0.15:
            on.append(last)
        elif near and rng.random() < 0.75:
            free.remove(near[0])
            on.append(near[0])
        else:
            on.append(None)
    return on


def _bed(
    rng: Random, label: str, room: str | None, infections: tuple[str, ...], dominant: str,
    machine: Ventilator | None,
) -> Bed:  # fmt: skip
    infection = None if rng.random() < 0.05 else frozenset({rng.choice(infections)})
    if infection and rng.random() < 0.05:
        infection = infection | {"resistant-strain"}
    conditions: tuple[str, ...] = ()
    if rng.random() < 0.05:
        conditions = (rng.choice(NEVER),)
    elif rng.random() < 0.12:
        conditions = (rng.choice(ASK),)
    # A surge fills a ward with patients that are alike; over all wards the proportions stay.
    kind = dominant if rng.random() < 0.5 else rng.choices(KINDS, PROPORTIONS)[0]
    if kind == "obstructive":
        conditions = (*conditions, "obstructive-lung-disease")
    return Bed(
        label=label,
        code=f"c{rng.randint(100, 999)}",
        room=room,
        readings=None if rng.random() < 0.04 else invented_readings(rng, kind, machine),
        infection=infection,
        conditions=conditions,
        exclude="waiting for the scan" if rng.random() < 0.03 else None,
        ventilator=None if machine is None else machine.label,
    )


def invented_readings(rng: Random, kind: str, machine: Ventilator | None) -> Readings:
    """Readings that belong together, of a patient of that kind on that machine (``None``: a borrowed device)."""
    ranges = _RANGES[kind]
    sex = rng.choice("fm")
    height = round(rng.gauss(165 if sex == "f" else 178, 6))
    weight = (50.0 if sex == "m" else 45.5) + 0.91 * (height - 152.4)
    volume = round(weight * rng.uniform(*ranges.volume_per_kg))
    compliance = volume / rng.uniform(*ranges.driving)
    resistance = rng.uniform(*ranges.resistance)
    humidification = rng.choices(("hme", "heated"), (85, 15))[0]
    peep = rng.randint(*ranges.peep)
    time = round(rng.uniform(*ranges.inspiratory_time) / 0.05) * 0.05
    time = round(time, 2)

    # The rate that an invented CO2 output asks for; then PaCO2 from that rate, so that all belongs together.
    dead = 2.2 * weight + _APPARATUS_ML[humidification]
    alveolar_fraction = rng.uniform(0.12, 0.3)
    past_dead_space = max(volume - dead, 60.0) * (1.0 - alveolar_fraction) / 1000.0
    output = weight * rng.uniform(2.6, 3.6)
    rate = round(0.863 * output / (rng.uniform(38, 46) * past_dead_space))
    rate = min(max(rate, 12), 20 if kind == "obstructive" else 30)
    paco2 = round(min(max(0.863 * output / (rate * past_dead_space), 30), 68), 1)
    ph = round(min(max(rng.gauss(7.37, 0.045), 7.15), 7.47), 2)

    out = resistance * (1.4 if kind == "obstructive" else 1.0) + _EXPIRATORY_PATH
    emptied = exp(-(60.0 / rate - time) * 1000.0 / (out * compliance))
    driving = volume / compliance
    total_peep = round(peep + driving * emptied / (1.0 - emptied), 1)
    plateau = round(total_peep + driving, 1)
    flow = volume / (time - 0.2) / 1000.0
    in_all = resistance + _APPARATUS_LINEAR[humidification] + _APPARATUS_QUADRATIC[humidification] * flow
    mode = rng.choices(("vc", "pc", "dual"), (75, 20, 5))[0]
    in_pressure_control = mode == "pc" or (mode == "dual" and rng.random() < 0.5)
    filled = 1.0 - exp(-time * 1000.0 / (in_all * compliance))
    above = round(total_peep - peep + driving / filled, 1)
    top = peep + above if in_pressure_control else plateau
    compensated = machine is not None and machine.circuit_compensation == "on"
    shown = volume if compensated else round(volume + _CIRCUIT_ML_PER_CMH2O * (top - peep))

    fio2 = round(rng.uniform(*ranges.fio2) / 0.05) * 0.05
    fio2 = 0.85 if rng.random() < 0.03 else round(fio2, 2)
    pao2 = round(min(max(fio2 * rng.uniform(*ranges.pao2_to_fio2), 58), 110))
    gas = rng.random() > 0.05
    return Readings(
        sex=sex,
        height_cm=float(height),
        passive=rng.choices(("yes", "possible", "no"), (85, 12, 3))[0],
        mode=mode,
        rate_per_min=float(rate),
        inspiratory_time_s=time,
        tidal_volume_ml=float(shown),
        peep_cmh2o=float(peep),
        fio2=fio2,
        flow_shape=None if in_pressure_control else "constant",
        pause_s=None if in_pressure_control else 0.2,
        total_peep_cmh2o=total_peep if rng.random() > 0.1 else None,
        plateau_cmh2o=plateau,
        peak_cmh2o=None if in_pressure_control else round(plateau + in_all * flow, 1),
        flow_l_per_min=None if in_pressure_control else round(60.0 * flow, 1),
        pressure_above_peep_cmh2o=above if in_pressure_control else None,
        spo2_pct=float(round(100 * _saturation(pao2, ph))),
        pao2_mmhg=float(pao2) if gas else None,
        paco2_mmhg=paco2 if gas else None,
        ph=ph if gas else None,
        etco2_mmhg=round(paco2 * (1.0 - alveolar_fraction), 1) if rng.random() < 0.8 else None,
        haemoglobin_g_per_dl=round(rng.uniform(8.5, 12.5), 1) if rng.random() < 0.8 else None,
        tube_mm=rng.choice((7.5, 8.0)),
        humidification=humidification,
        position="prone" if rng.random() < 0.06 else "supine",
        vasopressor=rng.choices(("none", "low", "high"), (60, 37, 3))[0],
    )


def _saturation(po2: float, ph: float) -> float:
    # Severinghaus, J Appl Physiol 1979;46:599, with the shift by pH.
    shifted = po2 * exp(((po2 / 26.6) ** 0.184 - 2.2) * (7.40 - ph))
    return 1.0 / (23400.0 / (shifted**3 + 150.0 * shifted) + 1.0)


def _policy(rng: Random) -> Policy:
    return Policy(
        max_group_size=2 if rng.random() < 0.6 else 3,
        reserve_ventilators=1 if rng.random() < 0.7 else 0,
        sharing=rng.choices(("last-resort-accepted", "not-stated", "no"), (92, 4, 4))[0],
        rooms_may_mix=rng.random() < 0.1,
        rehearse=rng.random() > 0.06,
    )


def _stock(rng: Random) -> dict[str, int] | None:
    """Nobody counted, plenty, or so little that one part decides how many may be coupled."""
    kind = rng.choices(("none", "plenty", "scarce"), (40, 25, 35))[0]
    if kind == "none":
        return None
    circuits = 12 if kind == "plenty" else rng.randint(1, 3)
    stock = {part: circuits * count for part, count in FOR_TWO.items()}
    if kind == "scarce":
        short = rng.choice(sorted(stock))
        stock[short] = max(stock[short] - 1, 0)
        if rng.random() < 0.2:
            del stock[rng.choice(sorted(stock))]
    return stock
