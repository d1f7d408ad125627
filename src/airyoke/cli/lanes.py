"""One patient of a group: each number with its range, on its limit track, with its state as a word.

A patient is a lane: a letter, a line pattern and a fixed place, the same on every page.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from airyoke.cli.page import Page, Span, Style, padded
from airyoke.contract.standing import Standing, standing
from airyoke.contract.words import name_words, number_words, unit_words
from airyoke.limits.answer import Figure, GroupAnswer, PatientAnswer
from airyoke.limits.policy import Policy

PATTERNS: Final = {
    "A": ("solid line", "────────"),
    "B": ("long dashes", "── ── ──"),
    "C": ("dots", "· · · · "),
    "D": ("dash and dot", "──·──·──"),
}

SHOWN: Final = (
    "tidal_volume_ml",
    "tidal_volume_ml_per_kg",
    "plateau_cmh2o",
    "driving_pressure_cmh2o",
    "total_peep_cmh2o",
    "intrinsic_peep_cmh2o",
    "paco2_mmhg",
    "ph",
    "spo2_pct",
)
# Shown only where it matters: when it is the limit that binds, or not plainly inside.
_ONLY_IF_NOT_INSIDE: Final = frozenset({"intrinsic_peep_cmh2o"})

# Columns of a row; the track takes what is left, between these bounds.
_NAME, _BOUND, _STATE = 18, 4, 14
_SHORTEST_TRACK, _LONGEST_TRACK = 8, 20
_ROOMY: Final = 96


@dataclass(frozen=True, slots=True)
class _Shape:
    """How the columns of a row fit the page: indent, width of the figure, cells of the track and beyond it."""

    indent: int
    figure: int
    inner: int
    outside: int

    @classmethod
    def on(cls, page: Page) -> _Shape:
        indent, figure, outside = (4, 25, 2) if page.width >= _ROOMY else (2, 23, 1)
        fixed = indent + _NAME + figure + 2 * (_BOUND + 1) + 2 * outside + 2 + 1 + _STATE
        return cls(indent, figure, max(_SHORTEST_TRACK, min(_LONGEST_TRACK, page.width - fixed)), outside)


def lane_mark(letter: str) -> str:
    """The letter with its line: ``A ────────``."""
    return f"{letter} {PATTERNS[letter][1]}"


def lane(page: Page, answer: GroupAnswer, patient: PatientAnswer, who: str, policy: Policy) -> None:
    """One patient's block. ``who`` says who it is (``bed 3``)."""
    pattern = PATTERNS[patient.lane][0]
    page.blank()
    page.line(
        "  ", Span(page.spelled(lane_mark(patient.lane)), "strong"), Span(f"  {page.spelled(who)}", "strong"),
        Span(f"   {pattern}", "quiet"),
    )  # fmt: skip
    for name in SHOWN:
        _row(page, answer, patient, name, policy)


def _row(page: Page, answer: GroupAnswer, patient: PatientAnswer, name: str, policy: Policy) -> None:
    figure = patient.figures.get(name, Figure(None))
    where = standing(name, figure, policy)
    binds = _binds(answer, patient, name)
    if name in _ONLY_IF_NOT_INSIDE and not binds and (where is None or where.state in ("inside", "not known")):
        return
    state = "not known" if figure.value is None else "" if where is None else where.state
    style: Style = "strong" if binds or state in ("near", "outside") else ""
    shape = _Shape.on(page)
    page.line(
        Span(page.spelled(" " * shape.indent + padded(name_words(name), _NAME)), style),
        Span(page.spelled(padded(figure_words(figure, name), shape.figure)), style),
        *_track_spans(page, name, where, shape),
        Span(f" {_near_what(state, name, where)}" + (", binds" if binds else ""), style),
    )


def _near_what(state: str, name: str, where: Standing | None) -> str:
    """The state, and of a figure that is near a bound which one: that its range reaches over, or lies nearest to."""
    if state != "near" or where is None or where.low_bound is None or where.high_bound is None:
        return state
    low, high = where.figure.low, where.figure.high
    to_low = (where.figure.value if low is None else low) or 0.0
    to_high = (where.figure.value if high is None else high) or 0.0
    nearer_low = to_low - where.low_bound <= where.high_bound - to_high
    return f"near {number_words(where.low_bound if nearer_low else where.high_bound, unit_words(name))}"


