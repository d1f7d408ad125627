"""The drawn circuit: unfolded, gas from left to right (``wide``) or from top to bottom (``narrow``, for a phone).

Number by each part = the step at which it is pushed on. The same picture on screen, on paper and in the README.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal
from xml.sax.saxutils import escape

from airyoke.circuit.assembly import EXPIRATORY_PORT, INSPIRATORY_PORT, TERMINALS, Assembly
from airyoke.circuit.part import Part
from airyoke.circuit.places import Hose, Layout, Place, layout
from airyoke.circuit.steps import steps
from airyoke.pictures.glyphs import glyph
from airyoke.pictures.style import PATTERNS, dashes, sheet, text

Point = tuple[float, float]
Theme = Literal["auto", "light", "dark", "print"]
PIPE, LINE, TRUNK_PIPE, TRUNK_LINE = 15.0, 4.2, 19.0, 6.0


@dataclass(frozen=True, slots=True)
class Frame:
    """Where columns and rows fall on the sheet, and how large words are."""

    width: float
    height: float
    at: Callable[[Place], Point]
    narrow: bool
    words: float
    small: float
    unit: float = 1.0
    patient_glyph: float = 1.0


def circuit_svg(
    assembly: Assembly,
    *,
    shape: Literal["wide", "narrow"] = "wide",
    theme: Theme = "auto",
    labels: tuple[str, ...] = (),
    name: str = "air",
) -> str:
    """A circuit as one SVG document; it carries its own style sheet, so a page under a strict policy shows it as an
    image.

    ``theme``: ``auto`` follows the system's light or night setting and prints in ink only. ``labels``: bed labels in
    the order of the lanes, shown beside the letters. ``name`` begins its ids, for several drawings on one page.
    Raises ``Refused`` where the joints make no circuit.
    """
    drawn = layout(assembly)
    frame = _narrow(drawn, assembly) if shape == "narrow" else _wide(drawn)
    numbers = _numbers(assembly)
    parts = (
        *_pipes(assembly, drawn, frame),
        *_pieces(assembly, drawn, frame, numbers),
        *_hose_words(assembly, drawn, frame, numbers),
        *_patients(assembly, drawn, frame, labels),
        *_ports(drawn, frame),
        *(_key(assembly, frame) if frame.narrow else ()),
        *_foot(assembly, frame),
    )
    title, told = _title(assembly), description(assembly)
    size = f'viewBox="0 0 {frame.width:.5g} {frame.height:.5g}"'
    read = f'role="img" aria-labelledby="{name}-title {name}-told"'
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} class="air" {read}>'
        f'<title id="{name}-title">{escape(title)}</title><desc id="{name}-told">{escape(told)}</desc>'
        f'{sheet(theme)}<rect class="paper" width="{frame.width:.5g}" height="{frame.height:.5g}"/>'
        + "".join(parts)
        + "</svg>\n"
    )


def _numbers(assembly: Assembly) -> dict[str, int]:
    """Piece -> the step that pushes it on; of a circuit typed back in any order, the first step with it."""
    found: dict[str, int] = {}
    for step in steps(assembly):
        found.setdefault(step.joint.downstream[0], step.number)
    for step in steps(assembly):
        found.setdefault(step.joint.upstream[0], step.number)
    return found


def description(assembly: Assembly) -> str:
    """The picture in words, for whoever cannot see it: each lane from the machine to the patient and back."""
    ways = []
    for lane in assembly.lanes:
        own = [one for one in assembly.pieces if one.lane == lane and one.part not in TERMINALS]
        names = {
            "in": [assembly.part(one.id).short for one in own if ".in." in one.id],
            "out": [assembly.part(one.id).short for one in own if ".out." in one.id],
            "at": [assembly.part(one.id).short for one in own if one.id.count(".") == 1],
        }
        ways.append(
            f"Lane {lane}, {PATTERNS[lane].words}: in through {', '.join(names['in'])}; at the patient "
            f"{', '.join(names['at'])}; out through {', '.join(names['out'])}."
        )
    shared = [assembly.part(one.id).short for one in assembly.pieces if not one.lane and one.part not in TERMINALS]
    return " ".join((*ways, f"Shared: {', '.join(shared) or 'nothing'}."))


def _title(assembly: Assembly) -> str:
    n = len(assembly.lanes)
    return f"Circuit for {n} patients on one ventilator" if n > 1 else "Circuit for one patient"


def _wide(drawn: Layout) -> Frame:
    column, row, left, top = 84.0, 43.0, 106.0, 152.0
    width, height = 2 * left + column * drawn.columns, top + row * (drawn.rows - 0.9)
    return Frame(width, height, lambda p: (left + column * p.column, top + row * p.row), False, 17.5, 14.5)


def _narrow(drawn: Layout, assembly: Assembly) -> Frame:
    """Rows run to the right, columns down; words stay 14 px high where the sheet is 390 px wide."""
    lanes = len(assembly.lanes)
    pitch = drawn.rows / lanes
    across = max(360.0 / lanes, 20.0 * pitch)
    scale = across / pitch
    width = lanes * across + 30.0
    unit = width / 390.0
    words = 14.5 * unit
    kinds = len(assembly.taken)
    down = 58.0 * unit
    height = down * drawn.columns + (210.0 + 24.0 * kinds) * unit + 4 * words
    # The machine stands beside its port: in a chain that is the first lane.
    at_the_edge = any(drawn.places[port].row < 1.0 for port in (INSPIRATORY_PORT, EXPIRATORY_PORT))
    left, top = (62.0 if at_the_edge else 30.0) * unit, 84.0 * unit
    width += left - 30.0 * unit
    return Frame(
        width, height, lambda p: (left + scale * p.row, top + down * p.column), True, words, words, unit, scale / 46.0
    )


def _pipes(assembly: Assembly, drawn: Layout, frame: Frame) -> Iterable[str]:
    """Wide pale pipes first, then each lane's own line in its pattern; what is shared is a plain thick line."""
    lanes, shared = [], []
    for lane, side, route in drawn.routes:
        if side == "patient":
            lanes.append((lane, side, route))
            continue
        cut = max((i for i, place in enumerate(route) if _is_shared(assembly, drawn, place)), default=0)
        shared.append((lane, side, route[: cut + 1]))
        lanes.append((lane, side, route[cut:]))
    for _, side, route in (*lanes, *shared):
        yield f'<path class="edge" d="{_path(frame, route, side)}" stroke-width="{_bore(route, shared) + 3:g}"/>'
    for _, side, route in (*lanes, *shared):
        yield f'<path class="pipe" d="{_path(frame, route, side)}" stroke-width="{_bore(route, shared):g}"/>'
    for _, side, route in shared:
        if len(route) > 1:
            yield f'<path class="ink l" d="{_path(frame, route, side)}" stroke-width="{TRUNK_LINE:g}"/>'
    for lane, side, route in lanes:
        pattern = dashes(lane, LINE)
        dash = f' stroke-dasharray="{pattern}"' if pattern else ""
        yield f'<path class="l l{lane.lower()}" d="{_path(frame, route, side)}" stroke-width="{LINE:g}"{dash}/>'


