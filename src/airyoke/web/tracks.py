"""The limit track: a thin line from bound to bound, the range as a bar, the value as a tick. Colour says nothing alone:
the state stands beside it as a word."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from markupsafe import Markup

from airyoke.contract.standing import Standing, standing
from airyoke.contract.words import name_words, number_words, unit_words
from airyoke.limits.answer import Figure, GroupAnswer, PatientAnswer
from airyoke.limits.policy import Policy
from airyoke.plan.what_if import Moved

SHOWN = (
    "tidal_volume_ml", "tidal_volume_ml_per_kg", "plateau_cmh2o", "driving_pressure_cmh2o", "total_peep_cmh2o",
    "intrinsic_peep_cmh2o", "paco2_mmhg", "ph", "spo2_pct", "minute_volume_l_per_min", "mechanical_power_j_per_min",
)  # fmt: skip
MINUS: Final = "\N{MINUS SIGN}"
_WIDTH, _HEIGHT, _LEFT, _RIGHT = 220.0, 24.0, 20.0, 200.0


@dataclass(frozen=True, slots=True)
class TrackRow:
    """One number of one patient: value, range, bounds, where it stands, and the drawing of it (``None``: no limit).

    ``was`` and ``change`` are there where it stands beside an earlier one and differs from it.
    """

    name: str
    value: str
    unit: str
    low: str
    high: str
    low_bound: str
    high_bound: str
    state: str
    binds: bool
    drawing: Markup | None
    source: str
    key: str
    was: str = ""
    change: str = ""
    change_range: str = ""


PATTERN_WORDS: Final = {"A": "solid line", "B": "long dashes", "C": "dots", "D": "dash and dot"}


@dataclass(frozen=True, slots=True)
class LaneView:
    """One patient of a group: letter, line pattern in words, and the numbers. ``why`` is the address in front of the
    key of a number that tells how it comes about; empty where there is none."""

    bed: str
    lane: str
    pattern: str
    comes_from: str
    rows: list[TrackRow]
    why: str


def lane_view(patient: PatientAnswer, answer: GroupAnswer, policy: Policy, *, comes_from: str = "", why: str = "",
              letter: str = "", moved: tuple[Moved, ...] = ()) -> LaneView:  # fmt: skip
    """The lane of one patient; ``moved`` is how far its figures went, for a what-if. ``letter`` is that of the limb
    where the answer counts otherwise, because somebody was taken off."""
    rows = rows_of(patient, answer, policy, {one.quantity: one for one in moved})
    lane = letter or patient.lane
    return LaneView(patient.label, lane, PATTERN_WORDS.get(lane, ""), comes_from, rows, why)


def rows_of(
    patient: PatientAnswer, answer: GroupAnswer, policy: Policy, moved: Mapping[str, Moved] | None = None
) -> list[TrackRow]:
    """The numbers of one patient of a group, in the order of the terminal's lane, and how far they ``moved``."""
    rows = []
    for name in SHOWN:
        figure = patient.figures.get(name, Figure(None))
        unit = unit_words(name)
        move = (moved or {}).get(name)
        earlier = None if move is None or move.before is None else move.before.value
        where = standing(name, figure, policy)
        margin = answer.margin
        mine = (
            margin is not None and margin.patient is not None and answer.patients[margin.patient].label == patient.label
        )
        binds = (mine and margin is not None and where is not None and figure.limit is not None
                 and figure.limit.name == margin.limit.name)  # fmt: skip
        rows.append(TrackRow(
            name_words(name), number_words(figure.value, unit), unit,
            "" if figure.low is None else number_words(figure.low, unit),
            "" if figure.high is None else number_words(figure.high, unit),
            "" if where is None or where.low_bound is None else number_words(where.low_bound, unit),
            "" if where is None or where.high_bound is None else number_words(where.high_bound, unit),
            "" if where is None else where.state, binds,
            None if where is None or figure.value is None else drawing(where, earlier),
            "" if figure.limit is None else figure.limit.source, name, *was_and_change(earlier, figure.value, unit),
            "" if move is None else range_of_change(move, unit),
        ))  # fmt: skip
    return rows


def was_and_change(before: float | None, now: float | None, unit: str) -> tuple[str, str]:
    """The earlier number and the signed change; both empty where there is none, or none that can be read."""
    old, new = number_words(before, unit), number_words(now, unit)
    if before is None or old == new:
        return "", ""
    if now is None:
        return old, "not known"
    change = Decimal(new) - Decimal(old)  # of the numbers as they are read, so that the line adds up
    return old, signed(str(change))


def range_of_change(move: Moved, unit: str) -> str:
    """``+70 to +85``: 5-95 % of the change, draw by draw."""
    ends = (move.change.low, move.change.high)
    return " to ".join(signed(number_words(one, unit)) for one in ends) if None not in ends else ""


def signed(text: str) -> str:
    """A number in words with its sign."""
    return f"{MINUS}{text[1:]}" if text.startswith("-") else f"+{text}"


def drawing(where: Standing, before: float | None = None) -> Markup:
    """The track as SVG, an open tick where the value stood before; hidden from screen readers, because the row says the
    same in words."""
    figure = where.figure
    low = figure.value if figure.low is None else figure.low
    high = figure.value if figure.high is None else figure.high
    parts = [f'<line class="rail" x1="{_LEFT:g}" x2="{_RIGHT:g}" y1="12" y2="12"/>']
    if low is not None and high is not None:
        left, right = _x(where, low), _x(where, high)
        parts.append(f'<rect class="span" x="{left:.1f}" width="{max(right - left, 1.0):.1f}" y="8" height="8"/>')
    for bound, x in ((where.low_bound, _LEFT), (where.high_bound, _RIGHT)):
        if bound is not None:
            parts.append(f'<line class="bound" x1="{x:g}" x2="{x:g}" y1="2" y2="22"/>')
    if before is not None:
        parts.append(f'<rect class="was" x="{_x(where, before) - 2.0:.1f}" width="4" y="4" height="16"/>')
    if figure.value is not None:
        x = _x(where, figure.value)
        parts.append(f'<line class="tick" x1="{x:.1f}" x2="{x:.1f}" y1="3" y2="21"/>')
    body = "".join(parts)
    size = f'viewBox="0 0 {_WIDTH:g} {_HEIGHT:g}" preserveAspectRatio="none"'
    return Markup(f'<svg class="track" {size} aria-hidden="true">{body}</svg>')


def _x(where: Standing, value: float) -> float:
    """The place of a value; what lies far outside stands at the edge of the drawing."""
    share = (value - where.start) / (where.end - where.start)
    return min(max(_LEFT + share * (_RIGHT - _LEFT), 4.0), _WIDTH - 4.0)
