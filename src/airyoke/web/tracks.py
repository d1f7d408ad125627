"""The limit track: a thin line from bound to bound, the range as a bar, the value as a tick. Colour says nothing alone:
the state stands beside it as a word."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from airyoke.contract.standing import Standing, standing
from airyoke.contract.words import name_words, number_words, unit_words
from airyoke.limits.answer import Figure, GroupAnswer, PatientAnswer
from airyoke.limits.policy import Policy

SHOWN = (
    "tidal_volume_ml", "tidal_volume_ml_per_kg", "plateau_cmh2o", "driving_pressure_cmh2o", "total_peep_cmh2o",
    "intrinsic_peep_cmh2o", "paco2_mmhg", "ph", "spo2_pct", "minute_volume_l_per_min", "mechanical_power_j_per_min",
)  # fmt: skip
_WIDTH, _HEIGHT, _LEFT, _RIGHT = 220.0, 24.0, 34.0, 186.0


@dataclass(frozen=True, slots=True)
class TrackRow:
    """One number of one patient: value, range, bounds, where it stands, and the drawing of it (``None``: no limit)."""

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


def rows_of(patient: PatientAnswer, answer: GroupAnswer, policy: Policy) -> list[TrackRow]:
    """The numbers of one patient of a group, in the order of the terminal's lane."""
    rows = []
    for name in SHOWN:
        figure = patient.figures.get(name, Figure(None))
        unit = unit_words(name)
        where = standing(name, figure, policy)
        margin = answer.margin
        mine = (
            margin is not None and margin.patient is not None and answer.patients[margin.patient].label == patient.label
        )
        binds = mine and margin is not None and figure.limit is not None and figure.limit.name == margin.limit.name
        rows.append(TrackRow(
            name_words(name), number_words(figure.value, unit), unit,
            "" if figure.low is None else number_words(figure.low, unit),
            "" if figure.high is None else number_words(figure.high, unit),
            "" if where is None or where.low_bound is None else number_words(where.low_bound, unit),
            "" if where is None or where.high_bound is None else number_words(where.high_bound, unit),
            "" if where is None else where.state, binds,
            None if where is None or figure.value is None else drawing(where),
            "" if figure.limit is None else figure.limit.source,
        ))  # fmt: skip
    return rows


def drawing(where: Standing) -> Markup:
    """The track as SVG; hidden from screen readers, because the row says the same in words."""
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
    if figure.value is not None:
        x = _x(where, figure.value)
        parts.append(f'<line class="tick" x1="{x:.1f}" x2="{x:.1f}" y1="3" y2="21"/>')
    body = "".join(parts)
    return Markup(f'<svg class="track" viewBox="0 0 {_WIDTH:g} {_HEIGHT:g}" aria-hidden="true">{body}</svg>')


def _x(where: Standing, value: float) -> float:
    """The place of a value; what lies far outside stands at the edge of the drawing."""
    share = (value - where.start) / (where.end - where.start)
    return min(max(_LEFT + share * (_RIGHT - _LEFT), 4.0), _WIDTH - 4.0)
