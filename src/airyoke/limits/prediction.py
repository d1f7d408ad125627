"""What each patient of a group gets at given settings, as draws, and how that stands against the limits.

The engine gives mechanics, the lungs give the gases; every draw of a patient that was read on its own ventilator is
first made to reproduce that present state, so that errors common to before and after cancel.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from airyoke.breath.engine import FINE, Accuracy, Breath, LungMechanics, PackedNetworks, pack, settle
from airyoke.breath.packing import pack_drawn
from airyoke.breath.settings import Settings
from airyoke.circuit.builds import Build
from airyoke.circuit.network import FlowNetwork
from airyoke.limits.margins import Judged, judge
from airyoke.limits.policy import Policy
from airyoke.lungs import gas_exchange
from airyoke.lungs.assumptions import Assumptions
from airyoke.lungs.closed_forms import drive_fractions
from airyoke.lungs.patient import Patient
from airyoke.lungs.power import power_becher_simple_j_per_min, power_gattinoni_simple_j_per_min
from airyoke.lungs.sampling import PatientDraws, sample_patient
from airyoke.lungs.size import predicted_body_weight_kg
from airyoke.quantities.draws import normal_draws

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class SampledGroup:
    """A group on its build, drawn once and judged at many settings. Row 0 is the best estimate."""

    patients: tuple[Patient, ...]
    build: Build
    draws: int
    seed: int
    lungs: LungMechanics  # (draws + 1, patients)
    networks: PackedNetworks  # one a draw, or one for all
    network_of: Integers  # (draws + 1,)
    dead_space_ml: Floats  # (patients,) of the build, between wye and tube
    body_weight_kg: Floats  # (patients,) predicted; NaN where not known
    columns: tuple[PatientDraws, ...]
    shunt_fraction: Floats  # (draws + 1, patients), anchored to the present PaO2 where there is one
    present: PresentState
    assumptions: Assumptions


@dataclass(frozen=True, slots=True)
class PresentState:
    """What the draws are anchored to; arrays (draws + 1, patients), NaN where a patient was typed, not read."""

    total_peep_cmh2o: Floats
    fio2: Floats


@dataclass(frozen=True, slots=True)
class GroupOutcome:
    """What the patients get in each row (a draw at one of the settings); arrays (rows, patients), NaN = not known."""

    breath: Breath
    settings: tuple[Settings, ...]
    settings_of: Integers  # (rows,)
    tidal_volume_ml_per_kg: Floats
    minute_volume_l_per_min: Floats
    intrinsic_peep_cmh2o: Floats
    total_peep_rise_cmh2o: Floats
    paco2_mmhg: Floats
    ph: Floats
    spo2_pct: Floats
    mechanical_power_j_per_min: Floats


def sample_group(
    patients: Sequence[Patient],
    build: Build,
    assumptions: Assumptions,
    draws: int,
    seed: int,
    *,
    structural: bool = True,
) -> SampledGroup:
    """Draw the patients and the build of a group. Raises ``ValueError`` where the build serves another number."""
    if build.patients != len(patients):
        raise ValueError(f"a build for {build.patients} cannot serve {len(patients)} patients")
    columns = tuple(sample_patient(p, assumptions, draws, seed, structural=structural) for p in patients)

    def stacked(name: str) -> Floats:
        return np.stack([getattr(one, name) for one in columns], axis=1)

    # What is supposed to have changed since the readings moves the lungs, not what the draws are anchored to.
    resistance = np.array([p.since.resistance for p in patients])
    lungs = LungMechanics(
        stacked("compliance_ml_per_cmh2o") * np.array([p.since.compliance for p in patients]),
        stacked("inspiratory_resistance_cmh2o_s_per_l") * resistance,
        stacked("expiratory_resistance_cmh2o_s_per_l") * resistance,
        stacked("quadratic_resistance_cmh2o_s2_per_l2") * resistance
        + np.array([p.since.narrowing_cmh2o_s2_per_l2 for p in patients]),
    )
    networks, network_of = _build_draws(build, draws, seed)
    weight = [
        np.nan if p.sex is None or p.height_cm is None else predicted_body_weight_kg(p.sex, p.height_cm)
        for p in patients
    ]
    return SampledGroup(
        patients=tuple(patients),
        build=build,
        draws=draws,
        seed=seed,
        lungs=lungs,
        networks=networks,
        network_of=network_of,
        dead_space_ml=np.array([limb.dead_space_ml for limb in build.network.limbs]),
        body_weight_kg=np.array(weight),
        columns=columns,
        shunt_fraction=np.stack([_shunt(p, c, assumptions) for p, c in zip(patients, columns, strict=True)], axis=1),
        present=_present_state(patients, columns),
        assumptions=assumptions,
    )


def on_build(group: SampledGroup, build: Build) -> SampledGroup:
    """The same draws of the same patients on another build. Raises ``ValueError`` where it serves another number."""
    if build.patients != len(group.patients):
        raise ValueError(f"a build for {build.patients} cannot serve {len(group.patients)} patients")
    networks, network_of = _build_draws(build, group.draws, group.seed)
    dead_space = np.array([limb.dead_space_ml for limb in build.network.limbs])
    return replace(group, build=build, networks=networks, network_of=network_of, dead_space_ml=dead_space)


@lru_cache(maxsize=32)
def _build_draws(build: Build, draws: int, seed: int) -> tuple[PackedNetworks, Integers]:
    return packed_draws(build, [build.network], draws, seed)


def packed_draws(
    build: Build, networks: Sequence[FlowNetwork], draws: int, seed: int
) -> tuple[PackedNetworks, Integers]:
    """Each network as it is and then once for each draw of the build's unmeasured resistances and compliances (one
    shared cause each), and the row of each, (networks x (draws + 1),); itself alone where its data have no spread."""
    if draws == 0 or (build.resistance_relative_sd == 0.0 and build.compliance_relative_sd == 0.0):
        return pack(networks), np.repeat(np.arange(len(networks)), draws + 1)
    compliance = np.ones(draws + 1)
    compliance[1:] = np.exp(build.compliance_relative_sd * normal_draws("build", 1, draws, seed))
    packed = pack_drawn(networks, build_resistance_factor(build, draws, seed), compliance)
    return packed, np.arange(len(networks) * (draws + 1))


def drawn_networks(build: Build, draws: int, seed: int) -> list[FlowNetwork]:
    """The network of a build and one for each draw of its data; the first alone where its data have no spread."""
    if draws == 0 or (build.resistance_relative_sd == 0.0 and build.compliance_relative_sd == 0.0):
        return [build.network]
    resistance = build_resistance_factor(build, draws, seed)
    compliance = np.exp(build.compliance_relative_sd * normal_draws("build", 1, draws, seed))
    drawn = [build.network.scaled(float(r), float(c)) for r, c in zip(resistance[1:], compliance, strict=True)]
    return [build.network, *drawn]


def build_resistance_factor(build: Build, draws: int, seed: int) -> Floats:
    """What the draws multiply every resistance of the build by, (draws + 1,); 1 in row 0, the best estimate."""
    factor = np.ones(draws + 1)
    factor[1:] = np.exp(build.resistance_relative_sd * normal_draws("build", 0, draws, seed))
    return factor


def _shunt(patient: Patient, columns: PatientDraws, assumptions: Assumptions) -> Floats:
    """Each draw's shunt: the one that gives back the present PaO2 with its own blood, moved by its own error."""
    now, estimate = patient.present, patient.lungs.shunt
    if now is None or estimate is None:
        return columns.shunt_fraction
    po2 = gas_exchange.present_arterial_po2_mmhg(now)
    if po2 is None:
        return columns.shunt_fraction
    return np.asarray(
        gas_exchange.shunt_calibrated(
            present_pao2_mmhg=po2,
            fio2=now.fio2,
            paco2_mmhg=gas_exchange.ASSUMED_PACO2_MMHG if now.paco2_mmhg is None else now.paco2_mmhg,
            ph=gas_exchange.ASSUMED_PH if now.ph is None else now.ph,
            haemoglobin_g_per_dl=columns.haemoglobin_g_per_dl,
            arteriovenous_difference_ml_per_dl=columns.arteriovenous_difference_ml_per_dl,
            offset=columns.shunt_fraction - estimate.value,
            barometric_pressure_mmhg=assumptions.barometric_pressure_mmhg,
        )
    )


