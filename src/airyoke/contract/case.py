"""A case: one group, one circuit, one set of settings, as written down. Units stand in the names."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import Discriminator, Field, Tag

from airyoke.contract.case_alarms import AlarmCase, AlarmConditionCase
from airyoke.contract.fields import Frozen, coefficient, measured
from airyoke.quantities import Finding

if TYPE_CHECKING:
    from airyoke.contract.case_domain import DomainCase

MAX_PATIENTS = 4
# Nothing that people build comes near it; a blocked limb is written as a resistance of this order.
HIGHEST_RESISTANCE = 1e9
HIGHEST_CIRCUIT_COMPLIANCE = 50.0

# Printable and not blank: a label is shown on a terminal, where control characters would act.
_PRINTABLE = r"^[^\x00-\x1f\x7f-\x9f]*[^\s\x00-\x1f\x7f-\x9f][^\x00-\x1f\x7f-\x9f]*$"
Text = Annotated[str, Field(min_length=1, max_length=40, pattern=_PRINTABLE)]


class SpreadCase(Frozen):
    """How far one value may be off: exactly one of the two.

    ``relative_sd`` is the standard deviation of ln(value), ``sd`` that of the value in its own unit. Positive
    quantities are drawn log-normal with the value as median, fractions normal and clipped to 0-1.
    """

    relative_sd: Annotated[float, Field(ge=0.0, le=2.0)] | None = None
    sd: Annotated[float, Field(ge=0.0)] | None = None


class UncertaintyCase(Frozen):
    """The spread of each field that has one. What is not named here does not vary, gas exchange apart."""

    compliance_ml_per_cmh2o: SpreadCase | None = None
    inspiratory_resistance_cmh2o_s_per_l: SpreadCase | None = None
    expiratory_resistance_cmh2o_s_per_l: SpreadCase | None = None
    quadratic_resistance_cmh2o_s2_per_l2: SpreadCase | None = None
    vco2_ml_per_min: SpreadCase | None = None
    airway_dead_space_ml: SpreadCase | None = None
    alveolar_dead_space_fraction: SpreadCase | None = None
    bicarbonate_mmol_per_l: SpreadCase | None = None
    shunt_fraction: SpreadCase | None = None
    haemoglobin_g_per_dl: SpreadCase | None = None


class PatientCase(Frozen):
    """One patient: lungs with the tracheal tube, gas exchange, and the trims in this patient's limb.

    ``null`` or a missing field = not known: a stated default is taken and listed in the answer's ``assumed``,
    or what needs the value is listed in ``not_computed``.
    """

    label: Text
    sex: Literal["f", "m"] | None = None
    height_cm: Annotated[float | None, measured("height_cm")] = None
    compliance_ml_per_cmh2o: Annotated[float, measured("compliance_ml_per_cmh2o")]
    inspiratory_resistance_cmh2o_s_per_l: Annotated[float | None, measured("inspiratory_resistance_cmh2o_s_per_l")] = (
        None
    )
    expiratory_resistance_cmh2o_s_per_l: Annotated[float | None, measured("expiratory_resistance_cmh2o_s_per_l")] = None
    quadratic_resistance_cmh2o_s2_per_l2: Annotated[float | None, measured("quadratic_resistance_cmh2o_s2_per_l2")] = (
        None
    )
    vco2_ml_per_min: Annotated[float | None, measured("vco2_ml_per_min")] = None
    airway_dead_space_ml: Annotated[float | None, measured("airway_dead_space_ml")] = None
    alveolar_dead_space_fraction: Annotated[float | None, measured("alveolar_dead_space_fraction")] = None
    bicarbonate_mmol_per_l: Annotated[float | None, measured("bicarbonate_mmol_per_l")] = None
    shunt_fraction: Annotated[float | None, measured("shunt_fraction")] = None
    haemoglobin_g_per_dl: Annotated[float | None, measured("haemoglobin_g_per_dl")] = None
    restrictor_cmh2o_s2_per_l2: Annotated[float, measured("restrictor_cmh2o_s2_per_l2")] = 0.0
    peep_valve_cmh2o: Annotated[float, measured("peep_valve_cmh2o")] = 0.0
    added_dead_space_ml: Annotated[float, measured("added_dead_space_ml")] = 0.0
    uncertainty: UncertaintyCase = UncertaintyCase()


class ElementCase(Frozen):
    """One resistance: pressure drop = linear Q + quadratic Q|Q|, Q in L/s."""

    linear: Annotated[float, coefficient(HIGHEST_RESISTANCE, "cmH2O·s/L", "linear resistance")]
    quadratic: Annotated[float, coefficient(HIGHEST_RESISTANCE, "cmH2O·s²/L²", "quadratic resistance")] = 0.0


class ValvesCase(Frozen):
    """The one-way valve in each limb, in series with it."""

    cracking_cmh2o: Annotated[float, coefficient(50.0, "cmH2O", "drop along the limb at which it opens")]
    linear: Annotated[float, coefficient(HIGHEST_RESISTANCE, "cmH2O·s/L", "resistance of the open valve")]
    back_leak_l_per_s_per_cmh2o: Annotated[
        float, coefficient(10.0, "L/s/cmH2O", "leak through the shut valve per cmH2O pushed backwards")
    ] = 0.0


def _valves_tag(value: Any) -> str:
    return "(none)" if isinstance(value, str) else "(valves)"


class CircuitCase(Frozen):
    """A circuit as numbers. ``splitter_…`` counts once on each side, ``wye_…`` at each patient.

    It has no dead space of its own: ``added_dead_space_ml`` of a patient says what lies beyond the wye.
    """

    inspiratory_trunk: ElementCase
    expiratory_trunk: ElementCase
    inspiratory_limb: ElementCase
    expiratory_limb: ElementCase
    splitter_compliance_ml_per_cmh2o: Annotated[
        float,
        coefficient(HIGHEST_CIRCUIT_COMPLIANCE, "mL/cmH2O", "compliance of one splitter, against the room"),
    ]
    wye_compliance_ml_per_cmh2o: Annotated[
        float,
        coefficient(HIGHEST_CIRCUIT_COMPLIANCE, "mL/cmH2O", "compliance at each patient's wye, against the room"),
    ]
    valves: Annotated[
        Annotated[Literal["none"], Tag("(none)")] | Annotated[ValvesCase, Tag("(valves)")],
        Discriminator(_valves_tag),
    ]


class SettingsCase(Frozen):
    """What is dialled. ``pc`` needs ``pressure_above_peep_cmh2o``, ``vc`` needs ``tidal_volume_ml``.

    ``tidal_volume_ml`` is what the machine delivers a breath in all. ``inspiratory_time_s`` contains
    ``pause_s``; ``expiratory_pause_s`` lies at the end of the breath. ``pressure_limit_cmh2o`` is absolute.
    """

    mode: Literal["pc", "vc"]
    rate_per_min: Annotated[float, measured("rate_per_min")]
    inspiratory_time_s: Annotated[float, measured("inspiratory_time_s")]
    peep_cmh2o: Annotated[float, measured("peep_cmh2o")]
    fio2: Annotated[float | None, measured("fio2")] = None
    pressure_above_peep_cmh2o: Annotated[float | None, measured("pressure_above_peep_cmh2o")] = None
    rise_time_s: Annotated[float | None, measured("rise_time_s")] = None
    tidal_volume_ml: Annotated[float | None, measured("delivered_tidal_volume_ml")] = None
    flow_shape: Literal["constant", "decelerating"] | None = None
    pause_s: Annotated[float | None, measured("pause_s")] = None
    expiratory_pause_s: Annotated[float | None, measured("expiratory_pause_s")] = None
    circuit_compensation: Literal["on", "off"] | None = None
    pressure_limit_cmh2o: Annotated[float | None, measured("pressure_limit_cmh2o")] = None
    bias_flow_l_per_min: Annotated[float | None, measured("bias_flow_l_per_min")] = None
    max_peak_flow_l_per_min: Annotated[float | None, measured("max_peak_flow_l_per_min")] = None


def _circuit_tag(value: Any) -> str:
    return "(name)" if isinstance(value, str) else "(numbers)"


class Case(Frozen):
    """One group on one ventilator. ``circuit``: ``ideal``, ``standard``, or numbers.

    ``structural_uncertainty`` false leaves out the spread that gas exchange always carries. ``alarms`` are the limits
    as dialled and ``alarm_conditions`` how this machine's alarms differ from a generic one's: for ``airyoke faults``,
    which takes the plan's rule where there are none.
    """

    schema_: Annotated[Literal["airyoke/case/1"] | None, Field(alias="schema")] = None
    patients: Annotated[list[PatientCase], Field(min_length=1, max_length=MAX_PATIENTS)]
    circuit: Annotated[
        Annotated[Literal["ideal", "standard"], Tag("(name)")] | Annotated[CircuitCase, Tag("(numbers)")],
        Discriminator(_circuit_tag),
    ]
    settings: SettingsCase
    structural_uncertainty: bool = True
    alarms: Annotated[list[AlarmCase] | None, Field(max_length=8)] = None
    alarm_conditions: Annotated[list[AlarmConditionCase], Field(max_length=16, default_factory=list)]

    def to_domain(self, notes: tuple[Finding, ...] = ()) -> DomainCase:
        """The case as the engine takes it, with the defaults taken listed; ``notes`` are carried along."""
        from airyoke.contract.case_domain import domain_of

        return domain_of(self, notes)


def read_case(text: str, file: str | None = None) -> Case:
    """The case in ``text`` (JSON). ``file`` is only for the words of a finding.

    Raises :class:`airyoke.quantities.Refused` with a finding for everything that is wrong: not JSON, an
    unknown field, a value outside what is possible, settings that contradict each other. Values that are only
    unusual are taken as written; :func:`airyoke.contract.case_findings.unusual` lists them.
    """
    from airyoke.contract.case_findings import checked_case

    return checked_case(text, file)
