"""The lungs of a group as the engine takes them: arrays, one row a draw, one column a patient."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from airyoke.breath import layout as k

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

MIN_RESISTANCE = 1e-4  # cmH2O·s/L
NUMBERS = (  # of every lung, in the order of the fields
    "compliance_ml_per_cmh2o",
    "inspiratory_resistance_cmh2o_s_per_l",
    "expiratory_resistance_cmh2o_s_per_l",
    "quadratic_resistance_cmh2o_s2_per_l2",
)


@dataclass(frozen=True, slots=True)
class Sigmoid:
    """Pressure-volume curve of each lung, V = span / (1 + exp(-(P - centre) / width)); nan where a lung has none.

    Venegas, Harris, Simon: J Appl Physiol 1998;84:389. V is counted from the lower asymptote; the steepest slope is
    span / (4 width), at the centre. Within 0.01 % of the span from either end the curve goes on straight.
    """

    span_ml: Floats
    centre_cmh2o: Floats
    width_cmh2o: Floats


@dataclass(frozen=True, slots=True)
class SlowCompartment:
    """A second compartment of each lung behind a resistance of its own, which hangs on the first; nan where none.

    Gas reaches it through the first (fast) one only. Otis et al.: J Appl Physiol 1956;8:427; measured in ventilated
    patients, Chelucci et al.: Eur Respir J 1993;6:785.
    """

    compliance_ml_per_cmh2o: Floats
    resistance_cmh2o_s_per_l: Floats


@dataclass(frozen=True, slots=True)
class LungMechanics:
    """Lungs of one group: one row a draw, one column a patient, each array (draws, patients).

    ``sigmoid`` and ``slow`` are ``None`` where no lung has one. With a sigmoid curve the compliance is only where the
    search for the settled breath begins: its slope at the working point serves best. With a slow compartment it is
    that of the fast one.
    """

    compliance_ml_per_cmh2o: Floats
    inspiratory_resistance_cmh2o_s_per_l: Floats
    expiratory_resistance_cmh2o_s_per_l: Floats
    quadratic_resistance_cmh2o_s2_per_l2: Floats
    sigmoid: Sigmoid | None = field(default=None, kw_only=True)
    slow: SlowCompartment | None = field(default=None, kw_only=True)

    @property
    def shape(self) -> tuple[int, int]:
        """(draws, patients)."""
        rows, columns = self.compliance_ml_per_cmh2o.shape
        return rows, columns

    def rows(self, index: Integers | slice) -> LungMechanics:
        """The chosen draws."""
        sigmoid, slow = self.sigmoid, self.slow
        return LungMechanics(
            self.compliance_ml_per_cmh2o[index],
            self.inspiratory_resistance_cmh2o_s_per_l[index],
            self.expiratory_resistance_cmh2o_s_per_l[index],
            self.quadratic_resistance_cmh2o_s2_per_l2[index],
            sigmoid=None
            if sigmoid is None
            else Sigmoid(sigmoid.span_ml[index], sigmoid.centre_cmh2o[index], sigmoid.width_cmh2o[index]),
            slow=None
            if slow is None
            else SlowCompartment(slow.compliance_ml_per_cmh2o[index], slow.resistance_cmh2o_s_per_l[index]),
        )


def lung_rows(lungs: LungMechanics) -> Floats:
    """Lungs as every kernel reads them, (draws, patients, LUNG_COLUMNS)."""
    rows = np.empty((*lungs.shape, k.LUNG_COLUMNS))
    rows[:, :, k.ELASTANCE] = 1000.0 / lungs.compliance_ml_per_cmh2o
    rows[:, :, k.LUNG_R_IN] = np.maximum(lungs.inspiratory_resistance_cmh2o_s_per_l, MIN_RESISTANCE)
    rows[:, :, k.LUNG_R_OUT] = np.maximum(lungs.expiratory_resistance_cmh2o_s_per_l, MIN_RESISTANCE)
    rows[:, :, k.LUNG_K] = lungs.quadratic_resistance_cmh2o_s2_per_l2
    return rows


def wide_rows(lungs: LungMechanics) -> Floats:
    """What the wide kernel reads besides, (draws, patients, WIDE_COLUMNS).

    Raises ``ValueError`` for a curve or a slow compartment whose numbers are not positive.
    """
    rows = np.zeros((*lungs.shape, k.WIDE_COLUMNS))
    rows[:, :, k.SIGMOID_WIDTH] = 1.0
    rows[:, :, k.SLOW_ELASTANCE] = 1.0
    if lungs.sigmoid is not None:
        curve = lungs.sigmoid
        there = ~np.isnan(curve.span_ml)
        if not np.all((curve.span_ml > 0.0) & (curve.width_cmh2o > 0.0) & np.isfinite(curve.centre_cmh2o) | ~there):
            raise ValueError("a sigmoid curve needs a positive span, a positive width and a centre")
        rows[there, k.SIGMOID_SPAN] = curve.span_ml[there] / 1000.0
        rows[there, k.SIGMOID_CENTRE] = curve.centre_cmh2o[there]
        rows[there, k.SIGMOID_WIDTH] = curve.width_cmh2o[there]
    if lungs.slow is not None:
        slow = lungs.slow
        there = ~np.isnan(slow.compliance_ml_per_cmh2o)
        if not np.all((slow.compliance_ml_per_cmh2o > 0.0) & (slow.resistance_cmh2o_s_per_l > 0.0) | ~there):
            raise ValueError("a slow compartment needs a positive compliance and a positive resistance")
        rows[there, k.SLOW_G] = 1.0 / slow.resistance_cmh2o_s_per_l[there]
        rows[there, k.SLOW_ELASTANCE] = 1000.0 / slow.compliance_ml_per_cmh2o[there]
    return rows
