"""One patient as the engine sees it: lungs with their spreads, and the present state that anchors them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from airyoke.lungs.readings import Sex
from airyoke.quantities.estimate import Estimate
from airyoke.quantities.finding import Finding


@dataclass(frozen=True, slots=True)
class Lungs:
    """What the engine needs of one patient, tracheal tube included, circuit and apparatus excluded.

    Resistances: pressure drop = R Q + ``quadratic_resistance`` Q|Q| with the inspiratory or the expiratory R.
    What follows ``quadratic_resistance`` is for gas exchange; ``None`` there means not known, and what needs
    it is not computed.
    """

    compliance: Estimate  # compliance_ml_per_cmh2o
    inspiratory_resistance: Estimate  # inspiratory_resistance_cmh2o_s_per_l
    expiratory_resistance: Estimate  # expiratory_resistance_cmh2o_s_per_l
    quadratic_resistance: Estimate  # quadratic_resistance_cmh2o_s2_per_l2
    airway_dead_space: Estimate | None = None  # airway_dead_space_ml
    alveolar_dead_space_fraction: Estimate | None = None  # alveolar_dead_space_fraction
    vco2: Estimate | None = None  # vco2_ml_per_min, STPD
    bicarbonate: Estimate | None = None  # bicarbonate_mmol_per_l
    shunt: Estimate | None = None  # shunt_fraction
    haemoglobin: Estimate | None = None  # haemoglobin_g_per_dl


@dataclass(frozen=True, slots=True)
class Present:
    """The state of a patient on its own ventilator now: every draw is made to reproduce it before settings
    move.

    ``tidal_volume_ml`` is what this patient gets (compressible volume taken off where the machine does not);
    ``pressure_above_peep_cmh2o`` the drive that gave it, known where a passive patient was read in pressure control;
    ``apparatus_dead_space_ml`` that of the present single circuit; ``set_peep_cmh2o`` is dialled,
    ``total_peep`` an estimate of the end-expiratory alveolar pressure (a reading with its error, or a
    one-sided range).
    """

    tidal_volume_ml: float
    rate_per_min: float
    inspiratory_time_s: float
    set_peep_cmh2o: float
    total_peep: Estimate
    fio2: float
    apparatus_dead_space_ml: float
    pressure_above_peep_cmh2o: float | None = None
    humidification: Literal["hme", "heated"] | None = None
    plateau_cmh2o: float | None = None
    paco2_mmhg: float | None = None
    ph: float | None = None
    pao2_mmhg: float | None = None
    spo2_pct: float | None = None


@dataclass(frozen=True, slots=True)
class Since:
    """What has changed in a patient since the readings (a supposition): what was read times these factors.

    ``resistance`` moves the way in, the way out and the quadratic part together; ``vco2`` is CO2 production;
    ``narrowing_cmh2o_s2_per_l2`` is added to the quadratic resistance (a kinked tube). Readings stay what
    they were: they anchor the draws as the lungs were then.
    """

    compliance: float = 1.0
    resistance: float = 1.0
    vco2: float = 1.0
    narrowing_cmh2o_s2_per_l2: float = 0.0


@dataclass(frozen=True, slots=True)
class Patient:
    """One patient, known by a label. ``present`` is ``None`` for a case that was typed as lungs, not as
    readings.

    ``sex`` and ``height_cm`` may be missing in a single case: what needs the predicted body weight is then
    not computed. ``findings`` are what turning readings into lungs brought to light. ``since`` is for what
    if: nothing has changed unless somebody supposes it.
    """

    label: str
    lungs: Lungs
    sex: Sex | None = None
    height_cm: float | None = None
    present: Present | None = None
    findings: tuple[Finding, ...] = ()
    since: Since = Since()
