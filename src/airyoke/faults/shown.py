"""What the machine's own sensors show, breath by breath: all that its alarms can judge by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Shown:
    """Breaths as the sensors of one machine would show them without any error of their own.

    Arrays (draws, breaths); row 0 is the best estimate. A draw that has fewer breaths than another is filled up with
    NaN (flags with ``False``). Before the fault, and where there is none, every breath is the same.

    starts_s
        When inspiration starts, s after the fault. Breaths before it have negative times.
    inspired_ml, exhaled_ml
        Volume pushed into the circuit, and volume that comes back through the machine's expiratory valve, bias flow
        taken off, in the condition of the gas in the lungs. Nothing is taken off for the compliance of the circuit.
    peak_cmh2o, peep_cmh2o, mean_cmh2o
        Highest pressure at the inspiratory splitter, pressure at the expiratory splitter at the end of the breath,
        mean over the breath at the inspiratory splitter.
    triggered
        Started by somebody's effort (or by what looks like one) instead of by the clock.
    cut_short
        Ended early because the pressure passed the high-pressure limit.
    fio2
        Oxygen fraction of the gas that the machine delivers.
    patients_ml
        What each patient's lung gives back in that breath, (draws, breaths, patients). No sensor shows it: it is here
        because the scatter from breath to breath arises in each patient.
    lasts_s
        How long the sensors are read from the fault on, s. No breath between the last start and this time is a fact.
    powered
        ``False``: the machine itself is off, and its alarms with it but for the one of the power failure.
    """

    starts_s: Floats
    inspired_ml: Floats
    exhaled_ml: Floats
    peak_cmh2o: Floats
    peep_cmh2o: Floats
    mean_cmh2o: Floats
    triggered: Flags
    cut_short: Flags
    fio2: Floats
    patients_ml: Floats
    lasts_s: float
    powered: bool = True

    @property
    def draws(self) -> int:
        """Rows, the best estimate among them."""
        return int(self.starts_s.shape[0])
