"""What if: one thing is changed on a running group, and everybody is predicted again on the same draws.

``apply`` turns a coupling into a changed copy; ``what_if`` predicts both. Draws belong to the patient and the build by
name, so that before and after differ by the change and not by luck.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

from airyoke.breath.displayed import displayed_volume_ml
from airyoke.breath.settings import Settings
from airyoke.circuit import NO_TRIM, Limb, Trim, standard_build, without_limb
from airyoke.circuit.builds import MAX_PATIENTS
from airyoke.circuit.flow_laws import orifice_quadratic_cmh2o_s2_per_l2
from airyoke.circuit.network import Element
from airyoke.circuit.parts import PARTS
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import predict, sample_group
from airyoke.lungs.patient import Patient
from airyoke.plan.coupling import Coupling
from airyoke.quantities import Finding, Refused, did_you_mean, quantity

Kind = Literal[
    "drive", "peep", "peep_absolute", "rate", "inspiratory_time", "inspiratory_to_expiratory", "fio2", "tidal_volume",
    "settings", "volume_control", "trigger",
    "compliance", "resistance", "narrowed", "blocked", "fever",
    "out", "swap", "add",
    "heated", "restrictor", "peep_valve", "dead_space",
]  # fmt: skip

# CO2 production per degree: PMC9525762 (a review); 10 to 13 % is usual too (from memory).
FEVER_VCO2_PER_DEGREE: Final = 0.14
# What the tube of a blocked patient still lets through is nothing: this many times any tube.
BLOCKED_CMH2O_S2_PER_L2: Final = 1e9
LIMB_BORE_MM: Final = 22.0
EXCHANGER: Final = PARTS["hmef"]


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that is changed.

    kind
        What is changed. ``peep`` keeps the drive, ``peep_absolute`` the inspiratory pressure. ``volume_control``: the
        mode by mistake, at the volume that the ventilator displays now. ``trigger``: somebody triggers, and everybody
        is breathed at that rate. ``narrowed``: the tube as if by a hole of ``amount`` mm; ``restrictor`` likewise, in
        the limb in (``None``: taken off). ``fever``: degrees more. ``heated``: a heated humidifier instead of the heat
        and moisture exchanger.
    whose
        Label of the patient, ``None`` for everybody.
    amount, relative
        The new value in the unit of the quantity; with ``relative`` it is added to what is set or, for lungs,
        multiplies what was read.
    patient, settings
        The patient that comes in, the settings that replace all.
    """

    kind: Kind
    whose: str | None = None
    amount: float | None = None
    relative: bool = False
    patient: Patient | None = None
    settings: Settings | None = None


def apply(coupling: Coupling, change: Change) -> Coupling:
    """The coupling with that change. Raises ``Refused`` where it cannot be made, with what to do instead."""
    changed = _APPLY[change.kind](coupling, change)
    _check_settings(changed.settings)
    return changed


def apply_all(coupling: Coupling, changes: Sequence[Change]) -> Coupling:
    """The coupling with all changes, one after the other."""
    for change in changes:
        coupling = apply(coupling, change)
    return coupling


def index_of(coupling: Coupling, label: str | None) -> int:
    """Number of the patient with that label. Raises ``Refused`` where there is none."""
    labels = coupling.labels
    if label in labels:
        return labels.index(label)
    near = did_you_mean(label or "", labels)
    remedy = f"did you mean {near}?" if near else f"the patients are {', '.join(labels)}"
    raise _refused("change-patient", f"there is no patient {label}", remedy)


def _amount(change: Change) -> float:
    if change.amount is None:
        raise _refused("change-amount", f"a change of {change.kind.replace('_', ' ')} needs a number", "add it")
    return change.amount


def _dial(name: str) -> Callable[[Coupling, Change], Coupling]:
    def turned(coupling: Coupling, change: Change) -> Coupling:
        now: float | None = getattr(coupling.settings, name)
        if now is None:
            other = "volume" if coupling.settings.mode == "vc" else "pressure"
            words = quantity(name).meaning
            raise _refused("change-mode", f"{other} control has no {words}", "change what is dialled in this mode")
        amount = _amount(change)
        value: dict[str, Any] = {name: round(now + amount, 9) if change.relative else amount}
        return replace(coupling, settings=replace(coupling.settings, **value))

    return turned