def _present_state(patients: Sequence[Patient], columns: Sequence[PatientDraws]) -> PresentState:
    rows = columns[0].compliance_ml_per_cmh2o.shape[0]
    total, fio2 = (np.full((rows, len(patients)), np.nan) for _ in range(2))
    for i, (patient, c) in enumerate(zip(patients, columns, strict=True)):
        now = patient.present
        if now is None:
            continue
        fio2[:, i] = now.fio2
        # Only the trapped part varies with the draw: set PEEP is known, and the error of one reading cancels.
        fractions = drive_fractions(
            c.compliance_ml_per_cmh2o, c.inspiratory_resistance_cmh2o_s_per_l,
            c.expiratory_resistance_cmh2o_s_per_l, now.rate_per_min, now.inspiratory_time_s,
        )  # fmt: skip
        driving = now.tidal_volume_ml / c.compliance_ml_per_cmh2o
        trapped = driving * fractions.trapped / fractions.tidal
        total[:, i] = c.present_total_peep_cmh2o
        if not now.total_peep.assumed:
            total[:, i] += trapped - trapped[0]
    return PresentState(total, fio2)


def predict(
    group: SampledGroup,
    settings: Sequence[Settings],
    *,
    rows: Integers | None = None,
    settings_of: Integers | None = None,
    lungs: LungMechanics | None = None,
    holds: bool = False,
    accuracy: Accuracy = FINE,
) -> GroupOutcome:
    """What the patients get. ``rows`` are draws of the group (0 = best estimate), ``settings_of`` the settings of each
    row; by default every draw at the first settings. ``lungs``, one row each, replaces the mechanics of those draws
    (what if they changed?); everything else of the draws stays."""
    rows = np.arange(group.draws + 1) if rows is None else rows
    settings_of = np.zeros(len(rows), np.int64) if settings_of is None else settings_of
    breath = settle(
        group.networks,
        settings,
        group.lungs.rows(rows) if lungs is None else lungs,
        network_of=group.network_of[rows],
        settings_of=settings_of,
        holds=holds,
        accuracy=accuracy,
    )
    return outcome_of(group, settings, breath, rows=rows, settings_of=settings_of)


