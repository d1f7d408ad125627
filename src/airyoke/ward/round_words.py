"""A round of a group: typed in the order of the printed form, and told beside what was predicted."""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence
from typing import Any

from airyoke.breath.settings import Settings
from airyoke.breath.ventilator import Ventilator
from airyoke.limits.policy import Policy
from airyoke.plan.alarm_system import alarm_system_of
from airyoke.plan.alarms import alarm_limits
from airyoke.plan.plan import Alarm
from airyoke.quantities import Finding, Refused, did_you_mean
from airyoke.ward.group_standing import GroupStanding
from airyoke.watch.act import ActRules, act_thresholds
from airyoke.watch.beside import Beside, beside
from airyoke.watch.rounds import GROUP_ITEMS, PATIENT_ITEMS, Item

NOT_READ = "-"


def typed_round(text: str, items: Sequence[Item]) -> dict[str, Any]:
    """Values typed in one line: in the order of the form, ``-`` for what was not read, or ``name=value``; both may
    be mixed, a name first ends the order. Raises ``Refused`` for a name that is no item, or too many values."""
    found: dict[str, Any] = {}
    by_name = {item.key: item for item in items}
    order = iter(items)
    for word in shlex.split(text):
        name, named, value = word.partition("=")
        if not named:
            item = next(order, None)
            if item is None:
                raise _refused(f"{word!r} is one value too many", f"the form has {len(items)} of them")
            name, value = item.key, word
        if name not in by_name:
            near = did_you_mean(name, by_name)
            raise _refused(f"there is no item {name!r}", f"did you mean {near}?" if near else ", ".join(by_name))
        if value != NOT_READ:
            found[name] = _value(by_name[name], value)
    return found


def _value(item: Item, text: str) -> Any:
    if item.text:
        return text
    if item.answers:
        near = [one for one in item.answers if one.startswith(text)]
        if len(near) == 1 or text in item.answers:
            return text if text in item.answers else near[0]
        raise _refused(f"{item.key} is {text!r}", f"one of {', '.join(item.answers)}")
    try:
        return float(text)
    except ValueError:
        raise _refused(f"{item.key} is {text!r}, not a number", f"type it, or {NOT_READ}") from None


def _refused(reason: str, remedy: str) -> Refused:
    return Refused((Finding("round-typed", "refused", reason, remedy),))


def predicted_of(standing: GroupStanding) -> Mapping[str, Mapping[str, Sequence[float]]]:
    """What the rehearsal predicted for this group: bed (``""`` = ventilator) -> item -> value, low, high."""
    values = {} if standing.rehearsal is None else standing.rehearsal.values
    found: Mapping[str, Mapping[str, Sequence[float]]] = values.get("predicted") or {}
    return found


def act_rules(policy: Policy) -> ActRules:
    """The thresholds of this site: its own targets where it has changed them."""
    return ActRules(
        driving_pressure_cmh2o=policy.limit("driving_pressure_cmh2o", "high").target,
        plateau_cmh2o=policy.limit("plateau_cmh2o", "high").target,
        trapped_peep_cmh2o=policy.limit("trapped_peep_cmh2o", "high").target,
        spo2_pct=policy.limit("spo2_pct", "low").target,
    )


def beside_of(
    standing: GroupStanding, policy: Policy, dialled: Mapping[str, Any], where: str, values: Mapping[str, Any]
) -> tuple[Beside, ...]:
    """What was read at one bed (``""`` = the ventilator), beside its prediction and its thresholds."""
    predicted = predicted_of(standing).get(where, {})
    if not where:
        return beside(GROUP_ITEMS, values, predicted)
    settings = dialled or standing.settings
    volume = predicted.get("tidal_volume_ml")
    thresholds = () if volume is None or "peep_cmh2o" not in settings else act_thresholds(
        tidal_volume_ml=float(volume[0]), peep_cmh2o=float(settings["peep_cmh2o"]),
        rate_per_min=float(settings["rate_per_min"]), rules=act_rules(policy),
    )  # fmt: skip
    before = {} if standing.baseline is None else standing.baseline.patients.get(where, {})
    return beside(PATIENT_ITEMS, values, predicted, thresholds, before)


def baseline_alarms(
    standing: GroupStanding, ventilator: Ventilator, dialled: Mapping[str, Any], values: Mapping[str, Any],
    patients: Mapping[str, Mapping[str, Any]],
) -> tuple[Alarm, ...]:  # fmt: skip
    """Alarm limits from what was measured with everybody on. Raises ``Refused`` where a volume is missing."""
    shares = [patients.get(bed, {}).get("tidal_volume_ml") for bed in standing.joined]
    displayed = values.get("displayed_tidal_volume_ml")
    if displayed is None or None in shares:
        raise _refused("the volume shown with everybody on, and that of each, are needed for the alarm limits",
                       "read each with all others clamped")  # fmt: skip
    settings = Settings(**(dialled or standing.settings))
    return alarm_limits(
        settings, [float(one) for one in shares if one is not None], float(displayed),
        peak_cmh2o=values.get("peak_pressure_cmh2o"), system=alarm_system_of(ventilator), measured=True,
    )  # fmt: skip
