"""What turning readings into mechanics brings to light about the readings themselves."""

from __future__ import annotations

from typing import Final, Literal

from airyoke.lungs.estimate_resistance import Resistance
from airyoke.lungs.readings import Readings
from airyoke.quantities.finding import Finding

USUAL_COMPLIANCE_ML_PER_CMH2O: Final = (12.0, 100.0)
USUAL_RESISTANCE_CMH2O_S_PER_L: Final = (4.0, 40.0)


def unusual_mechanics(label: str, compliance: float, inspiratory: Resistance) -> list[Finding]:
    """Compliance or a measured resistance that is possible and unusual: asked."""
    found = []
    checked = (
        ("compliance", "mL/cmH2O", compliance, USUAL_COMPLIANCE_ML_PER_CMH2O),
        ("resistance", "cmH2O·s/L", inspiratory.value, USUAL_RESISTANCE_CMH2O_S_PER_L),
    )
    for name, unit, value, (low, high) in checked:
        if inspiratory.how == "default" and name == "resistance":
            continue
        if not low <= value <= high:
            found.append(
                Finding(
                    f"{name}-unusual",
                    "ask",
                    f"The readings give a {name} of {value:.0f} {unit}; usual is {low:g} to {high:g}.",
                    "Repeat the holds, or confirm.",
                    bed=label,
                    value=round(value, 1),
                )
            )
    return found


def weak_readings(readings: Readings, label: str, plateau: float, highest: float) -> list[Finding]:
    """What about the way of reading makes the estimate weaker; ``highest`` is the upper end for total PEEP.
    """
    found: list[Finding] = []

    def note(id_: str, reason: str, remedy: str, level: Literal["ask", "note"] = "note") -> None:
        found.append(Finding(id_, level, reason, remedy, bed=label))

    if readings.total_peep_cmh2o is None:
        note(
            "total-peep-missing",
            f"Total PEEP was not read: anything from {readings.peep_cmh2o:g} to "
            f"{highest:g} cmH2O is possible.",
            "Measure total PEEP with an expiratory hold.",
        )
    if readings.plateau_cmh2o is None:
        note(
            "plateau-assumed-from-pressure-control",
            f"There was no inspiratory hold; the plateau ({plateau:.0f} cmH2O) "
            "follows from the set pressure.",
            "Measure the plateau with an inspiratory hold.",
        )
    elif readings.mode != "vc" and readings.pressure_above_peep_cmh2o is not None:
        set_pressure = readings.peep_cmh2o + readings.pressure_above_peep_cmh2o
        if readings.plateau_cmh2o > set_pressure + 0.5:
            note(
                "plateau-above-set-pressure",
                f"The plateau ({readings.plateau_cmh2o:g} cmH2O) is above the set "
                f"pressure ({set_pressure:g}).",
                "Repeat the hold; check whether the pressure is above PEEP or absolute; look for effort.",
                "ask",
            )
    if readings.mode == "dual":
        note(
            "dual-mode",
            "The mode sets its own pressure from breath to breath: pressures and "
            "volume may belong to different "
            "breaths.",
            "Read again in pressure or volume control.",
        )
    if readings.passive == "no":
        note(
            "not-passive-mechanics",
            "The patient makes efforts: plateau, compliance and total PEEP are not to be relied on.",
            "Measure again when the patient is passive.",
            "ask",
        )
    elif readings.passive == "possible":
        note(
            "mechanics-before-block",
            "The patient was not known to be passive when this was read.",
            "Measure again under deep sedation or neuromuscular block, before coupling.",
        )
    return found