def _binds(answer: GroupAnswer, patient: PatientAnswer, name: str) -> bool:
    margin = answer.margin
    if margin is None or margin.patient is None or answer.patients[margin.patient].label != patient.label:
        return False
    drawn_on = {
        "trapped_peep_cmh2o": "intrinsic_peep_cmh2o",
        "total_peep_fall_cmh2o": "total_peep_cmh2o",
        "total_peep_rise_cmh2o": "total_peep_cmh2o",
    }
    return drawn_on.get(margin.limit.name, margin.limit.name) == name


def figure_words(figure: Figure, name: str) -> str:
    """``12.5 (11.8-13.0) cmH2O``; the value alone where there is no range."""
    unit = unit_words(name)
    if figure.value is None:
        return "-"
    words = number_words(figure.value, unit)
    if figure.low is not None and figure.high is not None:
        words += f" ({number_words(figure.low, unit)}-{number_words(figure.high, unit)})"
    return f"{words} {unit}".rstrip()


def _track_spans(page: Page, name: str, where: Standing | None, shape: _Shape) -> Sequence[Span]:
    """``4.0 |······━━┃━━··|   8.0``: bounds as bars, the range as a thick line, the value as a tick."""
    if where is None or where.state == "not known":
        return (Span(" " * (2 * (_BOUND + 1) + shape.inner + 2 * shape.outside + 2)),)
    unit = unit_words(name)
    low = "" if where.low_bound is None else number_words(where.low_bound, unit)
    high = "" if where.high_bound is None else number_words(where.high_bound, unit)
    return (
        Span(padded(low, _BOUND, right=True) + " ", "quiet"),
        Span(page.spelled(track(where, shape.inner, shape.outside))),
        Span(" " + padded(high, _BOUND), "quiet"),
    )


def track(where: Standing, inner: int, outside: int) -> str:
    """The track itself: ``inner`` cells between the bounds, ``outside`` more on each side for what lies beyond."""
    last = inner + 2 * outside - 1

    def cell(value: float) -> int:
        share = (value - where.start) / (where.end - where.start)
        place = outside + int(share * inner // 1)
        # A value on a bound belongs inside, as a bound that is touched is kept.
        if 0.0 <= share <= 1.0:
            place = min(max(place, outside), outside + inner - 1)
        return min(max(place, 0), last)

    figure = where.figure
    cells = [" "] * outside + ["┄"] * inner + [" "] * outside
    if figure.low is not None and figure.high is not None:
        for i in range(cell(figure.low), cell(figure.high) + 1):
            cells[i] = "━"
    if figure.value is not None:
        cells[cell(figure.value)] = "┃"
    left = "│" if where.low_bound is not None else " "
    right = "│" if where.high_bound is not None else " "
    body = "".join(cells)
    return f"{body[:outside]}{left}{body[outside:-outside]}{right}{body[-outside:]}"


def brief_row(patient: PatientAnswer) -> list[str]:
    """The numbers of one patient for one line of a table; see ``BRIEF_HEADINGS``."""
    return [number_words(patient.figures.get(name, Figure(None)).value, unit_words(name)) for name in BRIEF]


BRIEF: Final = (
    "tidal_volume_ml",
    "tidal_volume_ml_per_kg",
    "plateau_cmh2o",
    "driving_pressure_cmh2o",
    "total_peep_cmh2o",
    "paco2_mmhg",
    "ph",
    "spo2_pct",
)
BRIEF_HEADINGS: Final = ("VT", "per kg", "plateau", "driving", "PEEPtot", "PaCO2", "pH", "SpO2")
BRIEF_UNITS: Final = ("mL", "mL/kg", "cmH2O", "cmH2O", "cmH2O", "mmHg", "", "%")


def worst_state(patient: PatientAnswer, policy: Policy) -> str:
    """The state of the figure that stands worst: outside, near, inside; not known only where nothing is."""
    states = [
        where.state
        for name in SHOWN
        if (where := standing(name, patient.figures.get(name, Figure(None)), policy)) is not None
    ]
    for state in ("outside", "near", "inside"):
        if state in states:
            return state
    return "not known"
