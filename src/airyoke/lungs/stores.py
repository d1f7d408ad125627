"""How long the oxygen lasts and how fast CO2 rises when a patient's ventilation stops or falls.

The stores are the gas in the lung, the oxygen in the venous blood, and the CO2 in a fast and a slow part of the body.
:mod:`airyoke.lungs.store_balance` moves gas between them; here stand what the stores of a patient are, as draws, and
the questions. Pure: the draws of a patient are the same in every question.

What is not in the answers: the lung does not lose more alveoli while it stands still (so shunt stays), the heart keeps
its output, and the oximeter shows the blood without the 10 to 30 s by which a finger lags behind (from memory).
Gas moves by bulk flow only; diffusion and the heartbeat add a little oxygen where the airway is open.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from airyoke.lungs import store_balance
from airyoke.lungs.carbon_dioxide import acute_bicarbonate_mmol_per_l
from airyoke.lungs.oxygen import RESPIRATORY_QUOTIENT
from airyoke.lungs.patient import Patient
from airyoke.lungs.sampling import (
    BLOOD_VOLUME,
    CO2_STORES,
    LUNG_VOLUME,
    OXYGEN_UPTAKE,
    UNKNOWN_CO2_OUTPUT,
    UNKNOWN_SHUNT,
    Floats,
    PatientDraws,
    drawn,
)
from airyoke.lungs.severity import berlin_class, global_class
from airyoke.lungs.size import predicted_body_weight_kg
from airyoke.lungs.store_balance import Airway, Stores
from airyoke.lungs.values import Values
from airyoke.quantities.estimate import Estimate, Spread

__all__ = [
    "Airway",
    "CarbonDioxideRise",
    "GasCourse",
    "Stores",
    "StoresAssumptions",
    "carbon_dioxide_after",
    "carbon_dioxide_rise",
    "gas_course",
    "sample_stores",
    "seconds_to_desaturation",
]

# Below this saturation the curve is steep and what follows takes seconds. Common practice, no source.
DESATURATED_SPO2_PCT: Final = 85.0
# A store that lasts longer than this is not what kills first. Judgement.
LONGEST_S: Final = 900.0

LungClass = Literal["none", "mild", "moderate", "severe", "unknown"]


@dataclass(frozen=True, slots=True)
class StoresAssumptions:
    """What is assumed of a body where nobody measures it. Each may be changed.

    ``lung_volume_ml_per_kg``
        End-expiratory lung volume at a PEEP of 5 cmH2O per kg predicted body weight. Measured means 31 (lungs without
        disease), 20 and 17 mL/kg (primary and secondary lung disease): Bikker, Crit Care 2008;12:R145 (abstract).
        Which class of the acute respiratory distress syndrome goes with which, and 14 for the severe, is a judgement.
        PEEP above or below 5 adds compliance x difference: no recruitment is counted on.
    ``respiratory_quotient_low``, ``_high``
        0.7 to 1.0 (from memory); the best value is that of the alveolar gas equation, 0.8.
    ``co2_output_ml_per_min_per_kg``
        Where CO2 output is not known: 3 (2.5 to 3.5) mL/min per kg, from memory.
    ``venous_blood_ml_per_kg``
        Three quarters of 70 mL/kg, from memory.
    ``fast_co2_ml_per_mmhg_per_kg``, ``slow_…``
        Together 1.5 mL/mmHg/kg: Farhi, J Appl Physiol 1955;7:472, in dogs (abstract). How much of it is fast, and the
        time constant between the parts, are fitted to the rise of 3.4 to 4.4 mmHg/min after the first minute
        (Kobayashi, Masui 1994;43:1130, abstract).
    ``blood_co2_ml_per_l_per_mmhg``
        Slope of the CO2 content of blood against PCO2 with the shift by oxygen: 40 mL/L over 6 mmHg at rest, from
        memory.
    """

    lung_volume_ml_per_kg: tuple[tuple[LungClass, float], ...] = (
        ("none", 31.0),
        ("mild", 20.0),
        ("moderate", 17.0),
        ("severe", 14.0),
        ("unknown", 17.0),
    )
    lung_volume_relative_sd: float = 0.25
    respiratory_quotient_low: float = 0.7
    respiratory_quotient_high: float = 1.0
    co2_output_ml_per_min_per_kg: float = 3.0
    co2_output_low_ml_per_min_per_kg: float = 2.5
    co2_output_high_ml_per_min_per_kg: float = 3.5
    shunt_low: float = 0.05
    shunt: float = 0.30
    shunt_high: float = 0.50
    bicarbonate_mmol_per_l: float = 24.0
    haemoglobin_g_per_dl: float = 10.0
    weight_kg: float = 65.0
    venous_blood_ml_per_kg: float = 52.0
    venous_blood_relative_sd: float = 0.10
    fast_co2_ml_per_mmhg_per_kg: float = 0.65
    slow_co2_ml_per_mmhg_per_kg: float = 0.85
    co2_stores_relative_sd: float = 0.20
    slow_co2_minutes: float = 8.0
    blood_co2_ml_per_l_per_mmhg: float = 6.5
    barometric_pressure_mmhg: float = 760.0


_REFERENCE_PEEP_CMH2O: Final = 5.0
# A lung below PEEP 5 keeps at least this part of what it holds there. Judgement.
_LEAST_PART: Final = 0.3
_LEAST_PACO2_MMHG: Final = 15.0


def sample_stores(
    patient: Patient,
    columns: PatientDraws,
    *,
    fio2: Values,
    seed: int,
    paco2_mmhg: Floats | None = None,
    total_peep_cmh2o: Floats | None = None,
    shunt_fraction: Floats | None = None,
    assumptions: StoresAssumptions | None = None,
) -> Stores:
    """Stores of one patient at the moment when ventilation changes; arrays (draws + 1,), row 0 the best estimate.

    ``columns`` are the draws of the same patient and ``seed`` theirs. ``paco2_mmhg``, ``total_peep_cmh2o`` and
    ``shunt_fraction`` are those of the breath before (in a group: as predicted); without them the present ones.
    What is not known of the patient is assumed and named in ``Stores.assumed``: nobody is left without an answer,
    and the range says how little is known.
    """
    a = StoresAssumptions() if assumptions is None else assumptions
    count = columns.compliance_ml_per_cmh2o.size - 1
    cause, now = f"patient {patient.label}", patient.present
    assumed: list[str] = []

    def column(value: float, spread: Spread, number: int) -> Floats:
        return drawn(Estimate("", value, spread), cause, number, count, seed)

    def known(values: Floats, name: str, instead: Floats | float) -> Floats:
        if np.isfinite(values).all():
            return values
        assumed.append(name)
        return np.broadcast_to(np.asarray(instead, dtype=np.float64), (count + 1,))

    if patient.sex is None or patient.height_cm is None:
        weight = a.weight_kg
        assumed.append("weight")
    else:
        weight = predicted_body_weight_kg(patient.sex, patient.height_cm)
    vco2 = known(
        columns.vco2_ml_per_min,
        "CO2 output",
        column(
            weight * a.co2_output_ml_per_min_per_kg,
            Spread.between(weight * a.co2_output_low_ml_per_min_per_kg, weight * a.co2_output_high_ml_per_min_per_kg),
            UNKNOWN_CO2_OUTPUT,
        ),
    )
    quotient = column(
        RESPIRATORY_QUOTIENT,
        Spread.between(a.respiratory_quotient_low, a.respiratory_quotient_high),
        OXYGEN_UPTAKE,
    )
    shunt = known(
        columns.shunt_fraction if shunt_fraction is None else shunt_fraction,
        "shunt",
        column(a.shunt, Spread.between(a.shunt_low, a.shunt_high), UNKNOWN_SHUNT),
    )
    present_paco2 = np.nan if now is None or now.paco2_mmhg is None else now.paco2_mmhg
    paco2 = known(np.full(count + 1, present_paco2) if paco2_mmhg is None else paco2_mmhg, "PaCO2", 40.0)
    bicarbonate: Values = known(columns.bicarbonate_mmol_per_l, "bicarbonate", a.bicarbonate_mmol_per_l)
    if np.isfinite(present_paco2):
        bicarbonate = acute_bicarbonate_mmol_per_l(bicarbonate, present_paco2, paco2)
    present_peep = np.nan if now is None else now.total_peep.value
    peep = known(
        np.full(count + 1, present_peep) if total_peep_cmh2o is None else total_peep_cmh2o,
        "PEEP",
        _REFERENCE_PEEP_CMH2O,
    )
    per_kg = dict(a.lung_volume_ml_per_kg)[_lung_class(patient, a.barometric_pressure_mmhg)]
    at_five = column(per_kg * weight, Spread.relative(a.lung_volume_relative_sd), LUNG_VOLUME)
    volume = at_five + columns.compliance_ml_per_cmh2o * (peep - _REFERENCE_PEEP_CMH2O)
    stores = column(1.0, Spread.relative(a.co2_stores_relative_sd), CO2_STORES) * weight
    vo2 = vco2 / quotient
    return Stores(
        lung_volume_ml=np.maximum(volume, _LEAST_PART * at_five),
        least_lung_volume_ml=_LEAST_PART * at_five,
        compliance_ml_per_cmh2o=columns.compliance_ml_per_cmh2o,
        peep_cmh2o=peep,
        fio2=np.broadcast_to(np.asarray(fio2, dtype=np.float64), (count + 1,)),
        paco2_mmhg=np.maximum(paco2, _LEAST_PACO2_MMHG),
        bicarbonate_mmol_per_l=np.asarray(bicarbonate),
        shunt_fraction=shunt,
        haemoglobin_g_per_dl=known(columns.haemoglobin_g_per_dl, "haemoglobin", a.haemoglobin_g_per_dl),
        vo2_ml_per_min=vo2,
        vco2_ml_per_min=vco2,
        cardiac_output_l_per_min=vo2 / (10.0 * columns.arteriovenous_difference_ml_per_dl),
        venous_blood_l=column(
            a.venous_blood_ml_per_kg * weight / 1000.0,
            Spread.relative(a.venous_blood_relative_sd),
            BLOOD_VOLUME,
        ),
        fast_co2_ml_per_mmhg=a.fast_co2_ml_per_mmhg_per_kg * stores,
        slow_co2_ml_per_mmhg=a.slow_co2_ml_per_mmhg_per_kg * stores,
        slow_co2_minutes=a.slow_co2_minutes,
        blood_co2_ml_per_l_per_mmhg=a.blood_co2_ml_per_l_per_mmhg,
        barometric_pressure_mmhg=a.barometric_pressure_mmhg,
        assumed=tuple(assumed),
    )


def _lung_class(patient: Patient, barometric_pressure_mmhg: float) -> LungClass:
    """How sick these lungs are, by the class of the syndrome that their present gas would have."""
    now = patient.present
    if now is None:
        return "unknown"
    if now.pao2_mmhg is not None:
        return berlin_class(now.pao2_mmhg, now.fio2, barometric_pressure_mmhg)
    found = None if now.spo2_pct is None else global_class(now.spo2_pct, now.fio2)
    return "unknown" if found is None else found


@dataclass(frozen=True, slots=True)
class GasCourse:
    """Arterial gas at times after the change, arrays (times, draws + 1)."""

    times_s: Floats
    spo2_pct: Floats
    paco2_mmhg: Floats


@dataclass(frozen=True, slots=True)
class CarbonDioxideRise:
    """How fast PaCO2 rises, arrays (draws + 1,): in the first minute, and per minute over the two that follow."""

    first_minute_mmhg: Floats
    per_minute_mmhg: Floats


def gas_course(
    stores: Stores, airway: Airway, times_s: Floats, alveolar_ventilation_l_per_min: Values = 0.0
) -> GasCourse:
    """Saturation and PaCO2 at these times (s, rising, from 0) after ventilation has become what is said.

    ``airway``
        ``circuit``: open to gas of ``stores.fio2``, lung volume kept; ``blocked``: nothing in or out, the lung
        shrinks; ``room air``: off the circuit, PEEP is lost and what flows in is air.
    ``alveolar_ventilation_l_per_min``
        What is left of it, one number or one a draw; 0 where nothing gets past the dead space.

    Raises ``ValueError`` for ventilation below 0 or through a blocked airway, and for times that do not rise from 0.
    """
    times = np.asarray(times_s, dtype=np.float64)
    if times.ndim != 1 or times.size == 0 or times[0] < 0.0 or np.any(np.diff(times) <= 0.0):
        raise ValueError("times must rise from 0 or later")
    spo2, paco2 = (np.empty((times.size, stores.size)) for _ in range(2))
    state = store_balance.at_the_start(stores, airway, alveolar_ventilation_l_per_min)
    reached = 0.0
    for row, time in enumerate(times):
        while reached < time:
            step = state.longest_step_s(time - reached)
            state = state.after(step)
            reached += step
        spo2[row], paco2[row] = state.spo2_pct(), state.paco2_mmhg
    return GasCourse(times, spo2, paco2)


def carbon_dioxide_after(
    stores: Stores, airway: Airway, times_s: Floats, alveolar_ventilation_l_per_min: Values = 0.0
) -> Floats:
    """PaCO2, mmHg, at these times (s) after the change, (times, draws + 1); terms as in :func:`gas_course`."""
    return gas_course(stores, airway, times_s, alveolar_ventilation_l_per_min).paco2_mmhg


def carbon_dioxide_rise(
    stores: Stores, airway: Airway, alveolar_ventilation_l_per_min: Values = 0.0
) -> CarbonDioxideRise:
    """Rise of PaCO2 in the first minute and per minute in the second and third; terms as in :func:`gas_course`."""
    paco2 = carbon_dioxide_after(stores, airway, np.array([0.0, 60.0, 180.0]), alveolar_ventilation_l_per_min)
    return CarbonDioxideRise(paco2[1] - paco2[0], 0.5 * (paco2[2] - paco2[1]))


def seconds_to_desaturation(
    stores: Stores,
    airway: Airway,
    alveolar_ventilation_l_per_min: Values = 0.0,
    *,
    spo2_pct: float = DESATURATED_SPO2_PCT,
    within_s: float = LONGEST_S,
) -> Floats:
    """Seconds until the saturation of arterial blood falls below ``spo2_pct``, (draws + 1,).

    ``inf`` where it does not within ``within_s``; 0 where it is below from the start. Terms as in :func:`gas_course`.
    """
    if not 0.0 < spo2_pct < 100.0:
        raise ValueError("the saturation must lie between 0 and 100 %")
    found = np.full(stores.size, np.inf)
    rows = np.arange(stores.size)
    state = store_balance.at_the_start(stores, airway, alveolar_ventilation_l_per_min)
    reserve = state.content_above(spo2_pct)
    found[reserve < 0.0] = 0.0
    reached = 0.0
    while reached < within_s:
        waiting = found[rows] == np.inf
        if not waiting.any():
            break
        # Whoever is below is not followed any further: the lung of a blocked tube would shrink to nothing.
        rows, state, reserve = rows[waiting], state.rows(waiting), reserve[waiting]
        step = state.longest_step_s(within_s - reached)
        state = state.after(step)
        left = state.content_above(spo2_pct)
        crossed = left < 0.0
        found[rows[crossed]] = reached + step * reserve[crossed] / (reserve[crossed] - left[crossed])
        reserve = left
        reached += step
    return found
