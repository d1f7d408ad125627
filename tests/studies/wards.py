"""Invented wards for the studies: any number of beds, in stated proportions and with stated medians.

Severe, moderate, near-normal and obstructive lungs 45 / 25 / 18 / 12 %; rooms of 6 to 12 beds; 7 % that never share;
three infection labels, one of them usual in each room. Everybody is passive and was read in volume control, so that a
patient's lungs do not depend on how many ventilators the ward has. The readings of one patient belong together: they
follow from one invented lung. Nothing here is clinical evidence.
"""

from __future__ import annotations

from bisect import bisect_left
from math import exp
from random import Random
from statistics import NormalDist

from airyoke.breath.ventilator import Ventilator
from airyoke.limits.policy import Policy
from airyoke.lungs.readings import Readings
from airyoke.ward.ward import Bed, Ward

KINDS = ("severe", "moderate", "near-normal", "obstructive")
PROPORTIONS = (0.45, 0.25, 0.18, 0.12)
NEVER_SHARE = 0.07
NEVER = ("raised-intracranial-pressure", "pregnancy", "air-leak", "tube-trouble", "extubation-expected")
INFECTIONS = ("influenza-a", "legionella", "sars-cov-2")
ROOM_BEDS = (6, 12)
USUAL_LABEL = 0.90  # of the patients in a room carry its usual infection label
PRESSURES_ALIKE = 0.6  # correlation of driving pressure and plateau: without it PEEP would scatter absurdly

Quantiles = tuple[tuple[float, float], ...]

# (share of patients below, value): linear in between.
_DRIVING: dict[str, Quantiles] = {
    "severe": ((0, 8.5), (0.1, 10.0), (0.44, 13.0), (0.5, 13.5), (0.9, 15.4), (1, 17.0)),
    "moderate": ((0, 8.0), (0.1, 9.5), (0.5, 11.2), (0.9, 13.0), (1, 14.5)),
    "near-normal": ((0, 7.0), (0.1, 7.8), (0.5, 9.0), (0.9, 10.4), (1, 11.5)),
    "obstructive": ((0, 7.5), (0.1, 8.3), (0.5, 9.5), (0.9, 11.0), (1, 12.0)),
}
_PLATEAU: dict[str, Quantiles] = {
    "severe": ((0, 19.5), (0.1, 21.6), (0.5, 25.9), (0.64, 27.0), (0.9, 29.2), (1, 31.0)),
    "moderate": ((0, 17.0), (0.1, 19.0), (0.5, 22.0), (0.9, 25.0), (1, 27.0)),
    "near-normal": ((0, 13.0), (0.1, 14.5), (0.5, 16.5), (0.9, 18.8), (1, 21.0)),
    "obstructive": ((0, 13.5), (0.1, 15.0), (0.5, 17.0), (0.9, 19.5), (1, 22.0)),
}
_PH: dict[str, Quantiles] = {
    "severe": ((0, 7.21), (0.1, 7.27), (0.31, 7.30), (0.5, 7.32), (0.9, 7.37), (1, 7.42)),
    "moderate": ((0, 7.27), (0.1, 7.33), (0.5, 7.38), (0.9, 7.43), (1, 7.46)),
    "near-normal": ((0, 7.33), (0.1, 7.36), (0.5, 7.40), (0.9, 7.44), (1, 7.47)),
    "obstructive": ((0, 7.25), (0.1, 7.31), (0.5, 7.36), (0.9, 7.41), (1, 7.45)),
}
_VOLUME_PER_KG: dict[str, Quantiles] = {
    "severe": ((0, 4.6), (0.1, 5.1), (0.5, 5.8), (0.9, 6.4), (1, 6.9)),
    "moderate": ((0, 5.4), (0.1, 5.8), (0.5, 6.3), (0.9, 6.9), (1, 7.4)),
    "near-normal": ((0, 5.8), (0.1, 6.2), (0.5, 6.7), (0.9, 7.2), (1, 7.6)),
    "obstructive": ((0, 6.0), (0.1, 6.3), (0.5, 6.8), (0.9, 7.3), (1, 7.7)),
}
_FIO2 = {
    "severe": (0.50, 0.80), "moderate": (0.40, 0.60), "near-normal": (0.30, 0.45), "obstructive": (0.30, 0.50),
}  # fmt: skip
_PAO2_TO_FIO2 = {"severe": (90, 150), "moderate": (130, 210), "near-normal": (200, 300), "obstructive": (180, 270)}
_PACO2 = {"severe": (42, 58), "moderate": (38, 48), "near-normal": (35, 42), "obstructive": (42, 55)}
_RESISTANCE = {"severe": (8, 14), "moderate": (8, 13), "near-normal": (7, 12), "obstructive": (15, 21)}
_INSPIRATORY_TIME_S = {
    "severe": (0.75, 0.9), "moderate": (0.8, 1.0), "near-normal": (0.9, 1.1), "obstructive": (0.9, 1.1),
}  # fmt: skip

