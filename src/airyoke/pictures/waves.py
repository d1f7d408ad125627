"""One breath as a still figure: volume, pressure and flow of each patient side by side, and the sum beside them.

The same scale all along a row, so that the eye compares patients and sees what the sum hides. Targets are dotted lines;
tidal volume, plateau and total PEEP are written where they are read. ``wave_tables`` says the same in numbers.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final
from xml.sax.saxutils import escape

from airyoke.limits.curves import Curve, GroupCurves
from airyoke.pictures.lettering import LETTER, wrapped
from airyoke.pictures.lines import Plot
from airyoke.pictures.style import sheet, text
from airyoke.pictures.wave_cells import TOGETHER, WORDS, Figure, Quantity, patient_cell, surge_is_cut, together_cell

TITLES: Final[tuple[tuple[Quantity, str], ...]] = (
    ("volume", "Volume above the end of expiration, mL"),
    ("pressure", "Pressure, cmH₂O: at the wye as the lane's line, in the lungs thin"),
    ("flow", "Flow, L/min: up is in, down is out"),
)
WIDE_CELL, NARROW_CELL = 290.0, 195.0
ROW, CAPTION, GUTTER, GAP = 20.0, 26.0, 46.0, 14.0
MOMENTS: Final = ("inspiration begins", "a quarter in", "half in", "three quarters in", "inspiration ends",
                  "a quarter out", "half out", "three quarters out", "expiration ends")  # fmt: skip

Row = tuple[str, ...]


def waves_svg(
    curves: GroupCurves,
    lanes: Sequence[str],
    *,
    before: GroupCurves | None = None,
    ventilator: str = "the ventilator",
    columns: int = 0,
    theme: str = "auto",
    name: str = "breath",
) -> str:
    """One breath of a group as one SVG document.

    ``lanes`` are the letters of the patients, in their order; ``before`` is drawn thin behind, patient by patient.
    ``columns`` is how many plots stand side by side: 0 is everybody and the sum in one row, 2 is for a phone.
    ``theme`` as for the drawn circuit; ``name`` begins its ids.
    """
    figure = Figure(curves, tuple(lanes), before)
    columns = columns or len(lanes) + 1
    cell = NARROW_CELL if columns == 2 else WIDE_CELL
    width = columns * cell
    drawn: list[str] = []
    y = 0.0
    for quantity, title in TITLES:
        y = _lines(drawn, title, y, width, "b")
        low, high = figure.span(quantity)
        height = _height(quantity, len(lanes), columns)
        for number in range(len(lanes) + 1):
            place = number % columns
            if number and place == 0:
                y += CAPTION + height
            plot = Plot(place * cell + GUTTER, y + CAPTION, cell - GUTTER - GAP, height, 0.0,
                        float(curves.times_s[-1]), low, high)  # fmt: skip
            if number < len(lanes):
                drawn += patient_cell(figure, number, quantity, plot, numbers=place == 0)
            else:
                drawn += together_cell(figure, ventilator, quantity, plot, numbers=place == 0)
        y += CAPTION + height
    y = _lines(drawn, " ".join(_foot(figure)), y, width, "q")
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {y + 8.0:.5g}" class="air" role="img" '
        f'aria-labelledby="{name}-title {name}-told"><title id="{name}-title">One breath, patient by patient</title>'
        f'<desc id="{name}-told">{escape(waves_told(curves, lanes))}</desc>{sheet(theme)}'
        f'<rect class="paper" width="{width:g}" height="{y + 8.0:.5g}"/>' + "".join(drawn) + "</svg>\n"
    )


def waves_told(curves: GroupCurves, lanes: Sequence[str]) -> str:
    """The figure in words: what each gets, and what the ventilator sees of it."""
    end = curves.end_of_inspiration
    each = [
        f"{lane}, bed {one.label}: {one.tidal_volume_ml:.0f} mL, plateau {one.plateau_cmh2o:.1f}, total PEEP "
        f"{one.total_peep_cmh2o:.1f} cmH2O, {one.flow_l_per_min.best[end]:.0f} L/min still flowing as inspiration ends."
        for lane, one in zip(lanes, curves.patients, strict=True)
    ]
    return " ".join((*each, f"The ventilator sees only the sum: {curves.inspired_ml:.0f} mL go in."))


def wave_tables(curves: GroupCurves, lanes: Sequence[str]) -> tuple[tuple[str, Row, tuple[Row, ...]], ...]:
    """The figure as tables, one a patient and one of the sum: title, heads, rows at nine moments of the breath."""
    heads: Row = ("moment", "s", "volume, mL", "at the wye, cmH2O", "in the lungs, cmH2O", "flow, L/min")
    tables: list[tuple[str, Row, tuple[Row, ...]]] = []
    for lane, one in zip(lanes, curves.patients, strict=True):
        shown = (one.volume_ml, one.wye_cmh2o, one.lungs_cmh2o, one.flow_l_per_min)
        tables.append((f"{lane}, bed {one.label}", heads, _rows(curves, shown, (0, 1, 1, 0))))
    summed = (curves.ventilator_volume_ml, curves.ventilator_cmh2o, curves.ventilator_flow_l_per_min)
    heads = ("moment", "s", "volume, mL", "at its port, cmH2O", "flow, L/min")
    tables.append((f"{TOGETHER}, at the ventilator", heads, _rows(curves, summed, (0, 1, 0))))
    return tuple(tables)


def _rows(curves: GroupCurves, shown: Sequence[Curve], digits: Sequence[int]) -> tuple[Row, ...]:
    end, last = curves.end_of_inspiration, len(curves.times_s) - 1
    where = [round(end * k / 4) for k in range(5)] + [round(end + (last - end) * k / 4) for k in range(1, 5)]
    return tuple(
        (moment, f"{curves.times_s[i]:.2f}",
         *(_number(float(one.best[i]), n) for one, n in zip(shown, digits, strict=True)))
        for moment, i in zip(MOMENTS, where, strict=True)
    )  # fmt: skip


def _number(value: float, digits: int) -> str:
    """Never a minus before nothing."""
    return f"{round(value, digits) + 0.0:.{digits}f}"


def _height(quantity: Quantity, patients: int, columns: int) -> float:
    """The sum stands on the scale of one patient, so the more there are, the higher the plots."""
    if quantity == "pressure":
        return 150.0
    return (90.0 if columns == 2 else 110.0) + 35.0 * patients


def _foot(figure: Figure) -> list[str]:
    curves = figure.curves
    out_s = float(curves.times_s[-1]) - curves.inspiratory_time_s
    return [
        f"One settled breath, still: in {curves.inspiratory_time_s:.2f} s, up to the upright line, out {out_s:.2f} s.",
        f"Line: best estimate; shaded: 5-95 % of {curves.draws} draws; dotted: target.",
        *(["Thin grey: as it is saved."] if figure.before is not None else []),
        "What a hold shows on a shared circuit is nobody's plateau.",
        *(["The ventilator's first surge fills the circuit; its peak is cut off."] if surge_is_cut(curves) else []),
    ]


def _lines(drawn: list[str], words: str, y: float, width: float, kind: str) -> float:
    """Words below each other across the whole sheet; where they end."""
    for line in wrapped(words, int((width - 16.0) / (LETTER * WORDS))):
        y += ROW
        drawn.append(text(8.0, y, line, WORDS, "start", kind))
    return y + 8.0
