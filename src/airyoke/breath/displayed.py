"""The exhaled volume that a machine displays: what passed its expiratory valve, less what it takes off."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from airyoke.breath.settings import Settings

Floats = NDArray[np.float64]


def displayed_volume_ml(
    exhaled_ml: Floats, peak_cmh2o: Floats, settings: Settings, circuit_compliance_ml_per_cmh2o: Floats | float
) -> Floats:
    """What the machine displays, mL: in either mode.

    Without circuit compensation it is what passed the sensor, the gas compressed in the circuit included. With it,
    circuit compliance x (peak - set PEEP) is taken off, never below zero. In volume control the machine has added as
    much to what it delivers; in pressure control it delivers what the pressure asks for and only the display changes.
    Common practice, no source: the self-test's compliance is taken to be that of this circuit.
    """
    if settings.circuit_compensation == "off":
        return exhaled_ml
    compressed = circuit_compliance_ml_per_cmh2o * np.maximum(peak_cmh2o - settings.peep_cmh2o, 0.0)
    return np.maximum(exhaled_ml - compressed, 0.0)
