"""Dead space, CO2 output, bicarbonate and shunt of one patient, fitted so that the present gas comes back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from airyoke.lungs.apparatus import Apparatus
from airyoke.lungs.assumptions import Assumptions
from airyoke.lungs.carbon_dioxide import (
    alveolar_dead_space_index,
    alveolar_ventilation_l_per_min,
    bicarbonate_from_mmol_per_l,
    vco2_ml_per_min,
)
from airyoke.lungs.estimate_resistance import inputs_of
from airyoke.lungs.gas_exchange import ASSUMED_PACO2_MMHG, ASSUMED_PH, HIGHEST_INFORMATIVE_SPO2_PCT
from airyoke.lungs.oxygen import HIGHEST_SHUNT, alveolar_po2_mmhg, po2_from_saturation_mmhg, shunt_from_po2
from airyoke.lungs.readings import Readings
from airyoke.quantities.estimate import Estimate, Spread
from airyoke.quantities.finding import Finding

# Outside these a CO2 output of an adult at rest, even septic, is hard to believe. Judgement.
PLAUSIBLE_VCO2_ML_PER_MIN: Final = (100.0, 400.0)
_HIGHEST_ALVEOLAR_FRACTION: Final = 0.8
# End-tidal CO2 is measured with some error, and at the wye. Judgement.
_MEASURED_ALVEOLAR_FRACTION_SD: Final = 0.05
# Standard error of an oximeter, points of saturation. Judgement within the usual statement of makers (A_rms
# <= 4 %).
_OXIMETER_SD_PCT: Final = 2.0
_MEASURED_HAEMOGLOBIN_RELATIVE_SD: Final = 0.03


@dataclass(frozen=True, slots=True)
class Gas:
    """Gas exchange of one patient; ``None`` where it is not known."""

    airway_dead_space: Estimate
    alveolar_dead_space_fraction: Estimate
    vco2: Estimate | None
    bicarbonate: Estimate | None
    shunt: Estimate | None
    haemoglobin: Estimate
    findings: tuple[Finding, ...]


def estimate_gas(
    readings: Readings,
    label: str,
    assumptions: Assumptions,
    apparatus: Apparatus,
    predicted_body_weight_kg: float,
    tidal_volume_ml: float,
) -> Gas:
    """Gas exchange at the tidal volume that the patient gets (circuit taken off)."""
    findings: list[Finding] = []
    airway = Estimate(
        "airway_dead_space_ml",
        assumptions.airway_dead_space_ml_per_kg * predicted_body_weight_kg,
        Spread.relative(assumptions.airway_dead_space_relative_sd),
        f"{assumptions.airway_dead_space_ml_per_kg:g} mL per kg predicted body weight, from memory",
        inputs_of(readings, ("sex", "height_cm")),
        assumed=True,
    )
    fraction = _alveolar_fraction(readings, label, assumptions, findings)
    vco2 = _vco2(readings, label, assumptions, apparatus, airway, fraction, tidal_volume_ml, findings)
    bicarbonate = _bicarbonate(readings)
    if readings.paco2_mmhg is None:
        findings.append(
            Finding(
                "no-gas",
                "note",
                "There is no PaCO2: PaCO2 and pH after a change cannot be predicted.",
                "Take an arterial blood gas.",
                bed=label,
            )
        )
    elif bicarbonate is None:
        findings.append(
            Finding(
                "no-gas",
                "note",
                "There is neither pH nor bicarbonate: pH after a change cannot be predicted.",
                "Write the pH of the arterial blood gas.",
                bed=label,
            )
        )
    haemoglobin = _haemoglobin(readings, assumptions)
    shunt = _shunt(readings, label, assumptions, haemoglobin.value, findings)
    return Gas(airway, fraction, vco2, bicarbonate, shunt, haemoglobin, tuple(findings))


def _alveolar_fraction(
    readings: Readings, label: str, assumptions: Assumptions, findings: list[Finding]
) -> Estimate:
    if readings.etco2_mmhg is None or readings.paco2_mmhg is None:
        return Estimate(
            "alveolar_dead_space_fraction",
            assumptions.alveolar_dead_space_fraction,
            Spread.absolute(assumptions.alveolar_dead_space_sd, 0.0, _HIGHEST_ALVEOLAR_FRACTION),
            "judgement, no source: end-tidal CO2 or PaCO2 not known",
            assumed=True,
        )
    index = float(alveolar_dead_space_index(readings.paco2_mmhg, readings.etco2_mmhg))
    if index < 0.0:
        findings.append(
            Finding(
                "end-tidal-above-arterial",
                "note",
                f"End-tidal CO2 ({readings.etco2_mmhg:g} mmHg) is above PaCO2 "
                f"({readings.paco2_mmhg:g} mmHg).",
                "Read both at the same time; check the CO2 monitor.",
                bed=label,
                value=readings.etco2_mmhg,
            )
        )
    return Estimate(
        "alveolar_dead_space_fraction",
        min(max(index, 0.0), _HIGHEST_ALVEOLAR_FRACTION),
        Spread.absolute(_MEASURED_ALVEOLAR_FRACTION_SD, 0.0, _HIGHEST_ALVEOLAR_FRACTION),
        "1 - end-tidal CO2 / PaCO2 (Bonifazi, Intensive Care Med Exp 2021;9:21)",
        inputs_of(readings, ("etco2_mmhg", "paco2_mmhg")),
    )


def _vco2(
    readings: Readings,
    label: str,
    assumptions: Assumptions,
    apparatus: Apparatus,
    airway: Estimate,
    fraction: Estimate,
    tidal_volume_ml: float,
    findings: list[Finding],
) -> Estimate | None:
    if readings.paco2_mmhg is None:
        return None
    ventilation = float(
        alveolar_ventilation_l_per_min(
            tidal_volume_ml, readings.rate_per_min, airway.value, apparatus.dead_space_ml, fraction.value
        )
    )
    if ventilation <= 0.0:
        findings.append(
            Finding(
                "ventilation-below-dead-space",
                "note",
                f"A breath of {tidal_volume_ml:.0f} mL would not get past "
                f"{airway.value:.0f} mL of airway and "
                f"{apparatus.dead_space_ml:.0f} mL of apparatus: PaCO2 after a change is not predicted.",
                "Check tidal volume, height and humidification.",
                bed=label,
            )
        )
        return None
    value = float(vco2_ml_per_min(readings.paco2_mmhg, ventilation))
    low, high = PLAUSIBLE_VCO2_ML_PER_MIN
    if not low <= value <= high:
        findings.append(
            Finding(
                "vco2-implausible",
                "note",
                f"The present PaCO2 would mean a CO2 output of {value:.0f} mL/min; "
                f"{low:g} to {high:g} is plausible.",
                "Check PaCO2, tidal volume and rate of the same time, humidification and end-tidal CO2.",
                bed=label,
                value=round(value, 1),
            )
        )
    return Estimate(
        "vco2_ml_per_min",
        value,
        Spread.relative(assumptions.vco2_relative_sd),
        "fitted: the present PaCO2 comes back at the present ventilation (PaCO2 = 0.863 VCO2 / VA)",
        inputs_of(readings, ("paco2_mmhg", "tidal_volume_ml", "rate_per_min", "etco2_mmhg")),
    )


def _bicarbonate(readings: Readings) -> Estimate | None:
    if readings.ph is not None and readings.paco2_mmhg is not None:
        return Estimate(
            "bicarbonate_mmol_per_l",
            float(bicarbonate_from_mmol_per_l(readings.ph, readings.paco2_mmhg)),
            Spread.none(),
            "Henderson-Hasselbalch from the present pH and PaCO2",
            inputs_of(readings, ("ph", "paco2_mmhg")),
        )
    if readings.bicarbonate_mmol_per_l is not None:
        return Estimate(
            "bicarbonate_mmol_per_l",
            readings.bicarbonate_mmol_per_l,
            Spread.relative(0.05),
            "as read",
            inputs_of(readings, ("bicarbonate_mmol_per_l",)),
        )
    return None


def _haemoglobin(readings: Readings, assumptions: Assumptions) -> Estimate:
    if readings.haemoglobin_g_per_dl is not None:
        return Estimate(
            "haemoglobin_g_per_dl",
            readings.haemoglobin_g_per_dl,
            Spread.relative(_MEASURED_HAEMOGLOBIN_RELATIVE_SD),
            "as read",
            inputs_of(readings, ("haemoglobin_g_per_dl",)),
        )
    return Estimate(
        "haemoglobin_g_per_dl",
        assumptions.haemoglobin_g_per_dl,
        Spread.relative(assumptions.haemoglobin_relative_sd),
        "common in intensive care, judgement, no source",
        assumed=True,
    )


def _shunt(
    readings: Readings,
    label: str,
    assumptions: Assumptions,
    haemoglobin: float,
    findings: list[Finding],
) -> Estimate | None:
    """Virtual shunt that gives the present PaO2 or, without one, the present SpO2."""
    paco2 = ASSUMED_PACO2_MMHG if readings.paco2_mmhg is None else readings.paco2_mmhg
    ph = ASSUMED_PH if readings.ph is None else readings.ph
    names = ("pao2_mmhg", "spo2_pct", "fio2", "paco2_mmhg", "ph", "haemoglobin_g_per_dl")

    def fitted(pao2: float) -> float:
        return float(
            shunt_from_po2(
                pao2,
                readings.fio2,
                paco2,
                ph,
                haemoglobin,
                assumptions.arteriovenous_difference_ml_per_dl,
                assumptions.barometric_pressure_mmhg,
            )
        )

    def estimate(value: float, spread: Spread, source: str) -> Estimate:
        basis = (
            f"virtual shunt that gives the present {source} (Benatar, Br J Anaesth 1973;45:711, from memory)"
        )
        if readings.paco2_mmhg is None or readings.ph is None:
            basis += "; PaCO2 40 mmHg or pH 7.40 assumed where not known"
        return Estimate("shunt_fraction", value, spread, basis, inputs_of(readings, names))

    if readings.pao2_mmhg is not None:
        alveolar = float(alveolar_po2_mmhg(readings.fio2, paco2, assumptions.barometric_pressure_mmhg))
        if readings.pao2_mmhg > alveolar:
            findings.append(
                Finding(
                    "pao2-above-alveolar",
                    "ask",
                    f"PaO2 ({readings.pao2_mmhg:g} mmHg) is above what FiO2 {readings.fio2:g} can give "
                    f"({alveolar:.0f} mmHg).",
                    "Check FiO2, PaO2 and their units.",
                    bed=label,
                    value=readings.pao2_mmhg,
                )
            )
        return estimate(
            fitted(readings.pao2_mmhg), Spread.absolute(assumptions.shunt_sd, 0.0, HIGHEST_SHUNT), "PaO2"
        )
    if readings.spo2_pct is None:
        return None

    def at_saturation(spo2_pct: float) -> float:
        return fitted(float(po2_from_saturation_mmhg(spo2_pct / 100.0, ph)))

    if readings.spo2_pct > HIGHEST_INFORMATIVE_SPO2_PCT:
        most = at_saturation(HIGHEST_INFORMATIVE_SPO2_PCT)
        findings.append(
            Finding(
                "shunt-upper-bound",
                "note",
                f"SpO2 {readings.spo2_pct:g} % only says that the shunt is at most "
                f"{most:.2f}; the worst is used.",
                "Take an arterial blood gas, or lower FiO2 until SpO2 is 92 to 96 %.",
                bed=label,
                value=readings.spo2_pct,
            )
        )
        return estimate(most, Spread.between(0.0, most), "SpO2, an upper bound")
    half = 0.5 * abs(
        at_saturation(max(readings.spo2_pct - _OXIMETER_SD_PCT, 1.0))
        - at_saturation(min(readings.spo2_pct + _OXIMETER_SD_PCT, 99.5))
    )
    spread = Spread.absolute(max(assumptions.shunt_sd, half), 0.0, HIGHEST_SHUNT)
    return estimate(at_saturation(readings.spo2_pct), spread, "SpO2")