def _bore(route: tuple[Place, ...], shared: list[tuple[str, str, tuple[Place, ...]]]) -> float:
    return TRUNK_PIPE if any(route is other for _, _, other in shared) else PIPE


def _is_shared(assembly: Assembly, drawn: Layout, place: Place) -> bool:
    return any(drawn.places[one.id] == place for one in assembly.pieces if not one.lane and one.id in drawn.places)


def _path(frame: Frame, route: tuple[Place, ...], side: str) -> str:
    """Along the gas with rounded corners: first along the lane's direction, then across, then along."""
    points = [frame.at(place) for place in route]
    if len(points) < 2:
        return ""
    d = f"M{points[0][0]:.5g} {points[0][1]:.5g}"
    for (x0, y0), (x1, y1) in pairwise(points):
        d += _leg(x0, y0, x1, y1, frame.narrow)
    return d


def _leg(x0: float, y0: float, x1: float, y1: float, narrow: bool) -> str:
    if abs(x1 - x0) < 0.5 or abs(y1 - y0) < 0.5:
        return f"L{x1:.5g} {y1:.5g}"
    r = 18.0
    if narrow:  # along = down: across right away, then down
        sx, sy = (1 if x1 > x0 else -1), (1 if y1 > y0 else -1)
        return f"H{x1 - sx * r:.5g}Q{x1:.5g} {y0:.5g} {x1:.5g} {y0 + sy * r:.5g}V{y1:.5g}"
    sx, sy = (1 if x1 > x0 else -1), (1 if y1 > y0 else -1)
    return f"V{y1 - sy * r:.5g}Q{x0:.5g} {y1:.5g} {x0 + sx * r:.5g} {y1:.5g}H{x1:.5g}"


