"""Can the engine reproduce what was read? If it cannot reproduce now, nobody should believe it later.

Each patient breathes through its own single circuit at its present settings; PaCO2 and SpO2 must come back.
"""

from __future__ import annotations

from collections.abc import Sequence

from airyoke.circuit.builds import single_build
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import as_breathed, predict, sample_group
from airyoke.lungs.patient import Patient
from airyoke.quantities.finding import Finding
from airyoke.ward.candidates import BedAssessment

PACO2_WITHIN_MMHG = 2.0
SPO2_WITHIN_POINTS = 2.0
PLATEAU_WITHIN_CMH2O = 1.5


def round_trip_findings(assessed: Sequence[BedAssessment], policy: Policy) -> list[Finding]:
    """A finding for every patient whose present PaCO2, SpO2 or plateau the engine does not bring back."""
    findings: list[Finding] = []
    for one in assessed:
        settings, patient, readings = one.present_settings, one.lungs, one.bed.readings
        if not isinstance(patient, Patient) or settings is None or readings is None:
            continue
        build = single_build(readings.humidification)
        sampled = sample_group([patient], build, policy.assumptions, 0, 0)
        outcome = predict(sampled, [as_breathed(settings, patient, build)])
        volume = float(outcome.breath.tidal_volume_ml[0, 0])
        for column, now, then, within, unit in (
            ("paco2_mmhg", readings.paco2_mmhg, float(outcome.paco2_mmhg[0, 0]), PACO2_WITHIN_MMHG, "mmHg"),
            ("spo2_pct", readings.spo2_pct, float(outcome.spo2_pct[0, 0]), SPO2_WITHIN_POINTS, "points"),
            ("plateau_cmh2o", readings.plateau_cmh2o, float(outcome.breath.plateau_cmh2o[0, 0]), PLATEAU_WITHIN_CMH2O,
             "cmH2O"),
        ):  # fmt: skip
            if now is None or then != then or abs(then - now) <= within:
                continue
            findings.append(
                Finding(
                    f"present-{column.split('_')[0]}-not-reproduced", "note",
                    f"at its present settings the engine gives {then:.1f} where {now:.1f} was read (more than "
                    f"{within:g} {unit} apart; tidal volume {volume:.0f} mL, read {readings.tidal_volume_ml:.0f})",
                    "read plateau, total PEEP, tidal volume and gas again at one time: they do not belong together, or "
                    "the lung is not passive",
                    bed=one.bed.label, column=column, value=now,
                )
            )  # fmt: skip
    return findings
