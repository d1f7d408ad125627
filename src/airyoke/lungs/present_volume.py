"""Draws of one patient's mechanics that give the volume which it gets now in pressure control."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from airyoke.lungs.apparatus import present_apparatus
from airyoke.lungs.closed_forms import drive_fractions
from airyoke.lungs.patient import Present

Floats = NDArray[np.float64]

STEP = 0.02  # in ln, for the slopes at the best estimate
ROUNDS = 2  # the first, being linear, leaves a little of the way


@dataclass(frozen=True, slots=True)
class DrawnMechanics:
    """Compliance and resistances of one patient, arrays (draws + 1,); row 0 the best estimate."""

    compliance_ml_per_cmh2o: Floats
    inspiratory_resistance_cmh2o_s_per_l: Floats
    expiratory_resistance_cmh2o_s_per_l: Floats

    def moved(self, by: Floats) -> DrawnMechanics:
        """Each moved by its own row of ``by``, (3,) or (3, draws + 1), in its logarithm."""
        return DrawnMechanics(
            self.compliance_ml_per_cmh2o * np.exp(by[0]),
            self.inspiratory_resistance_cmh2o_s_per_l * np.exp(by[1]),
            self.expiratory_resistance_cmh2o_s_per_l * np.exp(by[2]),
        )

    def ln_variances(self) -> Floats:
        """Variance of each one's logarithm over the draws, (3,)."""
        columns = (
            self.compliance_ml_per_cmh2o,
            self.inspiratory_resistance_cmh2o_s_per_l,
            self.expiratory_resistance_cmh2o_s_per_l,
        )
        return np.array([np.log(column[1:]).var() for column in columns])


def tied_to_present_volume(drawn: DrawnMechanics, now: Present, error: Floats) -> DrawnMechanics:
    """The draws, each moved so that the present drive gives it the present volume.

    Compliance and resistance are read with errors of their own, but together they must let the drive give the volume
    that it gives: a draw that would not is no possible patient. Each is moved by the gain of the linear least-squares
    update in the logarithms, until its volume is that of row 0 times exp(``error``), as far as its spreads allow (a
    sample of the prior becomes one of the posterior: Journel, Huijbregts: Mining Geostatistics, 1978, conditional
    simulation; from memory). ``error`` is one a row, 0 in row 0, which does not move.
    """

    def ln_volume(lungs: DrawnMechanics) -> Floats:
        return np.asarray(np.log(_volume(lungs, now)))

    steps = STEP * np.eye(3)
    slopes = np.array([(ln_volume(drawn.moved(up)) - ln_volume(drawn.moved(-up)))[0] for up in steps]) / (2.0 * STEP)
    towards = slopes * drawn.ln_variances()
    explained = float(slopes @ towards)
    if explained <= 0.0:
        return drawn
    before = ln_volume(drawn)
    way = (before[0] + error - before) * explained / (explained + float(error[1:].var()))
    moved = drawn
    for _ in range(ROUNDS):
        moved = moved.moved(np.outer(towards, before + way - ln_volume(moved)) / explained)
    return moved


def _volume(lungs: DrawnMechanics, now: Present) -> Floats:
    """What the present drive gives these lungs on their present circuit, up to a constant factor."""
    apparatus = present_apparatus(now.humidification)
    flow_l_per_s = now.tidal_volume_ml / now.inspiratory_time_s / 1000.0
    fractions = drive_fractions(
        lungs.compliance_ml_per_cmh2o,
        lungs.inspiratory_resistance_cmh2o_s_per_l + apparatus.inspiratory_resistance_cmh2o_s_per_l(flow_l_per_s),
        lungs.expiratory_resistance_cmh2o_s_per_l + apparatus.expiratory_resistance_cmh2o_s_per_l(flow_l_per_s),
        now.rate_per_min,
        now.inspiratory_time_s,
    )
    return np.asarray(lungs.compliance_ml_per_cmh2o * fractions.tidal)
