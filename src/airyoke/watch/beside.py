"""What was read, beside what was predicted: inside the range, outside it, or far enough for somebody to act."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from airyoke.watch.act import Threshold
from airyoke.watch.rounds import Item

Verdict = Literal["inside", "outside", "ask", "act", "not compared"]


@dataclass(frozen=True, slots=True)
class Beside:
    """One value as read. ``predicted`` is (value, low, high), ``None`` where nothing is predicted; ``why`` says what
    makes it more than a number."""

    item: Item
    value: Any
    predicted: tuple[float, float, float] | None
    verdict: Verdict
    why: str = ""


def beside(
    items: Sequence[Item],
    values: Mapping[str, Any],
    predicted: Mapping[str, Sequence[float]],
    thresholds: Sequence[Threshold] = (),
    at_coupling: Mapping[str, Any] | None = None,
) -> tuple[Beside, ...]:
    """Every value that was read, in the order of the form.

    ``predicted`` by item: value, low, high. ``at_coupling`` are the values when the group was coupled, for thresholds
    on a change. A threshold goes before a range: a value may be as predicted and still ask for somebody.
    """
    by_name = {one.quantity: one for one in thresholds}
    found = []
    for item in items:
        if item.key not in values:
            continue
        value, range_ = values[item.key], predicted.get(item.key)
        known = None if range_ is None else (float(range_[0]), float(range_[1]), float(range_[2]))
        verdict, why = _verdict(item, value, known, by_name.get(item.key), (at_coupling or {}).get(item.key))
        found.append(Beside(item, value, known, verdict, why))
    return tuple(found)


def _verdict(
    item: Item, value: Any, predicted: tuple[float, float, float] | None, threshold: Threshold | None, before: Any
) -> tuple[Verdict, str]:
    if item.answers:
        hoped = value == item.answers[0]
        return ("inside", "") if hoped else ("act", f"{value}, not {item.answers[0]}")
    if not isinstance(value, int | float) or isinstance(value, bool):
        return "not compared", ""
    if threshold is not None:
        t = threshold
        if t.low is not None and value < t.low:
            return "act", f"below {t.low:.4g} {t.unit}".rstrip()
        if t.high is not None and value > t.high:
            return "act", f"above {t.high:.4g} {t.unit}".rstrip()
        if t.change is not None and isinstance(before, int | float) and abs(value - before) > t.change:
            return "act", f"moved by {value - before:+.4g} {t.unit} since it was coupled".rstrip()
        if t.ask is not None and value > t.ask:
            return "ask", f"above {t.ask:.4g} {t.unit}".rstrip()
    if predicted is None:
        return "not compared", ""
    if predicted[1] <= value <= predicted[2]:
        return "inside", ""
    return "outside", f"predicted {predicted[1]:.4g} to {predicted[2]:.4g}"
