"""Who may share: named conditions, their default rules, and what the readings themselves rule out.

A pH below 7.30 before sharing is not here: that is a decision of the plan, not a refusal of the patient.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from typing import Final, get_args

from airyoke.lungs.conditions import CONDITIONS, Condition, Rule
from airyoke.lungs.mechanics import time_constant_s
from airyoke.lungs.patient import Patient
from airyoke.lungs.readings import Readings
from airyoke.lungs.reasons import CannotEstimate, Need, Reason

_BY_ID: Final = {condition.id: condition for condition in CONDITIONS}


@dataclass(frozen=True, slots=True)
class Eligibility:
    """Whether one patient may share at all.

    reasons
        Why not; empty where the patient may.
    needs
        Decisions of a person that sharing this patient would rest on.
    must_match
        What has to be the same for everybody in the group (``prone``, ids of conditions); groups with unequal
        sets are refused.
    """

    label: str
    reasons: tuple[Reason, ...]
    needs: tuple[Need, ...]
    must_match: frozenset[str]

    @property
    def may_share(self) -> bool:
        """No reason stands against it."""
        return not self.reasons


def condition(id_: str) -> Condition:
    """The condition of that id. Raises ``ValueError`` with the nearest known id for an unknown one."""
    try:
        return _BY_ID[id_]
    except KeyError:
        near = difflib.get_close_matches(id_, _BY_ID, n=1)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        raise ValueError(f"unknown condition {id_!r}{hint}") from None


def eligibility(
    readings: Readings,
    patient: Patient | CannotEstimate,
    *,
    conditions: tuple[str, ...],
    exclude: str | None,
    condition_rules: tuple[tuple[str, str], ...],
    longest_expiratory_time_constant_s: float,
    lowest_ph: float,
    highest_fio2: float,
) -> Eligibility:
    """Reasons against sharing, decisions it would need, and what must match in the group.

    ``conditions`` are ids of :data:`CONDITIONS`; ``exclude`` is somebody's own words why the patient must be
    alone; ``condition_rules`` are a site's (id, ``never`` / ``ask`` / ``allow``) where they differ from the
    defaults; the thresholds come from its policy. A bound touched exactly is kept.
    Raises ``ValueError`` for an unknown condition or rule.
    """
    label = patient.label
    rules = _rules(condition_rules)
    reasons: list[Reason] = []
    needs: list[Need] = []
    must_match: set[str] = set()

    def apply(found: Condition, text: str) -> None:
        rule = rules[found.id]
        if rule == "never":
            reasons.append(Reason(found.id, text, found.would_change))
        elif rule == "ask":
            needs.append(Need(found.id, f"{text} Somebody decides whether bed {label} may share."))
        if found.must_match and rule != "allow":
            must_match.add(found.id)

    if exclude is not None and exclude.strip():
        remedy = "Whoever wrote it takes the exclusion back."
        reasons.append(Reason("excluded", f"Excluded by hand: {exclude.strip()}", remedy))
    if readings.passive == "no":
        reasons.append(
            Reason(
                "not-passive",
                "The patient makes efforts and is not to be made passive: every effort reaches the others.",
                "A decision for deep sedation or neuromuscular block.",
            )
        )
    elif readings.passive == "possible":
        needs.append(Need("paralysis", f"Deep sedation or neuromuscular block for bed {label}."))
    shown = _from_readings(readings, patient, longest_expiratory_time_constant_s, lowest_ph, highest_fio2)
    written = [(condition(id_), condition(id_).text) for id_ in dict.fromkeys(conditions)]
    # What the readings show is said with its number; the same id written by hand adds nothing.
    for found, text in {found.id: (found, text) for found, text in (*written, *shown)}.values():
        apply(found, text)
    if isinstance(patient, CannotEstimate):
        reasons.extend(patient.reasons)
    if readings.position == "prone":
        must_match.add("prone")
    return Eligibility(label, tuple(reasons), tuple(needs), frozenset(must_match))


def _from_readings(
    readings: Readings,
    patient: Patient | CannotEstimate,
    longest_expiratory_time_constant_s: float,
    lowest_ph: float,
    highest_fio2: float,
) -> list[tuple[Condition, str]]:
    """Conditions that nobody needs to write down because the readings show them."""
    found = []
    if readings.ph is not None and readings.ph < lowest_ph:
        found.append((condition("ph-low"), f"pH {readings.ph:.2f} is below {lowest_ph:.2f}."))
    if readings.fio2 > highest_fio2:
        text = f"FiO2 {readings.fio2:g} is above {highest_fio2:g}: there is no reserve."
        found.append((condition("fio2-high"), text))
    if readings.vasopressor in ("high", "rising"):
        text = f"Vasopressor {readings.vasopressor}: the patient may not bear what sharing changes."
        found.append((condition("vasopressor-high-or-rising"), text))
    if isinstance(patient, Patient):
        lungs = patient.lungs
        tau = float(time_constant_s(lungs.expiratory_resistance.value, lungs.compliance.value))
        if tau > longest_expiratory_time_constant_s:
            text = (
                f"Expiratory time constant {tau:.1f} s is above {longest_expiratory_time_constant_s:g} s: "
                "the patient empties too slowly for anybody else's rate."
            )
            found.append((condition("expiratory-time-constant-long"), text))
    return found


def _rules(condition_rules: tuple[tuple[str, str], ...]) -> dict[str, Rule]:
    rules: dict[str, Rule] = {known.id: known.rule for known in CONDITIONS}
    for id_, rule in condition_rules:
        known = condition(id_)
        if rule not in get_args(Rule):
            raise ValueError(f"rule of condition {id_!r} must be never, ask or allow, not {rule!r}")
        rules[known.id] = _RULE[rule]
    return rules


_RULE: Final[dict[str, Rule]] = {"never": "never", "ask": "ask", "allow": "allow"}
