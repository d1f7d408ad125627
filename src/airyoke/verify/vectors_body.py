"""Formula vectors: body size, classes of severity, PEEP tables, units and gas conditions.

"Worked" in a source: worked out from the published formula apart from this code; else the number is printed there.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from airyoke.lungs import peep_fio2_tables, severity, size
from airyoke.quantities.units import (
    STPD,
    atpd,
    atps,
    btps,
    convert,
    gas_volume_factor,
    saturated_vapour_pressure_mmhg,
)
from airyoke.verify.row import Check, Tolerance, vector

_ARDS_NETWORK: Final = "ARDS Network, N Engl J Med 2000;342:1301"
_UNITS: Final = "NIST Special Publication 811 (2008), appendix B; conventional cmH2O 98.0665 Pa, mmHg 133.322387415 Pa"
_CLASSES: Final = ("none", "mild", "moderate", "severe")

_CONVERSIONS: Final = (
    (1, "cmH2O", "Pa", 98.0665), (1, "cmH2O", "mbar", 0.980665), (1, "cmH2O", "mmHg", 0.735559),
    (1, "mmHg", "Pa", 133.322387415), (1, "mmHg", "cmH2O", 1.35951), (760, "Torr", "Pa", 101325),
    (1, "kPa", "cmH2O", 10.197162), (1, "kPa", "mmHg", 7.500616), (1, "mbar", "cmH2O", 1.0197162),
    (1, "hPa", "cmH2O", 1.0197162), (30, "cmH2O", "kPa", 2.941995), (8, "kPa", "mmHg", 60.0049),
    (60, "mmHg", "kPa", 7.99934), (1, "in", "cm", 2.54), (1, "ft", "in", 12), (1, "lb", "kg", 0.45359237),
    (1, "L·cmH2O", "J", 0.0980665), (12, "g/dL", "g/L", 120), (7, "mmol/L Hb", "g/dL", 7 * 1.6114),
    (24, "mEq/L", "mmol/L", 24), (1, "mL/cmH2O", "mL/kPa", 10.197162), (500, "mL/kPa", "mL/cmH2O", 49.03325),
    (1, "cmH2O·s/L", "kPa·s/L", 0.0980665), (60, "L/min", "L/s", 1), (60, "%", "", 0.6), (450, "mL", "L", 0.45),
    (98.6, "°F", "°C", 37.0), (900, "ms", "s", 0.9),
)  # fmt: skip


def checks() -> tuple[Check, ...]:
    """The vectors of body and units."""
    return (
        vector(
            "predicted-body-weight",
            "predicted body weight: men of 175 and 152.4 cm, women of 160 and 152.4 cm",
            f"{_ARDS_NETWORK}; 50 and 45.5 kg at 152.4 cm are the definition, the others worked",
            "kg",
            (70.566, 50.0, 52.416, 45.5),
            Tolerance(absolute=0.001),
            lambda: [
                *(size.predicted_body_weight_kg("m", height) for height in (175.0, 152.4)),
                *(size.predicted_body_weight_kg("f", height) for height in (160.0, 152.4)),
            ],
        ),
        vector(
            "tidal-volume-by-weight",
            "tidal volume of 4, 6, 8 mL/kg for a man of 175 cm",
            f"{_ARDS_NETWORK}; worked",
            "mL",
            (282.3, 423.4, 564.5),
            Tolerance(absolute=0.1),
            lambda: [size.predicted_body_weight_kg("m", 175.0) * per_kg for per_kg in (4, 6, 8)],
        ),
        vector(
            "berlin-classes",
            "ARDS class at PaO2/FiO2 100, 200, 300, 301 (3 severe, 2 moderate, 1 mild, 0 none)",
            "Ranieri, JAMA 2012;307:2526 (Berlin definition)",
            "",
            (3, 2, 1, 0),
            Tolerance(),
            lambda: [_CLASSES.index(severity.berlin_class(ratio, 1.0)) for ratio in (100.0, 200.0, 300.0, 301.0)],
        ),
        vector(
            "global-classes",
            "ARDS class at SpO2/FiO2 148, 235, 315 (3 severe, 2 moderate, 1 mild) and at SpO2 98 % (-1 not valid)",
            "Matthay, Am J Respir Crit Care Med 2024;209:37",
            "",
            (3, 2, 1, -1),
            Tolerance(),
            _global_classes,
        ),
        vector(
            "lower-peep-table",
            "PEEP of the lower table at FiO2 0.7 and 1.0, and its number of columns",
            _ARDS_NETWORK,
            "cmH2O",
            (10, 12, 14, 18, 20, 22, 24, 17),
            Tolerance(),
            lambda: _peep_table(peep_fio2_tables.LOWER_PEEP_TABLE, 0.7, 1.0),
        ),
        vector(
            "higher-peep-table",
            "PEEP of the higher table at FiO2 0.5 and 0.9, and its number of columns",
            "Brower, N Engl J Med 2004;351:327 (public transcriptions; two of them differ in one column)",
            "cmH2O",
            (16, 18, 20, 22, 14),
            Tolerance(),
            lambda: _peep_table(peep_fio2_tables.HIGHER_PEEP_TABLE, 0.5, 0.9),
        ),
        vector(
            "units",
            f"{len(_CONVERSIONS)} conversions of pressure, length, mass, work, flow, volume, concentration",
            _UNITS,
            "",
            [expected for *_, expected in _CONVERSIONS],
            Tolerance(relative=1e-5),
            lambda: [convert(value, source, target) for value, source, target, _ in _CONVERSIONS],
            labels=tuple(
                f"{value:g} {source} in {target or 'parts of 1'}" for value, source, target, _ in _CONVERSIONS
            ),
        ),
        vector(
            "btps-to-stpd",
            "1 L at body conditions, dry at 0 °C",
            "course on respiratory physiology, University of Southern California (BME 403), as printed",
            "L",
            (0.826,),
            Tolerance(absolute=0.001),
            lambda: [gas_volume_factor(btps(), STPD)],
        ),
        vector(
            "gas-conditions",
            "volume factors: BTPS to STPD and back; dry gas of 20, 22, 25 °C and saturated gas of 20, 22, 25 °C to "
            "BTPS; dry gas of 20, 25 °C to STPD",
            "ideal gas law, 760 mmHg; worked",
            "",
            (0.82624, 1.21030, 1.1277, 1.1201, 1.1088, 1.1017, 1.0909, 1.0742, 0.9318, 0.9161),
            Tolerance(absolute=5.1e-5),
            lambda: [
                gas_volume_factor(btps(), STPD),
                gas_volume_factor(STPD, btps()),
                *(gas_volume_factor(atpd(celsius), btps()) for celsius in (20.0, 22.0, 25.0)),
                *(gas_volume_factor(atps(celsius), btps()) for celsius in (20.0, 22.0, 25.0)),
                *(gas_volume_factor(atpd(celsius), STPD) for celsius in (20.0, 25.0)),
            ],
        ),
        vector(
            "vapour-pressure",
            "saturated water vapour at 20, 22, 25 °C",
            "Murray, J Appl Meteorol 1967;6:203; worked, equal to usual tables",
            "mmHg",
            (17.54, 19.83, 23.76),
            Tolerance(absolute=0.006),
            lambda: [saturated_vapour_pressure_mmhg(celsius) for celsius in (20.0, 22.0, 25.0)],
        ),
    )


def _global_classes() -> list[int]:
    found = [severity.global_class(97.0, 97.0 / ratio) for ratio in (148.0, 235.0, 315.0)]
    found.append(severity.global_class(98.0, 0.5))
    return [-1 if one is None else _CLASSES.index(one) for one in found]


def _peep_table(table: tuple[peep_fio2_tables.Column, ...], *fio2: float) -> Sequence[float]:
    options = [peep for one in fio2 for peep in peep_fio2_tables.peep_options_cmh2o(table, one)]
    return [*options, len(table)]
