"""The balance of oxygen and CO2 between lung, blood and body, stepped in time for many draws at once.

Lung: oxygen, CO2 and nitrogen as amounts (mL STPD) in a well-mixed space at barometric pressure. Blood: mixed venous
oxygen content; arterial blood is end-capillary blood with the shunt mixed in. Body: a fast and a slow store of CO2.
Time in minutes inside, contents mL/dL, amounts mL STPD, lung volume mL BTPS.

Sources: the balances are conservation of mass; the form of the oxygen part after Farmery, Br J Anaesth 1996;76:284
(from memory), that of CO2 after Farhi, J Appl Physiol 1955;7:472 (abstract).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, Final, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from airyoke.lungs.carbon_dioxide import VENTILATION_CONSTANT_MMHG, acute_bicarbonate_mmol_per_l, ph_from
from airyoke.lungs.oxygen import (
    HUEFNER_ML_PER_G,
    LOWEST_PO2_MMHG,
    OXYGEN_SOLUBILITY,
    WATER_VAPOUR_MMHG,
    alveolar_po2_mmhg,
    oxygen_content_ml_per_dl,
    po2_from_content_mmhg,
    po2_from_saturation_mmhg,
    saturation,
)
from airyoke.lungs.values import Values

Floats = NDArray[np.float64]
# circuit: open to the circuit's gas · blocked: nothing in or out · room air: off the circuit, PEEP lost
Airway: TypeAlias = Literal["circuit", "blocked", "room air"]

ROOM_AIR_FIO2: Final = 0.21
# mmHg x mL BTPS in 1 mL STPD.
_MMHG_PER_ML_PER_ML: Final = 1000.0 * VENTILATION_CONSTANT_MMHG
_DL_PER_L: Final = 10.0
# Longest step. The fourth-order rule then errs by less than a tenth of a second in the time to desaturation.
_LONGEST_STEP_S: Final = 2.0
# Step x fastest rate: the rule is stable to 2.7.
_STEP_PER_TIME_CONSTANT: Final = 1.2
# Steepest part of the dissociation curve, saturation per mmHg (Severinghaus, near 20 mmHg).
_STEEPEST_PER_MMHG: Final = 0.03
# Where venous blood has less than this left the tissues take less: content stays above zero.
_STARVED_ML_PER_DL: Final = 1.0


@dataclass(frozen=True, slots=True)
class Stores:
    """Stores of one patient when ventilation changes. Arrays (rows,), the same rows throughout.

    ``lung_volume_ml`` is the gas in the lung at the end of expiration, BTPS, at ``peep_cmh2o`` (total); a lung that is
    blocked or loses PEEP shrinks to ``least_lung_volume_ml`` at most. ``assumed`` names what is not of this patient.
    """

    lung_volume_ml: Floats
    least_lung_volume_ml: Floats
    compliance_ml_per_cmh2o: Floats
    peep_cmh2o: Floats
    fio2: Floats
    paco2_mmhg: Floats
    bicarbonate_mmol_per_l: Floats
    shunt_fraction: Floats
    haemoglobin_g_per_dl: Floats
    vo2_ml_per_min: Floats
    vco2_ml_per_min: Floats
    cardiac_output_l_per_min: Floats
    venous_blood_l: Floats
    fast_co2_ml_per_mmhg: Floats
    slow_co2_ml_per_mmhg: Floats
    slow_co2_minutes: float
    blood_co2_ml_per_l_per_mmhg: float
    barometric_pressure_mmhg: float
    assumed: tuple[str, ...] = ()

    @property
    def size(self) -> int:
        return self.lung_volume_ml.size

    def rows(self, chosen: NDArray[np.bool_] | NDArray[np.int64]) -> Stores:
        """The same stores, these rows only."""
        picked = {
            field.name: getattr(self, field.name)[chosen]
            for field in fields(self)
            if isinstance(getattr(self, field.name), np.ndarray)
        }
        return replace(self, **picked)

    def tiled(self, times: int) -> Stores:
        """All rows, so many times over: for several ventilations in one call."""
        return self.rows(np.tile(np.arange(self.size), times))


def together(stores: Sequence[Stores]) -> Stores:
    """The stores of several patients, one after the other: for all of them in one call."""
    arrays: dict[str, Any] = {
        one.name: np.concatenate([getattr(each, one.name) for each in stores])
        for one in fields(Stores)
        if isinstance(getattr(stores[0], one.name), np.ndarray)
    }
    return replace(stores[0], **arrays)


@dataclass(frozen=True, slots=True)
class State:
    """Where gas is at one moment.

    ``contents`` (6, rows): O2, CO2, N2 of the lung, mL STPD; venous oxygen content, mL/dL; PCO2 of the fast and of the
    slow store, mmHg.
    """

    stores: Stores
    blocked: bool
    inspired_fio2: Floats
    alveolar_ventilation_l_per_min: Floats
    contents: Floats

    @property
    def paco2_mmhg(self) -> Floats:
        return np.asarray(self._pressures(self.contents)[1])

    def rows(self, chosen: NDArray[np.bool_]) -> State:
        return State(
            self.stores.rows(chosen),
            self.blocked,
            self.inspired_fio2[chosen],
            self.alveolar_ventilation_l_per_min[chosen],
            self.contents[:, chosen],
        )

    def arterial_content_ml_per_dl(self) -> Floats:
        po2, pco2, _ = self._pressures(self.contents)
        return self._arterial(po2, self._ph(pco2), self.contents[3])

    def spo2_pct(self) -> Floats:
        """Saturation of arterial blood, %."""
        ph = self._ph(self.paco2_mmhg)
        po2 = po2_from_content_mmhg(self.arterial_content_ml_per_dl(), self.stores.haemoglobin_g_per_dl, ph)
        return np.asarray(100.0 * saturation(po2, ph))

    def content_above(self, spo2_pct: float) -> Floats:
        """Arterial oxygen content above that of this saturation at the pH of now, mL/dL; negative below it."""
        ph = self._ph(self.paco2_mmhg)
        fraction = spo2_pct / 100.0
        bound = HUEFNER_ML_PER_G * self.stores.haemoglobin_g_per_dl * fraction
        dissolved = OXYGEN_SOLUBILITY * np.asarray(po2_from_saturation_mmhg(fraction, ph))
        return self.arterial_content_ml_per_dl() - bound - dissolved

    def longest_step_s(self, most_s: float) -> float:
        """A step, s, that every row bears, ``most_s`` at the longest."""
        s = self.stores
        flow = s.cardiac_output_l_per_min
        oxygen = _DL_PER_L * HUEFNER_ML_PER_G * s.haemoglobin_g_per_dl * _STEEPEST_PER_MMHG * flow
        carbon_dioxide = flow * s.blood_co2_ml_per_l_per_mmhg
        volume = self._volume_ml(self.contents)
        ventilation = 1000.0 * self.alveolar_ventilation_l_per_min / volume
        per_minute = np.maximum(oxygen, carbon_dioxide) * _MMHG_PER_ML_PER_ML / volume + ventilation
        return float(min(most_s, _LONGEST_STEP_S, 60.0 * _STEP_PER_TIME_CONSTANT / np.max(per_minute)))

    def after(self, step_s: float) -> State:
        """The state ``step_s`` later: one step of the classical fourth-order Runge-Kutta rule."""
        h, x = step_s / 60.0, self.contents
        # pH moves slowly against a step of two seconds: it is taken at its start.
        ph = self._ph(self.paco2_mmhg)
        k1 = self._change(x, ph)
        k2 = self._change(x + 0.5 * h * k1, ph)
        k3 = self._change(x + 0.5 * h * k2, ph)
        k4 = self._change(x + h * k3, ph)
        new = x + (h / 6.0) * (k1 + 2.0 * k2 + 2.0 * k3 + k4)
        return replace(self, contents=np.maximum(new, 0.0))

    def _ph(self, paco2: Floats) -> Floats:
        s = self.stores
        acute = acute_bicarbonate_mmol_per_l(s.bicarbonate_mmol_per_l, s.paco2_mmhg, paco2)
        return np.asarray(ph_from(acute, paco2))

    def _volume_ml(self, contents: Floats) -> Floats:
        s = self.stores
        dry = s.barometric_pressure_mmhg - WATER_VAPOUR_MMHG
        volume = contents[:3].sum(axis=0) * _MMHG_PER_ML_PER_ML / dry
        # A lung that has lost this much shrinks no further: from there on its pressure falls instead.
        return np.asarray(np.maximum(volume, s.least_lung_volume_ml))

    def _pressures(self, contents: Floats) -> Floats:
        """PO2, PCO2, PN2 in the lung, mmHg, (3, rows)."""
        return np.asarray(contents[:3] * (_MMHG_PER_ML_PER_ML / self._volume_ml(contents)))

    def _arterial(self, po2: Floats, ph: Floats, venous: Floats) -> Floats:
        s = self.stores
        capillary = oxygen_content_ml_per_dl(np.maximum(po2, LOWEST_PO2_MMHG), s.haemoglobin_g_per_dl, ph)
        # Where the lung has less than venous blood, blood gives oxygen back to it; the balance holds either way.
        return np.asarray((1.0 - s.shunt_fraction) * capillary + s.shunt_fraction * venous)

    def _change(self, contents: Floats, ph: Floats) -> Floats:
        """Rate of change of ``contents`` per minute."""
        s = self.stores
        pressures = self._pressures(contents)
        venous, fast, slow = contents[3:]
        arterial = self._arterial(pressures[0], ph, venous)
        flow = s.cardiac_output_l_per_min
        uptake = _DL_PER_L * flow * (arterial - venous)
        output = flow * s.blood_co2_ml_per_l_per_mmhg * (fast - pressures[1])
        change = np.empty_like(contents)
        change[0], change[1], change[2] = -uptake, output, 0.0
        if not self.blocked:
            # Expired gas has the lung's composition; what keeps the volume comes in fresh, or leaves as it is.
            out = 1000.0 * self.alveolar_ventilation_l_per_min / _MMHG_PER_ML_PER_ML * pressures
            drawn_in = out.sum(axis=0) + uptake - output
            fresh = np.maximum(drawn_in, 0.0)
            change[:3] -= out + np.maximum(-drawn_in, 0.0) * pressures / pressures.sum(axis=0)
            change[0] += self.inspired_fio2 * fresh
            change[2] += (1.0 - self.inspired_fio2) * fresh
        used = s.vo2_ml_per_min * np.minimum(1.0, venous / _STARVED_ML_PER_DL)
        change[3] = (uptake - used) / (_DL_PER_L * s.venous_blood_l)
        to_slow = s.slow_co2_ml_per_mmhg / s.slow_co2_minutes * (fast - slow)
        change[4] = (s.vco2_ml_per_min - output - to_slow) / s.fast_co2_ml_per_mmhg
        change[5] = to_slow / s.slow_co2_ml_per_mmhg
        return change


def at_the_start(stores: Stores, airway: Airway, alveolar_ventilation_l_per_min: Values = 0.0) -> State:
    """Settled exchange at the stores' own FiO2 and PaCO2, then the airway as said.

    Raises ``ValueError`` for ventilation that is negative, or through a blocked airway.
    """
    ventilation = np.broadcast_to(np.asarray(alveolar_ventilation_l_per_min, dtype=np.float64), (stores.size,))
    if np.any(ventilation < 0.0):
        raise ValueError("alveolar ventilation cannot be negative")
    if airway == "blocked" and np.any(ventilation > 0.0):
        raise ValueError("nothing is ventilated through a blocked airway")
    s = stores
    dry = s.barometric_pressure_mmhg - WATER_VAPOUR_MMHG
    quotient = s.vco2_ml_per_min / s.vo2_ml_per_min
    alveolar = alveolar_po2_mmhg(s.fio2, s.paco2_mmhg, s.barometric_pressure_mmhg, quotient)
    po2 = np.clip(alveolar, LOWEST_PO2_MMHG, dry - s.paco2_mmhg)
    volume, inspired = s.lung_volume_ml, s.fio2
    if airway == "room air":
        volume = np.maximum(volume - s.compliance_ml_per_cmh2o * s.peep_cmh2o, s.least_lung_volume_ml)
        inspired = np.full(stores.size, ROOM_AIR_FIO2)
    ph = ph_from(s.bicarbonate_mmol_per_l, s.paco2_mmhg)
    capillary = np.asarray(oxygen_content_ml_per_dl(po2, s.haemoglobin_g_per_dl, ph))
    # Uptake equals use: Cc' - Cv = VO2 / (Q (1 - shunt)).
    apart = s.vo2_ml_per_min / (_DL_PER_L * s.cardiac_output_l_per_min * (1.0 - s.shunt_fraction))
    body = s.paco2_mmhg + s.vco2_ml_per_min / (s.cardiac_output_l_per_min * s.blood_co2_ml_per_l_per_mmhg)
    pressures = np.stack([po2, s.paco2_mmhg, dry - po2 - s.paco2_mmhg])
    contents = np.concatenate(
        [
            pressures * (volume / _MMHG_PER_ML_PER_ML),
            np.stack([np.maximum(capillary - apart, 0.0), body, body]),
        ]
    )
    return State(s, airway == "blocked", inspired, ventilation, contents)
