"""The sheets stock and policy."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from typing import Any, Final

from airyoke.exchange.cells import read_choice, read_number, read_text, shown
from airyoke.exchange.columns import Row
from airyoke.exchange.sheet import Sheet
from airyoke.limits.policy import Policy, limit_policy_names
from airyoke.limits.table import LIMITS
from airyoke.lungs.assumptions import Assumptions
from airyoke.quantities import Finding, Quantity, did_you_mean, is_quantity, quantity, value_finding

_YES_NO: Final = ("yes", "no")
_SHARING: Final = ("last-resort-accepted", "no")
_CONDITION_RULES: Final = ("never", "ask", "allow")
_WORD_RULES: Final = {"sharing": _SHARING, "rooms_may_mix": _YES_NO, "rehearse": _YES_NO}
# Every number of the two dataclasses that the dictionary knows; a test sees to it that it knows all of them.
_NUMBERS: Final = tuple(item.name for item in fields(Policy) if is_quantity(item.name))
_ASSUMPTIONS: Final = tuple(item.name for item in fields(Assumptions) if is_quantity(item.name))
_LIMIT_QUANTITIES: Final = {
    name: limit.name
    for limit in LIMITS
    for name in (limit.policy_name, *([f"{limit.policy_name}_hard"] if limit.hard is not None else []))
}


def read_stock(sheet: Sheet, part_names: tuple[str, ...]) -> tuple[dict[str, int], list[Finding]]:
    """Part -> count. A row that is refused does not count, so that its part is 0 like any that is not
    listed.
    """
    stock: dict[str, int] = {}
    findings: list[Finding] = []

    def refuse(row: Row, finding: Finding, key: str) -> None:
        findings.append(sheet.place(finding, row, key))

    for row in sheet.rows:
        name = read_text(row.cells.get("part"))
        if isinstance(name, Finding):
            refuse(row, name, "part")
            continue
        if not name:
            refuse(row, Finding("part-missing", "refused", "a count without a part", "name the part"), "part")
            continue
        if name not in part_names:
            near = did_you_mean(name, part_names)
            remedy = f"did you mean {near}?" if near else "`airyoke circuit --parts` lists the names"
            refuse(
                row, Finding("part-unknown", "refused", f"the catalogue has no part {name!r}", remedy), "part"
            )
            continue
        if row.cells.get("count") is None:
            missing = Finding("count-missing", "refused", f"no count of {name}", "count them; 0 is a count")
            refuse(row, missing, "count")
            continue
        count = sheet.number(row, "count")
        if count.finding is not None:
            refuse(row, count.finding, "count")
        if count.value is None:
            continue
        if name in stock:
            twice = Finding(
                "part-twice",
                "refused",
                f"{name} is listed twice; the first count stands",
                "add the counts up in one row",
            )
            refuse(row, twice, "part")
            continue
        stock[name] = int(count.value)
    if not sheet.rows:
        reason = "the stock sheet lists nothing, so every part counts as 0 and no circuit can be built"
        remedy = "count the parts, or remove the sheet to plan as if everything were there"
        findings.append(
            Finding("stock-empty", "ask", reason, remedy, file=sheet.table.file, sheet=sheet.table.sheet)
        )
    return stock, findings


@dataclass(frozen=True, slots=True)
class _Draft:
    """Policy as far as read; the rules of conditions apart because they are collected."""

    policy: Policy
    rules: dict[str, str] = field(default_factory=dict)


def policy_names(conditions: tuple[str, ...]) -> tuple[str, ...]:
    """Every name that may stand in a policy sheet."""
    return (*_WORD_RULES, *_NUMBERS, *limit_policy_names(), *_ASSUMPTIONS, *conditions)


def policy_quantity(name: str) -> Quantity | None:
    """The quantity whose unit and range the value of that policy name has; ``None`` where it is a word."""
    if name in _LIMIT_QUANTITIES:
        return quantity(_LIMIT_QUANTITIES[name])
    return quantity(name) if name in _NUMBERS or name in _ASSUMPTIONS else None


def policy_choices(name: str) -> tuple[str, ...]:
    """The words that may stand beside that policy name; empty where it is a number."""
    if policy_quantity(name) is not None:
        return ()
    return _WORD_RULES.get(name, _CONDITION_RULES)


def read_policy(sheet: Sheet, conditions: tuple[str, ...]) -> tuple[Policy, list[Finding]]:
    """The policy of the site. A refused row leaves the default in force, and the finding says so."""
    draft = _Draft(Policy())
    findings: list[Finding] = []
    seen: dict[str, int] = {}
    for row in sheet.rows:
        name = read_text(row.cells.get("name"))
        if isinstance(name, Finding):
            findings.append(sheet.place(name, row, "name"))
            continue
        name = name.casefold()
        problem = _name_problem(name, row, seen, policy_names(conditions))
        if problem is not None:
            findings.append(sheet.place(problem, row, "name"))
            continue
        seen[name] = row.number
        if row.cells.get("value") is None:
            continue
        draft, finding = _apply(draft, name, sheet, row)
        if finding is not None:
            findings.append(sheet.place(finding, row, "value"))
    policy = replace(draft.policy, condition_rules=tuple(draft.rules.items()))
    for finding in _crossed_limits(policy):
        name = finding.column or ""
        number = seen.get(name) or seen.get(f"{name}_hard")
        findings.append(
            replace(finding, file=sheet.table.file, sheet=sheet.table.sheet, row=number, column="value")
        )
    return policy, findings


def _name_problem(name: str, row: Row, seen: dict[str, int], names: tuple[str, ...]) -> Finding | None:
    if not name:
        return Finding(
            "policy-name-missing", "refused", "a value without a name", "name it, or clear the row"
        )
    if name in seen:
        reason = f"{name} is set twice; row {seen[name]} stands"
        return Finding("policy-name-twice", "refused", reason, "keep one of the two rows")
    if name not in names:
        near = did_you_mean(name, names)
        remedy = f"did you mean {near}?" if near else "`airyoke limits` lists the limits"
        return Finding(
            "policy-name-unknown", "refused", f"a policy has no {name!r}; the default stays", remedy
        )
    return None


def _apply(draft: _Draft, name: str, sheet: Sheet, row: Row) -> tuple[_Draft, Finding | None]:
    entry = policy_quantity(name)
    if entry is None:
        return _apply_word(draft, name, row)
    typed = read_number(row.cells["value"], sheet.mark)
    if isinstance(typed, Finding):
        return draft, _kept_default(typed)
    # A policy has no columns of other units to point to.
    finding = value_finding(replace(entry, accepts=()), typed)
    if finding is not None:
        finding = replace(finding, id=f"policy-{finding.id}", remedy=_policy_remedy(finding))
        if finding.level == "refused":
            return draft, _kept_default(finding)
    return _with_number(draft, name, typed), finding


def _policy_remedy(finding: Finding) -> str:
    if finding.id.endswith("-unit"):
        return finding.remedy
    return "type a value in this range" if finding.level == "refused" else "is this what the site has decided?"


def _kept_default(finding: Finding) -> Finding:
    return replace(finding, reason=f"{finding.reason}; the default stays in force")


def _with_number(draft: _Draft, name: str, value: float) -> _Draft:
    policy = draft.policy
    if name in _LIMIT_QUANTITIES:
        return replace(draft, policy=policy.with_limit(name, value))
    if name in _ASSUMPTIONS:
        assumed: dict[str, Any] = {name: value}
        return replace(draft, policy=replace(policy, assumptions=replace(policy.assumptions, **assumed)))
    whole = quantity(name).integer
    changes: dict[str, Any] = {name: int(value) if whole else value}
    return replace(draft, policy=replace(policy, **changes))


def _apply_word(draft: _Draft, name: str, row: Row) -> tuple[_Draft, Finding | None]:
    word = read_choice(row.cells["value"], policy_choices(name), "policy-value")
    if isinstance(word, Finding):
        return draft, _kept_default(replace(word, value=shown(row.cells["value"])))
    policy = draft.policy
    if name == "sharing":
        accepted = word == "last-resort-accepted"
        return replace(
            draft, policy=replace(policy, sharing="last-resort-accepted" if accepted else "no")
        ), None
    if name == "rooms_may_mix":
        return replace(draft, policy=replace(policy, rooms_may_mix=word == "yes")), None
    if name == "rehearse":
        return replace(draft, policy=replace(policy, rehearse=word == "yes")), None
    return replace(draft, rules={**draft.rules, name: word}), None


def _crossed_limits(policy: Policy) -> list[Finding]:
    """A hard bound inside its target, or a low target above the high one: nobody could ever be inside."""
    findings: list[Finding] = []
    for limit in policy.limits:
        sign = 1.0 if limit.side == "high" else -1.0
        if limit.hard is not None and sign * (limit.hard - limit.target) < 0.0:
            reason = (
                f"{limit.policy_name}: hard bound {limit.hard:g} is stricter than the target {limit.target:g}"
            )
            findings.append(
                Finding(
                    "policy-hard-inside-target",
                    "ask",
                    reason,
                    f"set {limit.policy_name} and {limit.policy_name}_hard together",
                    column=limit.policy_name,
                    value=limit.target,
                )
            )
        for other in policy.limits:
            if (
                limit.side == "low"
                and other.name == limit.name
                and other.side == "high"
                and (limit.target >= other.target)
            ):
                reason = (
                    f"{limit.policy_name} {limit.target:g} is not below {other.policy_name} {other.target:g}"
                )
                findings.append(
                    Finding(
                        "policy-range-empty",
                        "ask",
                        reason,
                        "nobody can be inside: change one",
                        column=limit.policy_name,
                        value=limit.target,
                    )
                )
    return findings