_APPARATUS_ML = 80.0  # wye, filter and mount of a single circuit
_APPARATUS_LINEAR, _APPARATUS_QUADRATIC = 2.0, 1.8
_EXPIRATORY_PATH = 5.0  # cmH2O·s/L, limb, filter and valve of the machine
_CIRCUIT_ML_PER_CMH2O = 2.0  # borrowed devices do not compensate: this much is shown on top
_PAUSE_S = 0.2


def study_ward(seed: int, beds: int = 40, ventilators: int = 24, *, policy: Policy | None = None) -> Ward:
    """The ward of that number, the same each time; its patients do not depend on ``ventilators``.

    No reserve is held back unless ``policy`` says so: ``ventilators`` is what may be used.
    """
    rng = Random(f"study ward {seed}")
    found: list[Bed] = []
    for room, size in enumerate(_room_sizes(rng, beds)):
        usual = rng.choice(INFECTIONS)
        others = [label for label in INFECTIONS if label != usual]
        for _ in range(size):
            found.append(_bed(rng, f"B{len(found) + 1:02d}", f"room {room + 1}", usual, others))
    machines = tuple(Ventilator(f"V{n + 1:02d}", circuit_compensation="on") for n in range(ventilators))
    if policy is None:
        policy = Policy(sharing="last-resort-accepted", reserve_ventilators=0)
    return Ward(tuple(found), machines, policy)


def kind_of(bed: Bed) -> str:
    """The kind of lung that a bed of a study ward was made with; it stands at the start of the patient's code."""
    assert bed.code is not None
    return bed.code.rsplit("-", 1)[0]


def _room_sizes(rng: Random, beds: int) -> list[int]:
    low, high = ROOM_BEDS
    if beds <= high:
        return [beds]
    while True:
        sizes: list[int] = []
        while sum(sizes) < beds:
            sizes.append(rng.randint(low, high))
        if sum(sizes) == beds:
            return sizes


def _bed(rng: Random, label: str, room: str, usual: str, others: list[str]) -> Bed:
    kind = rng.choices(KINDS, PROPORTIONS)[0]
    conditions = (rng.choice(NEVER),) if rng.random() < NEVER_SHARE else ()
    if kind == "obstructive":
        conditions = (*conditions, "obstructive-lung-disease")
    infection = usual if rng.random() < USUAL_LABEL else rng.choice(others)
    return Bed(
        label=label,
        code=f"{kind}-{rng.randint(100, 999)}",
        room=room,
        readings=_readings(rng, kind),
        infection=frozenset({infection}),
        conditions=conditions,
    )


