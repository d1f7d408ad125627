"""One patient: what are these lungs like, how sure is that, what does a change do to the gas, and who may
share?

Readings go in, a ``Patient`` of estimates or a ``CannotEstimate`` with reasons comes out. Formulas stand one
each in ``size``, ``mechanics``, ``closed_forms``, ``carbon_dioxide``, ``oxygen``, ``power``; ``eligibility``
says who may share.
"""

from airyoke.lungs.apparatus import Apparatus, present_apparatus
from airyoke.lungs.assumptions import Assumptions
from airyoke.lungs.closed_forms import (
    DriveFractions,
    SettledBreath,
    drive_fractions,
    pressure_control,
    volume_control,
)
from airyoke.lungs.conditions import CONDITIONS, Condition
from airyoke.lungs.eligibility import Eligibility
from airyoke.lungs.estimates import estimate_lungs
from airyoke.lungs.patient import Lungs, Patient, Present, Since
from airyoke.lungs.readings import Readings
from airyoke.lungs.reasons import CannotEstimate, Need, Reason
from airyoke.lungs.sampling import PatientDraws, sample_patient
from airyoke.lungs.size import predicted_body_weight_kg

__all__ = [
    "CONDITIONS",
    "Apparatus",
    "Assumptions",
    "CannotEstimate",
    "Condition",
    "DriveFractions",
    "Eligibility",
    "Lungs",
    "Need",
    "Patient",
    "PatientDraws",
    "Present",
    "Readings",
    "Reason",
    "SettledBreath",
    "Since",
    "drive_fractions",
    "estimate_lungs",
    "predicted_body_weight_kg",
    "present_apparatus",
    "pressure_control",
    "sample_patient",
    "volume_control",
]
