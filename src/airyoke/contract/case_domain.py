"""From a case as written to what the engine takes: lungs with spreads, a build, settings, defaults taken."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final

from airyoke.breath.settings import Settings
from airyoke.circuit import (
    Build,
    Element,
    FlowNetwork,
    Limb,
    Trim,
    Valve,
    ideal_build,
    standard_build,
    trimmed,
)
from airyoke.contract.case import (
    Case,
    CircuitCase,
    ElementCase,
    PatientCase,
    SettingsCase,
    SpreadCase,
    ValvesCase,
)
from airyoke.contract.case_alarms import alarm_limits_of, alarm_system_of_case
from airyoke.limits.answer import Assumed
from airyoke.lungs.assumptions import Assumptions
from airyoke.lungs.patient import Lungs, Patient
from airyoke.lungs.size import predicted_body_weight_kg
from airyoke.plan.alarm_system import AlarmSystem, Key
from airyoke.quantities import Estimate, Finding, Spread, quantity

_A: Final = Assumptions()

# Resting adults; from memory. A reading of the patient is always better.
DEFAULT_RESISTANCE_CMH2O_S_PER_L: Final = 12.0
DEFAULT_VCO2_ML_PER_MIN: Final = 200.0
DEFAULT_VCO2_RELATIVE_SD: Final = 0.15
DEFAULT_BICARBONATE_MMOL_PER_L: Final = 24.0
ROOM_AIR: Final = 0.21

MEMORY: Final = "from memory, low confidence"
JUDGEMENT: Final = "judgement, no source"
AS_WRITTEN: Final = "as written in the case"


@dataclass(frozen=True, slots=True)
class DomainCase:
    """A case as the engine takes it. ``assumed``: every default of ours; ``findings``: notes, none blocks.

    ``bare_build`` is the circuit without ``trims`` (one a patient), ``build`` the one with them. ``alarms``: limits as
    dialled, ``None`` where none are written.
    """

    patients: tuple[Patient, ...]
    bare_build: Build
    trims: tuple[Trim, ...]
    settings: Settings
    structural: bool
    assumed: tuple[Assumed, ...]
    findings: tuple[Finding, ...]
    alarms: Mapping[Key, float] | None = None
    alarm_system: AlarmSystem = field(default_factory=AlarmSystem)

    @property
    def build(self) -> Build:
        """What the patients breathe through."""
        return trimmed(self.bare_build, self.trims)


def domain_of(case: Case, notes: tuple[Finding, ...] = ()) -> DomainCase:
    """Lungs, build and settings of a case. Nothing of it can fail once the case was read."""
    assumed: list[Assumed] = []
    structural = case.structural_uncertainty
    patients = tuple(_patient(one, structural, assumed) for one in case.patients)
    settings = _settings(case.settings, assumed)
    if any(one.lungs.shunt is not None for one in patients):
        difference, pressure = _A.arteriovenous_difference_ml_per_dl, _A.barometric_pressure_mmhg
        assumed.append(_assumed(None, "arteriovenous_difference_ml_per_dl", difference, JUDGEMENT))
        assumed.append(_assumed(None, "barometric_pressure_mmhg", pressure, "sea level"))
    return DomainCase(
        patients, _build(case), _trims(case), settings, structural, tuple(assumed), notes,
        alarm_limits_of(case.alarms), alarm_system_of_case(case.alarm_conditions),
    )  # fmt: skip


def _assumed(label: str | None, field: str, value: float | str, source: str, why: str = "not given") -> Assumed:
    unit = "" if isinstance(value, str) else quantity(field).unit
    return Assumed(label, field, value, unit, why, source)


def _settings(one: SettingsCase, assumed: list[Assumed]) -> Settings:
    defaults: dict[str, float | str] = {"fio2": ROOM_AIR}
    defaults |= {"rise_time_s": 0.0} if one.mode == "pc" else {"flow_shape": "constant", "pause_s": 0.0}
    defaults["circuit_compensation"] = "off"
    for name, value in defaults.items():
        if getattr(one, name) is None:
            source = "room air" if name == "fio2" else "default of the contract"
            assumed.append(_assumed(None, name, value, source))
    return Settings(
        mode=one.mode,
        rate_per_min=one.rate_per_min,
        inspiratory_time_s=one.inspiratory_time_s,
        peep_cmh2o=one.peep_cmh2o,
        fio2=ROOM_AIR if one.fio2 is None else one.fio2,
        pressure_above_peep_cmh2o=one.pressure_above_peep_cmh2o,
        rise_time_s=one.rise_time_s or 0.0,
        tidal_volume_ml=one.tidal_volume_ml,
        flow_shape=one.flow_shape or "constant",
        pause_s=one.pause_s or 0.0,
        expiratory_pause_s=one.expiratory_pause_s or 0.0,
        circuit_compensation=one.circuit_compensation or "off",
        pressure_limit_cmh2o=one.pressure_limit_cmh2o,
        bias_flow_l_per_min=one.bias_flow_l_per_min or 0.0,
        max_peak_flow_l_per_min=one.max_peak_flow_l_per_min,
    )


def _spread(spread: SpreadCase, key: str, value: float) -> Spread:
    """Log-normal with the value as median; fractions normal, clipped to 0-1; about 0 normal, never below."""
    if key.endswith("_fraction"):
        sd = spread.sd if spread.sd is not None else (spread.relative_sd or 0.0) * value
        return Spread.absolute(sd, 0.0, 1.0)
    if spread.relative_sd is not None:
        return Spread.relative(spread.relative_sd)
    sd = spread.sd or 0.0
    return Spread.relative(sd / value) if value > 0.0 else Spread.absolute(sd, low=0.0)


class _Lungs:
    """Collects the estimates of one patient; each default goes into ``assumed`` as it is taken."""

    def __init__(self, case: PatientCase, structural: bool, assumed: list[Assumed]) -> None:
        self._case, self._structural, self._assumed = case, structural, assumed

    def typed(self, key: str, structural: Spread | None = None) -> Estimate | None:
        """The value with the spread named for it, else the structural one; ``None`` = not given."""
        value: float | None = getattr(self._case, key)
        if value is None:
            return None
        return Estimate(key, value, self._spread_of(key, value, structural), AS_WRITTEN)

    def default(self, key: str, value: float, why: str, source: str, structural: Spread | None = None) -> Estimate:
        """A default of ours, listed."""
        self._assumed.append(_assumed(self._case.label, key, value, source, why))
        spread = self._spread_of(key, value, structural)
        return Estimate(key, value, spread, f"{why}; {source}", assumed=True)

    def _spread_of(self, key: str, value: float, structural: Spread | None) -> Spread:
        named: SpreadCase | None = getattr(self._case.uncertainty, key)
        if named is not None:
            return _spread(named, key, value)
        return structural if structural is not None and self._structural else Spread.none()


def _patient(case: PatientCase, structural: bool, assumed: list[Assumed]) -> Patient:
    lungs = _Lungs(case, structural, assumed)
    compliance = Estimate("compliance_ml_per_cmh2o", case.compliance_ml_per_cmh2o, Spread.none(), AS_WRITTEN)
    named = case.uncertainty.compliance_ml_per_cmh2o
    if named is not None:
        compliance = replace(compliance, spread=_spread(named, compliance.quantity, compliance.value))
    resistance_in = lungs.typed("inspiratory_resistance_cmh2o_s_per_l") or lungs.default(
        "inspiratory_resistance_cmh2o_s_per_l",
        DEFAULT_RESISTANCE_CMH2O_S_PER_L,
        "not given: injured lungs with an 8 mm tube",
        MEMORY,
    )
    resistance_out = lungs.typed("expiratory_resistance_cmh2o_s_per_l") or lungs.default(
        "expiratory_resistance_cmh2o_s_per_l", resistance_in.value, "not given: as on the way in", JUDGEMENT
    )
    quadratic = lungs.typed("quadratic_resistance_cmh2o_s2_per_l2") or lungs.default(
        "quadratic_resistance_cmh2o_s2_per_l2", 0.0, "not given: it is part of the linear one", "definition"
    )
    return Patient(
        label=case.label,
        lungs=Lungs(
            compliance=compliance,
            inspiratory_resistance=resistance_in,
            expiratory_resistance=resistance_out,
            quadratic_resistance=quadratic,
            airway_dead_space=_airway_dead_space(case, lungs),
            alveolar_dead_space_fraction=lungs.typed("alveolar_dead_space_fraction")
            or lungs.default(
                "alveolar_dead_space_fraction",
                _A.alveolar_dead_space_fraction,
                "not given",
                JUDGEMENT,
                Spread.absolute(_A.alveolar_dead_space_sd, 0.0, 1.0),
            ),
            vco2=lungs.typed("vco2_ml_per_min", Spread.relative(_A.vco2_relative_sd))
            or lungs.default(
                "vco2_ml_per_min",
                DEFAULT_VCO2_ML_PER_MIN,
                "not given: resting adult",
                MEMORY,
                Spread.relative(DEFAULT_VCO2_RELATIVE_SD),
            ),
            bicarbonate=lungs.typed("bicarbonate_mmol_per_l")
            or lungs.default(
                "bicarbonate_mmol_per_l",
                DEFAULT_BICARBONATE_MMOL_PER_L,
                "not given: normal value",
                "textbook",
            ),
            shunt=lungs.typed("shunt_fraction", Spread.absolute(_A.shunt_sd, 0.0, 1.0)),
            haemoglobin=lungs.typed("haemoglobin_g_per_dl")
            or lungs.default(
                "haemoglobin_g_per_dl",
                _A.haemoglobin_g_per_dl,
                "not given: usual in intensive care",
                MEMORY,
                Spread.relative(_A.haemoglobin_relative_sd),
            ),
        ),
        sex=case.sex,
        height_cm=case.height_cm,
    )


def _airway_dead_space(case: PatientCase, lungs: _Lungs) -> Estimate | None:
    structural = Spread.relative(_A.airway_dead_space_relative_sd)
    typed = lungs.typed("airway_dead_space_ml", structural)
    if typed is not None or case.sex is None or case.height_cm is None:
        return typed
    weight = predicted_body_weight_kg(case.sex, case.height_cm)
    why = f"not given: {_A.airway_dead_space_ml_per_kg:g} mL per kg predicted body weight"
    value = round(_A.airway_dead_space_ml_per_kg * weight, 1)
    return lungs.default("airway_dead_space_ml", value, why, MEMORY, structural)


def _build(case: Case) -> Build:
    number = len(case.patients)
    if isinstance(case.circuit, CircuitCase):
        return _custom_build(case.circuit, number)
    return ideal_build(number) if case.circuit == "ideal" else standard_build(number)


def _trims(case: Case) -> tuple[Trim, ...]:
    return tuple(
        Trim(one.restrictor_cmh2o_s2_per_l2, one.peep_valve_cmh2o, added_dead_space_ml=one.added_dead_space_ml)
        for one in case.patients
    )


def _custom_build(circuit: CircuitCase, number: int) -> Build:
    """The circuit as numbers: exactly what is written, without a spread of its own."""
    valve = None
    if isinstance(circuit.valves, ValvesCase):
        v = circuit.valves
        valve = Valve(v.cracking_cmh2o, v.linear, v.back_leak_l_per_s_per_cmh2o)
    limb = Limb(
        inspiratory=_element(circuit.inspiratory_limb),
        expiratory=_element(circuit.expiratory_limb),
        inspiratory_valve=valve,
        expiratory_valve=valve,
        wye_compliance_ml_per_cmh2o=circuit.wye_compliance_ml_per_cmh2o,
    )
    network = FlowNetwork(
        _element(circuit.inspiratory_trunk),
        _element(circuit.expiratory_trunk),
        circuit.splitter_compliance_ml_per_cmh2o,
        (limb,) * number,
    )
    return Build("custom", (), network, 0.0, 0.0, "numbers written in the case")


def _element(one: ElementCase) -> Element:
    return Element(one.linear, one.quadratic)