def _pieces(assembly: Assembly, drawn: Layout, frame: Frame, numbers: dict[str, int]) -> Iterable[str]:
    for one in assembly.pieces:
        if one.part in TERMINALS or one.id not in drawn.places:
            continue
        part, (x, y) = assembly.part(one.id), frame.at(drawn.places[one.id])
        at_patient = one.id.count(".") == 1 and one.lane != "" and not one.id.endswith(".wye")
        across = at_patient or (not one.lane and _on_a_vertical_run(one.id, assembly, drawn))
        turn = 90 if across != frame.narrow and part.kind != "capnograph" else 0
        size = frame.patient_glyph if at_patient else min(frame.unit, 1.3)
        scale = f" scale({size:.3g})" if frame.narrow else ""
        yield f'<g transform="translate({x:.5g} {y:.5g}) rotate({turn}){scale}">{glyph(part)}</g>'
        if frame.narrow:
            continue
        number = f"{numbers.get(one.id, '')}"
        if at_patient:
            yield _label_beside(x + 28.0, y, number, part.short, frame)
        elif across or (part.kind in ("wye", "tee") and not one.lane):
            # Beside the upright pipe, on the side of the lanes.
            inward = 1.0 if one.id.startswith("in.") else -1.0
            below = 0.0 if across else 26.0
            anchor = "start" if inward > 0 else "end"
            yield _halo(text(x + 20.0 * inward, y + 6.0 + below, f"{number} {_name(part)}", frame.words, anchor))
        elif part.kind in ("wye", "tee"):
            yield _label_above(x, y - 22.0, number, (part.short,), frame)
        else:
            yield _label_above(x, y - 26.0, number, _two_lines(_name(part)), frame)


def _name(part: Part) -> str:
    """A short name; of a tube that stands for a sleeve its length alone."""
    return f"{part.length_m:g} m" if part.kind == "tube" else part.short


def _on_a_vertical_run(piece: str, assembly: Assembly, drawn: Layout) -> bool:
    """Whether a shared two-ended piece lies between two splitters that stand one below the other."""
    if assembly.part(piece).kind in ("wye", "tee"):
        return False
    beside = [
        drawn.places.get(end[0])
        for joint in assembly.joints
        if piece in (joint.upstream[0], joint.downstream[0])
        for end in joint.ends
        if end[0] != piece
    ]
    here = drawn.places[piece]
    return any(place is not None and place.column == here.column for place in beside)


def _label_above(x: float, y: float, number: str, lines: tuple[str, ...], frame: Frame) -> str:
    """Number and name over a part, the last line nearest to it; a pale edge keeps them off any line behind."""
    rows = (*lines[:-1], lines[-1])
    found = []
    for i, words in enumerate(rows):
        baseline = y - (len(rows) - 1 - i) * (frame.words + 1.0)
        found.append(_halo(text(x, baseline, words, frame.words)))
    top = y - len(rows) * (frame.words + 1.0)
    found.append(_halo(text(x, top, number, frame.small, kind="q")))
    return "".join(found)


def _label_beside(x: float, y: float, number: str, words: str, frame: Frame) -> str:
    name = text(x + 26.0, y + 5.5, words, frame.words, "start")
    return _halo(text(x + 18.0, y + 5.5, number, frame.small, "end", "q")) + _halo(name)


def _halo(words: str) -> str:
    return words.replace("<text ", '<text paint-order="stroke" stroke="var(--paper)" stroke-width="5" ', 1)


def _two_lines(words: str) -> tuple[str, ...]:
    """Broken at the space nearest to the middle where it is long."""
    if len(words) < 10 or " " not in words:
        return (words,)
    cut = min((i for i, letter in enumerate(words) if letter == " "), key=lambda i: abs(i - len(words) / 2))
    return words[:cut], words[cut + 1 :]


def _hose_words(assembly: Assembly, drawn: Layout, frame: Frame, numbers: dict[str, int]) -> Iterable[str]:
    for hose in drawn.hoses:
        (x0, y0), (x1, y1) = frame.at(hose.start), frame.at(hose.finish)
        x, y = (x0 + x1) / 2.0, (y0 + y1) / 2.0
        words = _hose_name(assembly, hose, total=frame.narrow)
        inward = hose.side == "inspiratory"
        if frame.narrow:
            yield _chevron(x, y, 90)
            yield _halo(text(x + 12.0 * frame.unit, y + 5.0, words[0], frame.small, "start"))
            continue
        yield _chevron(x, y, 0)
        steps_of = "–".join(dict.fromkeys(str(numbers[piece]) for piece in (hose.pieces[0], hose.pieces[-1])))
        if inward and "–" in steps_of:
            steps_of = "–".join(reversed(steps_of.split("–")))
        yield _label_above(x, y - 20.0, steps_of, words, frame)


