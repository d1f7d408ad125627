"""Formula vectors: carbon dioxide, acid and base, oxygen.

"Worked" in a source: worked out from the published formula apart from this code; else the number is printed there.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from airyoke.lungs import carbon_dioxide, oxygen
from airyoke.verify.row import Check, Compared, Tolerance, vector

_VENTILATION: Final = "alveolar ventilation equation, constant 0.863 (textbook); worked"
_HENDERSON: Final = "Henderson-Hasselbalch, pK 6.1, 0.0307 mmol/L/mmHg (textbook); worked"
_SEVERINGHAUS: Final = "Severinghaus, J Appl Physiol 1979;46:599"
_ISO_SHUNT: Final = "Benatar, Hewlett, Nunn, Br J Anaesth 1973;45:711 (concept); worked at Hb 12, a-v 5 mL/dL"

# PO2 in mmHg and the saturation in per cent of the paper's table 1 (from a public transcription).
_PRINTED_SATURATION: Final = (
    (10, 9.58), (20, 32.12), (26, 48.27), (30, 57.54), (40, 74.69), (50, 85.08), (60, 90.85),
    (70, 94.06), (80, 95.84), (90, 96.88), (100, 97.49), (150, 98.77), (200, 99.20), (300, 99.53),
)  # fmt: skip
_SHUNTS: Final = (0.05, 0.10, 0.20, 0.30, 0.40, 0.50)
_SHUNT_TABLE: Final = {
    0.30: (121.8, 95.5, 69.3, 55.3, 45.4, 37.2),
    0.40: (170.0, 119.9, 76.7, 58.6, 47.3, 38.3),
    0.50: (232.2, 158.4, 85.8, 62.1, 49.0, 39.4),
    0.60: (301.2, 214.6, 99.0, 66.2, 50.9, 40.4),
    0.80: (444.1, 351.2, 156.0, 77.6, 55.4, 42.7),
    1.00: (588.3, 494.4, 275.2, 99.6, 61.2, 45.3),
}


def checks() -> tuple[Check, ...]:
    """The vectors of gas exchange."""
    return (*_carbon_dioxide(), *_saturation(), *_oxygen())


def _carbon_dioxide() -> tuple[Check, ...]:
    return (
        vector(
            "paco2-from-ventilation",
            "PaCO2 at CO2 output 200 and 220 mL/min, alveolar ventilation 4.315 and 4.0 L/min",
            _VENTILATION,
            "mmHg",
            (40.00, 47.465),
            Tolerance(relative=1e-4),
            lambda: [float(carbon_dioxide.paco2_mmhg(200.0, 4.315)), float(carbon_dioxide.paco2_mmhg(220.0, 4.0))],
        ),
        vector(
            "vco2-from-paco2",
            "CO2 output at PaCO2 50, minute volume 10 L/min, VD/VT 0.6",
            _VENTILATION,
            "mL/min",
            (231.75,),
            Tolerance(relative=1e-4),
            lambda: [float(carbon_dioxide.vco2_ml_per_min(50.0, 4.0))],
        ),
        vector(
            "paco2-after-a-change",
            "PaCO2 55 at VT 420, 20/min, then 350, 28/min: dead space as fraction, as volume, as both",
            "alveolar ventilation by three assumptions on dead space; worked",
            "mmHg",
            (47.143, 67.347, 53.036),
            Tolerance(relative=1e-4),
            _after_a_change,
        ),
        vector(
            "added-dead-space",
            "alveolar ventilation lost by 60 mL of apparatus at VT 350, dead space 190: ratio",
            "definition of alveolar ventilation; worked",
            "",
            (1.6,),
            Tolerance(relative=1e-9),
            _added_dead_space,
        ),
        vector(
            "ph",
            "pH at PaCO2/HCO3 40/24, 60/26, 80/28, 80/24, 60/31",
            _HENDERSON,
            "",
            (7.391, 7.250, 7.157, 7.090, 7.326),
            Tolerance(absolute=0.001),
            lambda: [
                float(carbon_dioxide.ph_from(bicarbonate, paco2))
                for paco2, bicarbonate in ((40.0, 24.0), (60.0, 26.0), (80.0, 28.0), (80.0, 24.0), (60.0, 31.0))
            ],
        ),
        vector(
            "acute-bicarbonate",
            "from pH 7.30 at PaCO2 50: own HCO3, HCO3 and pH after an acute rise to 70",
            f"{_HENDERSON}; acute +1 mmol/L per 10 mmHg (textbook)",
            "",
            (24.328, 26.328, 7.188),
            Tolerance(absolute=0.002),
            _acute,
        ),
        vector(
            "bohr-enghoff",
            "VD/VT at PaCO2 50, mixed expired 20 mmHg",
            "Enghoff's form of Bohr's equation (textbook); worked",
            "",
            (0.6,),
            Tolerance(relative=1e-6),
            lambda: [float(carbon_dioxide.physiological_dead_space_fraction(50.0, 20.0))],
        ),
        vector(
            "ventilatory-ratio",
            "ventilatory ratio: 10 L/min, PaCO2 50, PBW 70 kg",
            "Sinha, Am J Respir Crit Care Med 2019;199:333; worked",
            "",
            (1.9048,),
            Tolerance(relative=1e-4),
            lambda: [float(carbon_dioxide.ventilatory_ratio(10000.0, 50.0, 70.0))],
        ),
    )


def _saturation() -> tuple[Check, ...]:
    return (
        vector(
            "saturation-printed",
            "saturation at 14 values of PO2 from 10 to 300 mmHg, as printed",
            f"{_SEVERINGHAUS}, table 1; the paper's own claim is 0.55 %",
            "%",
            [saturation for _, saturation in _PRINTED_SATURATION],
            Tolerance(absolute=0.55),
            lambda: [100.0 * float(oxygen.saturation(float(po2))) for po2, _ in _PRINTED_SATURATION],
        ),
        vector(
            "saturation",
            "saturation at PO2 30, 40, 60, 100",
            f"{_SEVERINGHAUS}; worked",
            "",
            (0.57377, 0.74946, 0.90580, 0.97747),
            Tolerance(relative=1e-4),
            lambda: [float(oxygen.saturation(po2)) for po2 in (30.0, 40.0, 60.0, 100.0)],
        ),
        vector(
            "saturation-by-ph",
            "saturation at PO2 60 and pH 7.40, 7.20, 7.10",
            f"{_SEVERINGHAUS} (Bohr shift); worked",
            "",
            (0.9058, 0.8403, 0.7962),
            Tolerance(absolute=5e-5),
            lambda: [float(oxygen.saturation(60.0, ph)) for ph in (7.40, 7.20, 7.10)],
        ),
        vector(
            "po2-from-saturation",
            "PO2 at saturation 0.50, 0.75, 0.88, 0.90, 0.95, 0.99",
            "Ellis, J Appl Physiol 1989;67:902; worked",
            "mmHg",
            (26.857, 40.040, 54.670, 58.655, 75.668, 131.940),
            Tolerance(relative=1e-4),
            lambda: [float(oxygen.po2_from_saturation_mmhg(s)) for s in (0.50, 0.75, 0.88, 0.90, 0.95, 0.99)],
        ),
        Check(
            "saturation-round-trip",
            "law",
            "PO2 to saturation and back, 10 to 500 mmHg: largest relative error",
            "Severinghaus 1979 and Ellis 1989 are exact inverses",
            "",
            Tolerance(absolute=1e-6),
            _round_trip,
        ),
    )


def _oxygen() -> tuple[Check, ...]:
    return (
        vector(
            "alveolar-gas-printed",
            "alveolar PO2 at FiO2 0.21, PaCO2 40, short form",
            "a respiratory therapy workbook (Egan's), as printed",
            "mmHg",
            (99.73,),
            Tolerance(absolute=0.01),
            lambda: [float(oxygen.alveolar_po2_short_mmhg(0.21, 40.0))],
        ),
        vector(
            "alveolar-gas",
            "alveolar PO2, full form, at FiO2/PaCO2 0.21/40, 0.6/60, 1.0/60",
            "alveolar gas equation, R 0.8, 760 mmHg (textbook); worked",
            "mmHg",
            (101.83, 361.8, 653.0),
            Tolerance(absolute=0.06),
            lambda: [
                float(oxygen.alveolar_po2_mmhg(fio2, paco2)) for fio2, paco2 in ((0.21, 40.0), (0.6, 60.0), (1.0, 60.0))
            ],
        ),
        vector(
            "oxygen-content",
            "oxygen content at PO2/Hb 100/15, 60/10",
            "1.34 Hb S + 0.0031 PO2 (textbook); worked",
            "mL/dL",
            (19.957, 12.324),
            Tolerance(relative=1e-3),
            lambda: [
                float(oxygen.oxygen_content_ml_per_dl(100.0, 15.0)),
                float(oxygen.oxygen_content_ml_per_dl(60.0, 10.0)),
            ],
        ),
        vector(
            "shunt-equation",
            "contents (capillary, arterial, venous) and shunt at FiO2 1.0, PaCO2 40, PaO2 100, Hb 10, venous PO2 35",
            "Berggren's shunt equation (textbook); worked",
            "",
            (15.485, 13.408, 9.125, 0.32657),
            Tolerance(relative=1e-3),
            _shunt,
        ),
        vector(
            "iso-shunt-table",
            "PaO2 at FiO2 0.3, 0.4, 0.5, 0.6, 0.8, 1.0 and shunt 5, 10, 20, 30, 40, 50 %",
            _ISO_SHUNT,
            "mmHg",
            [po2 for row in _SHUNT_TABLE.values() for po2 in row],
            Tolerance(absolute=0.06),
            lambda: [
                float(po2)
                for fio2 in _SHUNT_TABLE
                for po2 in np.asarray(oxygen.po2_from_shunt_mmhg(np.array(_SHUNTS), fio2, 40.0, 7.40, 12.0, 5.0))
            ],
        ),
        vector(
            "shunt-moved",
            "shunt fitted at FiO2 0.6, PaO2 70, PaCO2 45, Hb 10; PaO2 at FiO2 0.8, 0.5, PaCO2 65, and back",
            _ISO_SHUNT.replace("Hb 12", "Hb 10"),
            "",
            (0.26274, 88.09, 64.41, 68.15, 70.0),
            Tolerance(relative=1e-3),
            _shunt_moved,
        ),
        vector(
            "pf-from-saturation",
            "P/F from SpO2 90 % at FiO2 0.6: by the curve, linear, logarithmic",
            "Brown, Chest 2016;150:307; Rice, Chest 2007;132:410; log form after Pandharipande; worked",
            "mmHg",
            (97.76, 102.38, 150.44),
            Tolerance(relative=1e-3),
            lambda: [
                float(oxygen.pao2_to_fio2_nonlinear_mmhg(90.0, 0.6)),
                float(oxygen.pao2_to_fio2_rice_mmhg(150.0)),
                float(oxygen.pao2_to_fio2_log_mmhg(150.0)),
            ],
        ),
    )


def _after_a_change() -> list[float]:
    ventilation = carbon_dioxide.alveolar_ventilation_l_per_min
    both = (252 - 150) / (420 - 150)
    return [
        float(55 * ventilation(420, 20, 0, 0, 0.6) / ventilation(350, 28, 0, 0, 0.6)),
        float(55 * ventilation(420, 20, 252, 0, 0) / ventilation(350, 28, 252, 0, 0)),
        float(55 * ventilation(420, 20, 100, 50, both) / ventilation(350, 28, 100, 50, both)),
    ]


def _added_dead_space() -> list[float]:
    ventilation = carbon_dioxide.alveolar_ventilation_l_per_min
    return [float(ventilation(350, 20, 190, 0, 0) / ventilation(350, 20, 190, 60, 0))]


def _acute() -> list[float]:
    own = float(carbon_dioxide.bicarbonate_from_mmol_per_l(7.30, 50.0))
    acute = float(carbon_dioxide.acute_bicarbonate_mmol_per_l(own, 50.0, 70.0))
    return [own, acute, float(carbon_dioxide.ph_from(acute, 70.0))]


def _round_trip() -> Compared:
    po2 = np.linspace(10.0, 500.0, 491)
    back = np.asarray(oxygen.po2_from_saturation_mmhg(oxygen.saturation(po2)))
    return [0.0], [float(np.max(np.abs(back / po2 - 1.0)))]


def _shunt() -> list[float]:
    po2 = (float(oxygen.alveolar_po2_mmhg(1.0, 40.0)), 100.0, 35.0)
    contents = [float(oxygen.oxygen_content_ml_per_dl(one, 10.0)) for one in po2]
    return [*contents, float(oxygen.shunt_equation(*contents))]


def _shunt_moved() -> list[float]:
    shunt = float(oxygen.shunt_from_po2(70.0, 0.6, 45.0, 7.40, 10.0, 5.0))
    moved = ((0.8, 45.0), (0.5, 45.0), (0.6, 65.0), (0.6, 45.0))
    return [shunt, *(float(oxygen.po2_from_shunt_mmhg(shunt, *case, 7.40, 10.0, 5.0)) for case in moved)]