def _readings(rng: Random, kind: str) -> Readings:
    sex = rng.choice("fm")
    height = round(rng.gauss(165 if sex == "f" else 178, 6))
    weight = (50.0 if sex == "m" else 45.5) + 0.91 * (height - 152.4)
    volume = weight * _at(_VOLUME_PER_KG[kind], rng.random())
    first, second = rng.gauss(0, 1), rng.gauss(0, 1)
    second = PRESSURES_ALIKE * first + (1.0 - PRESSURES_ALIKE**2) ** 0.5 * second
    driving = _at(_DRIVING[kind], NormalDist().cdf(first))
    plateau = _at(_PLATEAU[kind], NormalDist().cdf(second))
    compliance = volume / driving
    resistance = rng.uniform(*_RESISTANCE[kind])
    time = round(round(rng.uniform(*_INSPIRATORY_TIME_S[kind]) / 0.05) * 0.05, 2)

    # The rate that CO2 output and the PaCO2 aimed at ask for; then PaCO2 from that rate, so that all belongs together.
    alveolar_fraction = rng.uniform(0.12, 0.3)
    past_dead_space_l = (volume - 2.2 * weight - _APPARATUS_ML) * (1.0 - alveolar_fraction) / 1000.0
    output = weight * rng.uniform(2.2, 3.2)
    rate = round(0.863 * output / (rng.uniform(*_PACO2[kind]) * past_dead_space_l))
    rate = min(max(rate, 12), 20 if kind == "obstructive" else 32)
    paco2 = min(0.863 * output / (rate * past_dead_space_l), 70.0)
    ph = round(_at(_PH[kind], rng.random()), 2)

    out = resistance * (1.4 if kind == "obstructive" else 1.0) + _EXPIRATORY_PATH
    emptied = exp(-(60.0 / rate - time) * 1000.0 / (out * compliance))
    trapped = driving * emptied / (1.0 - emptied)
    peep = max(round(plateau - driving - trapped), 4)
    plateau = peep + trapped + driving
    flow = volume / (time - _PAUSE_S) / 1000.0
    peak = plateau + (resistance + _APPARATUS_LINEAR + _APPARATUS_QUADRATIC * flow) * flow

    fio2 = round(round(rng.uniform(*_FIO2[kind]) / 0.05) * 0.05, 2)
    pao2 = min(max(fio2 * rng.uniform(*_PAO2_TO_FIO2[kind]), 58), 110)
    return Readings(
        sex=sex,  # type: ignore[arg-type]
        height_cm=float(height),
        passive="yes",
        mode="vc",
        rate_per_min=float(rate),
        inspiratory_time_s=time,
        tidal_volume_ml=float(round(volume + _CIRCUIT_ML_PER_CMH2O * (plateau - peep))),
        peep_cmh2o=float(peep),
        fio2=fio2,
        flow_shape="constant",
        pause_s=_PAUSE_S,
        total_peep_cmh2o=round(peep + trapped, 1),
        plateau_cmh2o=round(plateau, 1),
        peak_cmh2o=round(peak, 1),
        flow_l_per_min=round(60.0 * flow, 1),
        spo2_pct=float(round(100 * _saturation(pao2, ph))),
        pao2_mmhg=float(round(pao2)),
        paco2_mmhg=round(paco2, 1),
        ph=ph,
        etco2_mmhg=round(paco2 * (1.0 - alveolar_fraction), 1),
        haemoglobin_g_per_dl=round(rng.uniform(8.5, 12.5), 1),
        tube_mm=rng.choice((7.5, 8.0)),
        humidification="hme",
        position="supine",
        vasopressor=rng.choice(("none", "low")),
    )


def _at(quantiles: Quantiles, share: float) -> float:
    """The value below which this share of the patients lies."""
    above = max(bisect_left(quantiles, (share, float("-inf"))), 1)
    (s0, v0), (s1, v1) = quantiles[above - 1], quantiles[above]
    return v0 + (v1 - v0) * (share - s0) / (s1 - s0)


def _saturation(po2: float, ph: float) -> float:
    # Severinghaus, J Appl Physiol 1979;46:599, with the shift by pH.
    shifted = po2 * exp(((po2 / 26.6) ** 0.184 - 2.2) * (7.40 - ph))
    return 1.0 / (23400.0 / (shifted**3 + 150.0 * shifted) + 1.0)