def outcome_of(
    group: SampledGroup, settings: Sequence[Settings], breath: Breath, *, rows: Integers, settings_of: Integers
) -> GroupOutcome:
    """What a breath means for the patients: volume per kg, gases, work; terms as in :func:`predict`."""
    rate = np.array([s.rate_per_min for s in settings])[settings_of, None]
    peep = np.array([s.peep_cmh2o for s in settings])[settings_of, None]
    fio2 = np.array([s.fio2 for s in settings])[settings_of, None]
    own_valve = np.array([limb.peep_valve_cmh2o for limb in group.build.network.limbs])
    paco2, ph, spo2 = _gases(group, breath.tidal_volume_ml, rate, fio2, rows)
    in_pressure_control = np.array([s.mode == "pc" for s in settings])[settings_of, None]
    # For one patient behind a shared circuit the pressure that does the work is the one at its own wye.
    power = np.where(
        in_pressure_control,
        power_becher_simple_j_per_min(rate, breath.tidal_volume_ml, breath.peak_pressure_cmh2o - peep, peep),
        power_gattinoni_simple_j_per_min(
            rate, breath.tidal_volume_ml, breath.peak_pressure_cmh2o, breath.plateau_cmh2o, breath.total_peep_cmh2o
        ),
    )
    return GroupOutcome(
        breath=breath,
        settings=tuple(settings),
        settings_of=settings_of,
        tidal_volume_ml_per_kg=breath.tidal_volume_ml / group.body_weight_kg,
        minute_volume_l_per_min=breath.tidal_volume_ml * rate / 1000.0,
        intrinsic_peep_cmh2o=breath.total_peep_cmh2o - peep - own_valve,
        total_peep_rise_cmh2o=breath.total_peep_cmh2o - group.present.total_peep_cmh2o[rows],
        paco2_mmhg=paco2,
        ph=ph,
        spo2_pct=spo2,
        mechanical_power_j_per_min=power,
    )


