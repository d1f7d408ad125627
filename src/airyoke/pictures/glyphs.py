"""One small drawing for each kind of part, centred on 0,0, the gas running to the right; at most 44 by 36 units."""

from __future__ import annotations

from airyoke.circuit.part import Part


def glyph(part: Part) -> str:
    """The strokes of a part's kind. Words stand beside it; the shape alone is never the only sign."""
    return _GLYPHS.get(part.kind, _SLEEVE)


# A one-way valve: gas leaves at the point and is stopped by the bar.
_VALVE = (
    '<rect class="box" x="-22" y="-16" width="44" height="32" rx="6" stroke-width="2.2"/>'
    '<path class="fill" d="M-12-10 L8 0 L-12 10 Z"/><path class="ink" d="M11-10 V10" stroke-width="3.6"/>'
)
_PEEP = (
    '<rect class="box" x="-22" y="-16" width="44" height="32" rx="6" stroke-width="2.2"/>'
    '<path class="fill" d="M-15-8 L-1 0 L-15 8 Z"/>'
    '<path class="ink" d="M2 9 V-9 M2 0 l3-6 4 12 4-12 3 6" stroke-width="2.2" stroke-linejoin="round"/>'
)
_FILTER = (
    '<rect class="box" x="-17" y="-16" width="34" height="32" rx="4" stroke-width="2.2"/>'
    '<path class="ink" d="M-7-15 V15 M0-15 V15 M7-15 V15" stroke-width="2" stroke-dasharray="3.2 3"/>'
)
_HME = (
    '<rect class="box" x="-17" y="-16" width="34" height="32" rx="4" stroke-width="2.2"/>'
    '<path class="ink" d="M-11-7 q5.5-6 11 0 t11 0 M-11 1 q5.5-6 11 0 t11 0 M-11 9 q5.5-6 11 0 t11 0" '
    'stroke-width="2"/>'
)
_HMEF = (
    '<rect class="box" x="-20" y="-16" width="40" height="32" rx="4" stroke-width="2.2"/>'
    '<path class="ink" d="M-12-15 V15 M-6-15 V15" stroke-width="2" stroke-dasharray="3.2 3"/>'
    '<path class="ink" d="M-1-6 q4-5 8 0 t8 0 M-1 2 q4-5 8 0 t8 0 M-1 10 q4-5 8 0 t8 0" stroke-width="2"/>'
)
_SLEEVE = (
    '<rect class="box" x="-15" y="-10" width="30" height="20" rx="3" stroke-width="2.2"/>'
    '<path class="ink" d="M0-10 V10" stroke-width="2"/>'
)
_MOUNT = (
    '<rect class="box" x="-20" y="-9" width="40" height="18" rx="7" stroke-width="2.2"/>'
    '<path class="ink" d="M-11-9 V9 M-4-9 V9 M3-9 V9 M10-9 V9" stroke-width="1.6"/>'
)
_ELBOW = (
    '<rect class="box" x="-13" y="-11" width="26" height="22" rx="3" stroke-width="2.2"/>'
    '<path class="ink" d="M-7-4 H2 q4 0 4 4 V7" stroke-width="2.4"/>'
)
_CAPNOGRAPH = (
    '<rect class="box" x="-15" y="-11" width="30" height="22" rx="3" stroke-width="2.2"/>'
    '<path class="ink" d="M-11 6 H-7 L-5-3 L5-6 L7 6 H11" stroke-width="2.2" stroke-linejoin="round"/>'
)
_SUCTION = (
    '<rect class="box" x="-15" y="-11" width="30" height="22" rx="3" stroke-width="2.2"/>'
    '<path class="ink" d="M-9 0 H9 M9 0 l-6-5 M9 0 l-6 5" stroke-width="2"/>'
)
_RESTRICTOR = (
    '<rect class="box" x="-20" y="-16" width="40" height="32" rx="6" stroke-width="2.2"/>'
    '<path class="fill" d="M-14-15 Q0-3 14-15 Z M-14 15 Q0 3 14 15 Z"/>'
)
_HUMIDIFIER = (
    '<rect class="box" x="-22" y="-18" width="44" height="36" rx="5" stroke-width="2.2"/>'
    '<path class="ink" d="M-21 4 q7-5 14 0 t14 0 t14 0" stroke-width="2"/>'
    '<path class="ink" d="M-8-4 q4-4 0-8 M2-4 q4-4 0-8 M12-4 q4-4 0-8" stroke-width="1.8"/>'
)
_CAP = '<rect class="fill" x="-9" y="-9" width="18" height="18" rx="2"/>'
_TEST_LUNG = '<ellipse class="box" cx="0" cy="0" rx="22" ry="15" stroke-width="2.2"/>'
# Splitters and wyes are drawn by their own legs; the node only marks where they meet: round for Y, square for T.
_WYE = '<circle class="box" r="9" stroke-width="2.6"/><circle class="fill" r="3.4"/>'
_TEE = (
    '<rect class="box" x="-9" y="-9" width="18" height="18" rx="2" stroke-width="2.6"/>'
    '<rect class="fill" x="-3" y="-3" width="6" height="6"/>'
)

_GLYPHS = {
    "valve": _VALVE,
    "peep_valve": _PEEP,
    "filter": _FILTER,
    "hme": _HME,
    "hmef": _HMEF,
    "sleeve": _SLEEVE,
    "mount": _MOUNT,
    "elbow": _ELBOW,
    "capnograph": _CAPNOGRAPH,
    "suction": _SUCTION,
    "restrictor": _RESTRICTOR,
    "humidifier": _HUMIDIFIER,
    "cap": _CAP,
    "test_lung": _TEST_LUNG,
    "wye": _WYE,
    "tee": _TEE,
}