def _peep_absolute(coupling: Coupling, change: Change) -> Coupling:
    """PEEP moves and the inspiratory pressure stays: the drive gives way."""
    before = coupling.settings
    changed = _dial("peep_cmh2o")(coupling, change)
    if before.pressure_above_peep_cmh2o is None:
        return changed
    drive = before.pressure_above_peep_cmh2o - (changed.settings.peep_cmh2o - before.peep_cmh2o)
    return replace(changed, settings=replace(changed.settings, pressure_above_peep_cmh2o=round(drive, 9)))


def _inspiratory_to_expiratory(coupling: Coupling, change: Change) -> Coupling:
    ratio = _amount(change)
    if not 0.1 <= ratio <= 4.0:
        raise _refused("change-ratio", f"inspiration lasts {ratio:g} of expiration", "write I:E within 4:1 and 1:10")
    settings = coupling.settings
    time = round(settings.period_s * ratio / (1.0 + ratio), 4)
    return replace(coupling, settings=replace(settings, inspiratory_time_s=time))


def _settings(coupling: Coupling, change: Change) -> Coupling:
    if change.settings is None:
        raise _refused("change-settings", "no settings are given", "give them")
    return replace(coupling, settings=change.settings)


def _volume_control(coupling: Coupling, change: Change) -> Coupling:
    """Somebody turns to volume control: the ventilator goes on with the volume that it displays, in the same time."""
    settings = coupling.settings
    if settings.mode == "vc":
        raise _refused("change-mode", "the mode is volume control already", "leave the change out")
    group = sample_group(coupling.patients, coupling.fitted, Policy().assumptions, 0, 0)
    breath = predict(group, [settings]).breath
    circuit = coupling.fitted.network.compliance_ml_per_cmh2o
    displayed = float(displayed_volume_ml(breath.exhaled_ml, breath.ventilator_peak_cmh2o, settings, circuit)[0])
    return replace(
        coupling,
        settings=replace(
            settings, mode="vc", pressure_above_peep_cmh2o=None, rise_time_s=0.0, tidal_volume_ml=round(displayed, 1)
        ),
    )


def _trigger(coupling: Coupling, change: Change) -> Coupling:
    index_of(coupling, change.whose)
    rate = _amount(change)
    if rate <= coupling.settings.rate_per_min:
        reason = f"{rate:g}/min is not above the set rate of {coupling.settings.rate_per_min:g}"
        raise _refused("change-trigger", reason, "give the rate at which breaths are triggered")
    return replace(coupling, settings=replace(coupling.settings, rate_per_min=rate))


def _compliance(coupling: Coupling, change: Change) -> Coupling:
    return _lungs(coupling, change, "compliance")


def _resistance(coupling: Coupling, change: Change) -> Coupling:
    return _lungs(coupling, change, "resistance")


def _lungs(coupling: Coupling, change: Change, name: Literal["compliance", "resistance"]) -> Coupling:
    amount = _amount(change)

    def changed(patient: Patient) -> Patient:
        since = patient.since
        if change.relative:
            factor = amount * (since.compliance if name == "compliance" else since.resistance)
        else:
            lungs = patient.lungs
            read = lungs.compliance if name == "compliance" else lungs.inspiratory_resistance
            factor = amount / read.value
        if not 0.01 <= factor <= 100.0:
            reason = f"{name} of {patient.label} times {factor:.3g}"
            raise _refused("change-lungs", reason, "a change of lungs lies between a hundredth and a hundredfold")
        as_is = replace(since, compliance=factor) if name == "compliance" else replace(since, resistance=factor)
        return replace(patient, since=as_is)

    return _for_patient(coupling, change.whose, changed)


def _narrowed(coupling: Coupling, change: Change) -> Coupling:
    return _tube(coupling, change.whose, _orifice(_amount(change), None))


def _blocked(coupling: Coupling, change: Change) -> Coupling:
    return _tube(coupling, change.whose, BLOCKED_CMH2O_S2_PER_L2)


def _tube(coupling: Coupling, whose: str | None, quadratic: float) -> Coupling:
    def changed(patient: Patient) -> Patient:
        return replace(patient, since=replace(patient.since, narrowing_cmh2o_s2_per_l2=quadratic))

    return _for_patient(coupling, whose, changed)