def _hose_name(assembly: Assembly, hose: Hose, *, total: bool) -> tuple[str, ...]:
    """The tubes one by one, at most two a line, or where there is little room how far they reach together."""
    lengths = [assembly.part(piece) for piece in hose.pieces if assembly.part(piece).kind == "tube"]
    if total:
        return (f"{sum(part.length_m for part in lengths):g} m",)
    each = [f"{part.length_m:g}" for part in lengths]
    lines = ["+".join(each[i : i + 2]) for i in range(0, len(each), 2)]
    lines = [*(f"{line}+" for line in lines[:-1]), f"{lines[-1]} m"]
    narrow = sum(part.bore_mm < 20.0 for part in lengths)
    if narrow:
        lines.append("15 mm bore" if narrow == len(lengths) else "part 15 mm")
    return tuple(lines)


def _chevron(x: float, y: float, turn: int) -> str:
    d = '<path class="ink" d="M-4-6 L4 0 L-4 6" stroke-width="3" stroke-linejoin="round" stroke-linecap="round"/>'
    return f'<g transform="translate({x:.5g} {y:.5g}) rotate({turn})"><circle class="bed" r="10"/>{d}</g>'


def _patients(assembly: Assembly, drawn: Layout, frame: Frame, labels: tuple[str, ...]) -> Iterable[str]:
    for i, lane in enumerate(assembly.lanes):
        x, y = frame.at(drawn.places[f"{lane}.tube"])
        radius = 13.0 * frame.unit if frame.narrow else 24.0
        dash = dashes(lane, 3.4)
        pattern = f' stroke-dasharray="{dash}"' if dash else ""
        look = f'class="dot l l{lane.lower()}" stroke-width="3.4"{pattern}'
        yield f'<circle {look} cx="{x:.5g}" cy="{y:.5g}" r="{radius:g}"/>'
        size = 17.0 * frame.unit if frame.narrow else 30.0
        yield text(x, y + size * 0.35, lane, size, kind="b")
        if i < len(labels):
            if frame.narrow:
                yield _halo(text(x, y + radius + frame.words + 4.0, labels[i], frame.words, kind="b"))
            else:
                yield _halo(text(x + 54.0, y + 6.0, f"bed {labels[i]}", frame.words, "start", "b"))


def _ports(drawn: Layout, frame: Frame) -> Iterable[str]:
    for port, words in ((INSPIRATORY_PORT, "gas out"), (EXPIRATORY_PORT, "gas back")):
        x, y = frame.at(drawn.places[port])
        outward = -1.0 if port == INSPIRATORY_PORT else 1.0
        if frame.narrow:
            y += 24.0 * outward * frame.unit
            yield _box(x, y, 112.0 * frame.unit, 50.0 * frame.unit)
            low = y + 1.2 * frame.words
            yield text(x, y - 0.2 * frame.words, "Ventilator", frame.words, kind="b") + text(x, low, words, frame.words)
            continue
        x += 34.0 * outward
        yield _box(x, y, 122.0, 70.0)
        yield text(x, y - 4.0, "Ventilator", 19.0, kind="b") + text(x, y + 19.0, words, frame.words)


def _box(x: float, y: float, width: float, height: float) -> str:
    where = f'x="{x - width / 2:.5g}" y="{y - height / 2:.5g}" width="{width:g}" height="{height:g}"'
    return f'<rect class="box" {where} rx="10" stroke-width="2.8"/>'


def _key(assembly: Assembly, frame: Frame) -> Iterable[str]:
    """On a phone the parts are named below, each kind once with how many."""
    pitch, unit = 24.0 * frame.unit, frame.unit
    y = frame.height - 4.4 * frame.words - pitch * len(assembly.taken)
    for name, count in assembly.taken:
        part = assembly.catalogue[name]
        shape = _chevron(0.0, 0.0, 0) if part.kind == "tube" else glyph(part)
        yield f'<g transform="translate({28.0 * unit:.5g} {y:.5g}) scale({0.62 * unit:.3g})">{shape}</g>'
        yield text(52.0 * unit, y + 0.35 * frame.words, f"{count} × {part.short}", frame.words, "start")
        y += pitch


def _foot(assembly: Assembly, frame: Frame) -> Iterable[str]:
    n = len(assembly.lanes)
    cautions = ["Test the build before a patient is near it."]
    if n > 1:
        cautions.insert(0, "Sharing is the last resort.")
    if n > 2:
        cautions.insert(0, f"{n} patients: outside regulators’ advice.")
    if not frame.narrow:
        yield text(14.0, 32.0, _title(assembly), 23.0, "start", "b")
        words = " ".join((*cautions, "Numbers are steps.") if n > 1 else cautions)
        yield text(14.0, 58.0, words, frame.words, "start", "q")
        return
    for i, row in enumerate(reversed(cautions)):
        yield text(14.0 * frame.unit, frame.height - (0.8 + 1.35 * i) * frame.words, row, frame.words, "start", "q")