def carbon_dioxide(
    group: SampledGroup, member: int, tidal_volume_ml: Floats, rate_per_min: Floats, rows: Integers | slice
) -> tuple[Floats, Floats]:
    """PaCO2 and pH of one patient at these volumes; the last axis of ``tidal_volume_ml`` is ``rows`` of the draws.

    NaN where neither a present PaCO2 nor a CO2 output is known, or no dead space.
    """
    c, a = group.columns[member], group.assumptions
    patient = group.patients[member]
    now, vco2_factor = patient.present, patient.since.vco2
    present_paco2 = None if now is None else now.paco2_mmhg
    if now is not None and present_paco2 is not None:
        paco2 = gas_exchange.paco2_calibrated_mmhg(
            present_paco2_mmhg=present_paco2,
            present_tidal_volume_ml=now.tidal_volume_ml,
            present_rate_per_min=now.rate_per_min,
            present_apparatus_dead_space_ml=now.apparatus_dead_space_ml,
            tidal_volume_ml=tidal_volume_ml,
            rate_per_min=rate_per_min,
            apparatus_dead_space_ml=group.dead_space_ml[member],
            airway_dead_space_ml=c.airway_dead_space_ml[rows],
            vco2_factor=vco2_factor,
            paco2_sd_mmhg=a.paco2_sd_mmhg,
            change_sd_fraction=a.paco2_change_sd_fraction,
            z=c.paco2_error[rows],
        )
    else:
        paco2 = gas_exchange.paco2_typed_mmhg(
            vco2_ml_per_min=c.vco2_ml_per_min[rows] * vco2_factor,
            tidal_volume_ml=tidal_volume_ml,
            rate_per_min=rate_per_min,
            airway_dead_space_ml=c.airway_dead_space_ml[rows],
            apparatus_dead_space_ml=group.dead_space_ml[member],
            alveolar_dead_space_fraction=c.alveolar_dead_space_fraction[rows],
            paco2_sd_mmhg=a.paco2_sd_mmhg,
            z=c.paco2_error[rows],
        )
    known = np.isfinite(c.vco2_ml_per_min[0]) or present_paco2 is not None
    if not known or not np.isfinite(c.airway_dead_space_ml[0]):
        paco2 = np.full(np.shape(paco2), np.nan)
    ph = gas_exchange.ph_after_change(
        c.bicarbonate_mmol_per_l[rows], paco2, None if now is None else now.paco2_mmhg
    )
    return np.asarray(paco2), np.asarray(ph)


def _gases(
    group: SampledGroup, tidal_volume_ml: Floats, rate: Floats, fio2: Floats, rows: Integers
) -> tuple[Floats, Floats, Floats]:
    paco2, ph, spo2 = (np.full(tidal_volume_ml.shape, np.nan) for _ in range(3))
    a = group.assumptions
    for i, c in enumerate(group.columns):
        paco2[:, i], ph[:, i] = carbon_dioxide(group, i, tidal_volume_ml[:, i], rate[:, 0], rows)
        spo2[:, i] = gas_exchange.spo2_predicted_pct(
            shunt_fraction=group.shunt_fraction[rows, i],
            fio2=fio2[:, 0],
            paco2_mmhg=paco2[:, i],
            ph=ph[:, i],
            haemoglobin_g_per_dl=c.haemoglobin_g_per_dl[rows],
            arteriovenous_difference_ml_per_dl=c.arteriovenous_difference_ml_per_dl[rows],
            barometric_pressure_mmhg=a.barometric_pressure_mmhg,
        )
    return paco2, ph, spo2