def _fever(coupling: Coupling, change: Change) -> Coupling:
    factor = 1.0 + FEVER_VCO2_PER_DEGREE * _amount(change)
    if not 0.3 <= factor <= 3.0:
        raise _refused("change-fever", f"a change of {_amount(change):g} °C", "give degrees more or less, such as +1.5")

    def changed(patient: Patient) -> Patient:
        return replace(patient, since=replace(patient.since, vco2=patient.since.vco2 * factor))

    return _for_patient(coupling, change.whose, changed)


def _for_patient(coupling: Coupling, whose: str | None, changed: Callable[[Patient], Patient]) -> Coupling:
    number = index_of(coupling, whose)
    return replace(
        coupling,
        patients=tuple(changed(one) if i == number else one for i, one in enumerate(coupling.patients)),
    )


def _out(coupling: Coupling, change: Change) -> Coupling:
    """One comes off: both of its ports are capped at the splitters."""
    number = index_of(coupling, change.whose)
    if len(coupling.patients) == 1:
        raise _refused("change-out", f"nobody is left without {change.whose}", "leave the change out")
    build = replace(
        coupling.build,
        network=without_limb(coupling.build.network, number),
        basis=f"{coupling.build.basis}, the ports of {change.whose} capped",
    )
    return Coupling(
        tuple(one for i, one in enumerate(coupling.patients) if i != number),
        build,
        coupling.settings,
        tuple(one for i, one in enumerate(coupling.trims) if i != number),
    )


def _swap(coupling: Coupling, change: Change) -> Coupling:
    """Another patient on the same limb, without the trim that was chosen for the one who left."""
    number, new = index_of(coupling, change.whose), _newcomer(coupling, change)
    return replace(
        coupling,
        patients=tuple(new if i == number else one for i, one in enumerate(coupling.patients)),
        trims=tuple(NO_TRIM if i == number else one for i, one in enumerate(coupling.trims)),
    )


def _add(coupling: Coupling, change: Change) -> Coupling:
    """One more, on a limb like the others; the default build is the default build of the larger group."""
    new, number = _newcomer(coupling, change), len(coupling.patients)
    if number == MAX_PATIENTS:
        raise _refused("change-add", f"{number} patients are on it", "at most 4 are worked out")
    build = coupling.build
    if build == standard_build(number):
        larger = standard_build(number + 1)
    else:
        like = max(build.network.limbs, key=lambda limb: limb.dead_space_ml)
        network = replace(build.network, limbs=(*build.network.limbs, like))
        larger = replace(build, network=network, basis=f"{build.basis}, one more limb like the others")
    return Coupling((*coupling.patients, new), larger, coupling.settings, (*coupling.trims, NO_TRIM))


def _newcomer(coupling: Coupling, change: Change) -> Patient:
    if change.patient is None:
        raise _refused("change-newcomer", "who comes in is not given", "name a patient whose lungs are known")
    if change.patient.label in coupling.labels:
        reason = f"{change.patient.label} is on this ventilator already"
        raise _refused("change-newcomer", reason, "name another patient")
    return change.patient


def _heated(coupling: Coupling, change: Change) -> Coupling:
    """The heat and moisture exchanger comes out; its dead space, resistance and compliance with it."""
    numbers = range(len(coupling.patients)) if change.whose is None else (index_of(coupling, change.whose),)
    if dict(coupling.build.parts).get(EXCHANGER.name, 0) < len(numbers):
        reason = f"circuit {coupling.build.name} names no heat and moisture exchanger to take out"
        raise _refused("change-heated", reason, "write the dead space that goes instead: dead-space A 20")
    limbs = list(coupling.build.network.limbs)
    for number in numbers:
        limbs[number] = _without_exchanger(limbs[number])
    build = replace(
        coupling.build,
        network=replace(coupling.build.network, limbs=tuple(limbs)),
        parts=tuple(
            (name, count - len(numbers) if name == EXCHANGER.name else count) for name, count in coupling.build.parts
        ),
    )
    return replace(coupling, build=build)


def _without_exchanger(limb: Limb) -> Limb:
    taken = EXCHANGER.element
    return replace(
        limb,
        patient=Element(limb.patient.linear - taken.linear, limb.patient.quadratic - taken.quadratic),
        dead_space_ml=limb.dead_space_ml - EXCHANGER.dead_space_ml,
        wye_compliance_ml_per_cmh2o=limb.wye_compliance_ml_per_cmh2o - EXCHANGER.compliance_ml_per_cmh2o,
    )


