"""What is turned on a ventilator, old beside new: the dial list of a group."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from airyoke.breath.settings import Settings
from airyoke.breath.ventilator import Ventilator
from airyoke.contract.words import plain


@dataclass(frozen=True, slots=True)
class Dial:
    """One dial: what each bed has now (in the order of the beds), and what is dialled. ``-`` = none."""

    name: str
    unit: str
    now: tuple[str, ...]
    new: str


def dial_list(
    now: tuple[Settings | None, ...], new: Settings | None, ventilator: Ventilator | None
) -> tuple[Dial, ...]:
    """The dials that matter in any of the settings, in the order in which they are set.

    Where the dial of ``ventilator`` reads absolute pressure, the line says so and holds PEEP plus drive.
    """
    absolute = ventilator is not None and ventilator.pressure_reference == "absolute"
    rows: list[tuple[str, str, Callable[[Settings], str | None]]] = [
        ("mode", "", lambda s: "pressure" if s.mode == "pc" else "volume"),
        (
            "inspiratory pressure, absolute" if absolute else "pressure above PEEP",
            "cmH2O",
            _absolute if absolute else _above,
        ),
        ("tidal volume", "mL", lambda s: _maybe(s.tidal_volume_ml if s.mode == "vc" else None)),
        ("flow shape", "", lambda s: s.flow_shape if s.mode == "vc" else None),
        ("PEEP", "cmH2O", lambda s: plain(s.peep_cmh2o)),
        ("rate", "/min", lambda s: plain(s.rate_per_min)),
        ("inspiratory time", "s", lambda s: plain(s.inspiratory_time_s)),
        ("pause, inside it", "s", lambda s: _maybe(s.pause_s if s.mode == "vc" and s.pause_s else None)),
        ("I:E", "", lambda s: f"1:{s.expiratory_time_s / s.inspiratory_time_s:.1f}"),
        ("rise time", "s", lambda s: _maybe(s.rise_time_s if s.mode == "pc" and s.rise_time_s else None)),
        ("FiO2", "", lambda s: plain(s.fio2)),
        ("pressure limit", "cmH2O", lambda s: _maybe(s.pressure_limit_cmh2o)),
        ("bias flow", "L/min", lambda s: _maybe(s.bias_flow_l_per_min or None)),
        ("expiratory pause", "s", lambda s: _maybe(s.expiratory_pause_s or None)),
    ]
    dials = []
    for name, unit, value in rows:
        before = tuple(_shown(one, value) for one in now)
        after = _shown(new, value)
        if any(cell != "-" for cell in (*before, after)):
            dials.append(Dial(name, unit, before, after))
    return tuple(dials)


def _shown(settings: Settings | None, value: Callable[[Settings], str | None]) -> str:
    return "-" if settings is None else value(settings) or "-"


def _maybe(value: float | None) -> str | None:
    return None if value is None else plain(value)


def _above(settings: Settings) -> str | None:
    return _maybe(settings.pressure_above_peep_cmh2o)


def _absolute(settings: Settings) -> str | None:
    above = settings.pressure_above_peep_cmh2o
    return None if above is None else plain(settings.peep_cmh2o + above)