def spo2_by_fio2(group: SampledGroup, outcome: GroupOutcome, fio2: Floats) -> Floats:
    """SpO2 at best estimate if the same breath carried each of these oxygen fractions, (len(fio2), patients).

    ``outcome`` has the best estimate as its first row. FiO2 changes no mechanics and no CO2: nothing is breathed again.
    """
    spo2 = np.full((len(fio2), len(group.patients)), np.nan)
    for i, c in enumerate(group.columns):
        spo2[:, i] = gas_exchange.spo2_predicted_pct(
            shunt_fraction=group.shunt_fraction[0, i],
            fio2=fio2,
            paco2_mmhg=outcome.paco2_mmhg[0, i],
            ph=outcome.ph[0, i],
            haemoglobin_g_per_dl=c.haemoglobin_g_per_dl[0],
            arteriovenous_difference_ml_per_dl=c.arteriovenous_difference_ml_per_dl[0],
            barometric_pressure_mmhg=group.assumptions.barometric_pressure_mmhg,
        )
    return spo2


def as_breathed(settings: Settings, patient: Patient, build: Build) -> Settings:
    """Present settings as this model must breathe them, so that the patient gets what was read.

    What was read in volume control is the exhaled volume, not what was dialled. The volume delivered into the model
    is therefore the patient's own, and what its circuit swallows between set PEEP and plateau; other settings stay.
    """
    now = patient.present
    if settings.mode != "vc" or now is None:
        return settings
    trapped = now.total_peep.value - now.set_peep_cmh2o
    swing = now.tidal_volume_ml / patient.lungs.compliance.value + trapped
    swallowed = build.network.compliance_ml_per_cmh2o * swing
    return replace(settings, tidal_volume_ml=now.tidal_volume_ml + swallowed, circuit_compensation="off")


# Which outcome each limit on a patient is compared with.
def _values(outcome: GroupOutcome, name: str) -> Floats:
    values: dict[str, Floats] = {
        "tidal_volume_ml_per_kg": outcome.tidal_volume_ml_per_kg,
        "driving_pressure_cmh2o": outcome.breath.driving_pressure_cmh2o,
        "plateau_cmh2o": outcome.breath.plateau_cmh2o,
        "ph": outcome.ph,
        "trapped_peep_cmh2o": outcome.intrinsic_peep_cmh2o,
        "total_peep_fall_cmh2o": -outcome.total_peep_rise_cmh2o,
        "total_peep_rise_cmh2o": outcome.total_peep_rise_cmh2o,
        "spo2_pct": outcome.spo2_pct,
    }
    return values[name]


def judge_group(group: SampledGroup, outcome: GroupOutcome, policy: Policy) -> list[Judged]:
    """Every limit that can be judged, for every patient; limits on a patient whose value is not known are left out."""
    judged: list[Judged] = []
    rows = outcome.settings_of.shape[0]
    for limit in policy.limits:
        if limit.scope == "patient":
            values = _values(outcome, limit.name)
            for i in range(len(group.patients)):
                if np.isfinite(values[0, i]):
                    judged.append(judge(limit, i, values[:, i]))
        elif limit.scope == "shared" and limit.name == "fio2":
            fio2 = np.array([s.fio2 for s in outcome.settings])[outcome.settings_of]
            judged.append(judge(limit, None, fio2))
        elif limit.scope == "pair" and limit.name == "fio2_spread":
            needs = group.present.fio2[0]
            if len(needs) > 1 and np.isfinite(needs).all():
                judged.append(judge(limit, None, np.full(rows, float(needs.max() - needs.min()))))
    return judged