def _restrictor(coupling: Coupling, change: Change) -> Coupling:
    quadratic = 0.0 if change.amount is None else _orifice(change.amount, LIMB_BORE_MM)
    return _trimmed(coupling, change.whose, lambda trim: replace(trim, restrictor_cmh2o_s2_per_l2=quadratic))


def _peep_valve(coupling: Coupling, change: Change) -> Coupling:
    setting = _inside("peep_valve_cmh2o", change.amount or 0.0)
    return _trimmed(coupling, change.whose, lambda trim: replace(trim, peep_valve_cmh2o=setting))


def _dead_space(coupling: Coupling, change: Change) -> Coupling:
    volume = _inside("added_dead_space_ml", change.amount or 0.0)
    return _trimmed(coupling, change.whose, lambda trim: replace(trim, added_dead_space_ml=volume))


def _trimmed(coupling: Coupling, whose: str | None, changed: Callable[[Trim], Trim]) -> Coupling:
    number = index_of(coupling, whose)
    return replace(coupling, trims=tuple(changed(t) if i == number else t for i, t in enumerate(coupling.trims)))


def _orifice(diameter_mm: float, bore_mm: float | None) -> float:
    if not 1.0 <= diameter_mm < LIMB_BORE_MM:
        reason = f"a hole of {diameter_mm:g} mm"
        raise _refused("change-diameter", reason, f"give 1 mm to less than {LIMB_BORE_MM:g} mm")
    return orifice_quadratic_cmh2o_s2_per_l2(diameter_mm, bore_mm=bore_mm)


def _inside(name: str, value: float) -> float:
    row = quantity(name)
    if not row.refuse.holds(value):
        reason = f"{row.symbol} of {row.words(value)}"
        raise _refused("change-range", reason, f"possible is {row.refuse.words(row.unit)}")
    return value


def _check_settings(settings: Settings) -> None:
    """What no ventilator can be set to."""
    for name in ("rate_per_min", "inspiratory_time_s", "peep_cmh2o", "fio2", "pressure_above_peep_cmh2o"):
        value: float | None = getattr(settings, name)
        if value is not None:
            _inside(name, value)
    if settings.tidal_volume_ml is not None:
        _inside("delivered_tidal_volume_ml", settings.tidal_volume_ml)
    left = settings.period_s - settings.expiratory_pause_s
    if settings.inspiratory_time_s >= left:
        reason = f"{settings.inspiratory_time_s:g} s to breathe in of {left:.3g} s leave no time to breathe out"
        raise _refused("no-expiration", reason, "shorten it, or lower the rate")
    if settings.pause_s and settings.pause_s >= settings.inspiratory_time_s:
        reason = f"a pause of {settings.pause_s:g} s fills the inspiratory time of {settings.inspiratory_time_s:g} s"
        raise _refused("pause-too-long", reason, "lengthen the inspiratory time")
    if settings.mode == "pc" and settings.rise_time_s > settings.inspiratory_time_s:
        reason = f"a rise time of {settings.rise_time_s:g} s is longer than the inspiratory time"
        raise _refused("rise-too-long", reason, "lengthen the inspiratory time")


def _refused(id_: str, reason: str, remedy: str) -> Refused:
    return Refused((Finding(id_, "refused", reason, remedy),))


_APPLY: Final[dict[Kind, Callable[[Coupling, Change], Coupling]]] = {
    "drive": _dial("pressure_above_peep_cmh2o"),
    "peep": _dial("peep_cmh2o"),
    "peep_absolute": _peep_absolute,
    "rate": _dial("rate_per_min"),
    "inspiratory_time": _dial("inspiratory_time_s"),
    "inspiratory_to_expiratory": _inspiratory_to_expiratory,
    "fio2": _dial("fio2"),
    "tidal_volume": _dial("tidal_volume_ml"),
    "settings": _settings,
    "volume_control": _volume_control,
    "trigger": _trigger,
    "compliance": _compliance,
    "resistance": _resistance,
    "narrowed": _narrowed,
    "blocked": _blocked,
    "fever": _fever,
    "out": _out,
    "swap": _swap,
    "add": _add,
    "heated": _heated,
    "restrictor": _restrictor,
    "peep_valve": _peep_valve,
    "dead_space": _dead_space,
}
