"""Mistakes among blood gases, oximeter and capnograph."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from airyoke.exchange.bed_values import BedValues, Check, ask, refused
from airyoke.lungs.carbon_dioxide import bicarbonate_from_mmol_per_l
from airyoke.lungs.oxygen import NORMAL_PH, alveolar_po2_mmhg, saturation
from airyoke.quantities import Finding, Range, convert, quantity

# All judgements: what instruments and time between two readings explain.
_SATURATION_POINTS: Final = 5.0
_BICARBONATE_MMOL_PER_L: Final = 2.0
_ETCO2_ABOVE_MMHG: Final = 2.0
_ETCO2_BELOW_MMHG: Final = 40.0
_ALVEOLAR_SLACK_MMHG: Final = 5.0
_IMPLIED_BICARBONATE: Final = Range(6.0, 60.0)
# Where PaCO2 was not read, alveolar oxygen is taken at a low one, so that only the impossible is refused.
_LOW_PACO2_MMHG: Final = 25.0


def gases_swapped(bed: BedValues) -> Iterator[Finding]:
    """PaCO2 above PaO2 although the oximeter shows more than 90 %."""
    values = bed.all_of("paco2_mmhg", "pao2_mmhg", "spo2_pct")
    if values is not None and values[0] > values[1] and values[2] > 90.0:
        reason = f"PaCO2 {values[0]:g} is above PaO2 {values[1]:g} mmHg at SpO2 {values[2]:g} %"
        yield ask(
            "blood-gas-swapped", "paco2_mmhg", reason, "were PaO2 and PaCO2 swapped? Read the gas again"
        )


def oxygen_in_kilopascal(bed: BedValues) -> Iterator[Finding]:
    """PaO2 up to 30 with an oximeter above 80 % looks like kPa."""
    both = bed.all_of("pao2_mmhg", "spo2_pct")
    if both is None:
        return
    pao2, spo2 = both
    if pao2 <= 30.0 and spo2 > 80.0 and quantity("pao2_mmhg").likely_unit(pao2) is None:
        meant = convert(pao2, "kPa", "mmHg")
        reason = f"PaO2 {pao2:g} mmHg does not go with SpO2 {spo2:g} %"
        yield ask("pao2-unit", "pao2_mmhg", reason, f"was it typed in kPa? That would be {meant:.0f} mmHg")


def oxygen_above_alveolar(bed: BedValues) -> Iterator[Finding]:
    """PaO2 more than 5 mmHg above the alveolar oxygen pressure of this FiO2."""
    both = bed.all_of("pao2_mmhg", "fio2")
    if both is None:
        return
    pao2, fio2 = both
    paco2 = bed.numbers.get("paco2_mmhg", _LOW_PACO2_MMHG)
    alveolar = float(alveolar_po2_mmhg(fio2, paco2, bed.barometric_pressure_mmhg))
    if pao2 > alveolar + _ALVEOLAR_SLACK_MMHG:
        reason = f"PaO2 {pao2:g} mmHg is above the alveolar value of {alveolar:.0f} mmHg at FiO2 {fio2:g}"
        yield refused(
            "pao2-above-alveolar", "pao2_mmhg", reason, "read FiO2 and blood gas of the same time again"
        )


def saturation_matches(bed: BedValues) -> Iterator[Finding]:
    """SpO2 against the saturation that PaO2 means, more than 5 points apart.

    Asked only where the curve at pH 7.40 and the one shifted by the patient's pH both disagree.
    """
    both = bed.all_of("pao2_mmhg", "spo2_pct")
    if both is None:
        return
    pao2, spo2 = both
    curves = (NORMAL_PH, bed.numbers.get("ph", NORMAL_PH))
    expected = [100.0 * float(saturation(pao2, ph)) for ph in curves]
    if all(abs(value - spo2) > _SATURATION_POINTS for value in expected):
        reason = f"SpO2 {spo2:g} %, but PaO2 {pao2:g} mmHg means about {expected[-1]:.0f} %"
        yield ask("saturation-mismatch", "spo2_pct", reason, "arterial sample? Same time? Read both again")


def bicarbonate_matches(bed: BedValues) -> Iterator[Finding]:
    """HCO3 against pH and PaCO2 (Henderson-Hasselbalch), more than 2 mmol/L apart; or implied outside 6 to
    60.
    """
    both = bed.all_of("ph", "paco2_mmhg")
    if both is None:
        return
    ph, paco2 = both
    implied = float(bicarbonate_from_mmol_per_l(ph, paco2))
    typed = bed.get("bicarbonate_mmol_per_l")
    words = f"pH {ph:g} and PaCO2 {paco2:g} mmHg mean HCO3 {implied:.1f} mmol/L"
    if not _IMPLIED_BICARBONATE.holds(implied):
        yield ask("bicarbonate-implied-unusual", "paco2_mmhg", words, "is PaCO2 in mmHg? Read the gas again")
    if typed is not None and abs(typed - implied) > _BICARBONATE_MMOL_PER_L:
        reason = f"HCO3 {typed:g} mmol/L, but {words}"
        yield ask(
            "bicarbonate-mismatch", "bicarbonate_mmol_per_l", reason, "read pH, PaCO2 and HCO3 of one sample"
        )


def end_tidal_matches(bed: BedValues) -> Iterator[Finding]:
    """EtCO2 above PaCO2, or far below it."""
    both = bed.all_of("etco2_mmhg", "paco2_mmhg")
    if both is None:
        return
    end_tidal, paco2 = both
    reason = f"EtCO2 {end_tidal:g} mmHg does not go with PaCO2 {paco2:g} mmHg"
    if end_tidal > paco2 + _ETCO2_ABOVE_MMHG:
        yield ask(
            "etco2-above-paco2", "etco2_mmhg", reason, "same unit, same time, right patient? Read both again"
        )
    elif end_tidal < paco2 - _ETCO2_BELOW_MMHG:
        yield ask("etco2-far-below-paco2", "etco2_mmhg", reason, "same unit, same time? Read both again")


CHECKS: Final[tuple[Check, ...]] = (
    gases_swapped,
    oxygen_in_kilopascal,
    oxygen_above_alveolar,
    saturation_matches,
    bicarbonate_matches,
    end_tidal_matches,
)
