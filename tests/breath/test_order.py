"""The order of accuracy of the stepper, measured: with fixed steps of n a phase the error falls like n^-order."""

from __future__ import annotations

import numpy as np
import pytest

from airyoke.breath import Settings, loading
from airyoke.breath import layout as at
from airyoke.breath.engine import breath_plan, pack
from airyoke.breath.lanes import LANES
from airyoke.breath.step import attempt_step
from airyoke.circuit import Element, FlowNetwork, Limb, Valve

NO_TOLERANCE = 1e12  # every step is kept


def after_fixed_steps(network, settings, start_cmh2o, phases, steps):
    """Lung volumes, L, when the first ``phases`` of a breath were gone through in so many equal steps each.

    ``start_cmh2o``: pressures of both splitters, then wye and lung of each patient.
    """
    packed = pack([network])
    plan, row = breath_plan(settings)
    patients = len(network.limbs)
    lungs = np.tile([1000.0 / 40.0, 10.0, 12.0, 2.0], (patients, 1))
    w, small = loading.workspace(), np.zeros((3, at.MAX_PATIENTS, at.MAX_PATIENTS))
    for lane in range(LANES):
        loading.load_resting(
            w, patients, lane, packed.limbs[0], packed.trunks[0], lungs, row, NO_TOLERANCE, small, None, 0, None, 0
        )
    w[at.Y : at.Y + 2 + 2 * patients] = np.array(start_cmh2o)[:, None]
    for i in range(patients):
        w[at.Y + 3 + 2 * i] /= lungs[i, 0]
    for number in range(phases):
        for lane in range(LANES):
            loading.begin_phase(w, patients, lane, plan[number], 0.0)
        w[at.TOLERANCE] = NO_TOLERANCE
        w[at.STEP] = w[at.STEP_MAX] = plan[number, at.DURATION] / steps
        taken = 0
        while not attempt_step(w, patients, None, None):
            taken += 1
        assert taken + 1 == steps
    volumes = w[at.Y + 3 : at.Y + 3 + 2 * patients : 2]
    assert np.all(volumes == volumes[:, :1])  # lanes do not touch each other
    return volumes[:, 0]


def slope(errors, steps):
    return -np.polyfit(np.log(steps), np.log(errors), 1)[0]


def test_on_a_smooth_problem_the_stepper_is_of_order_three():
    # Nodes that take their time, no valves, every flow one way all along: nothing but the method's own error.
    network = FlowNetwork(
        Element(1.5, 0.5), Element(1.5, 0.8), 20.0,
        (Limb(Element(3.0, 2.0), Element(4.0, 2.0), None, None, 15.0),) * 2,
    )  # fmt: skip
    settings = Settings("pc", 20, 1.0, 5, pressure_above_peep_cmh2o=15, rise_time_s=0.8)
    start = [4.5, 1.0, 3.0, 2.0, 3.0, 1.5]
    truth = after_fixed_steps(network, settings, start, 1, 4096)
    steps = np.array([32, 64, 128, 256])
    errors = [np.abs(after_fixed_steps(network, settings, start, 1, n) - truth).max() for n in steps]
    assert slope(errors, steps) == pytest.approx(3.0, abs=0.2), errors


def test_on_a_breath_with_valves_short_steps_still_show_an_order_above_two():
    # Valves open and shut inside steps of fixed length, and small nodes are stiff: with 256 steps a phase the volumes
    # are still wrong by millilitres. Steps that follow the error are what the engine takes instead.
    valve = Valve(0.5, 2.0)
    network = FlowNetwork(
        Element(1.5, 0.5), Element(1.5, 0.8), 0.5,
        (Limb(Element(1.5, 1.5), Element(0.5, 1.5), valve, valve, 1.5),) * 2,
    )  # fmt: skip
    settings = Settings("pc", 22, 0.9, 10, pressure_above_peep_cmh2o=14)
    start = [10.0, 10.0, 10.5, 10.5, 10.5, 10.5]
    truth = after_fixed_steps(network, settings, start, 2, 16384)
    steps = np.array([512, 1024, 2048, 4096])
    errors = [np.abs(after_fixed_steps(network, settings, start, 2, n) - truth).max() for n in steps]
    assert slope(errors, steps) >= 2.0, errors
    assert errors[-1] < 1e-6  # L
