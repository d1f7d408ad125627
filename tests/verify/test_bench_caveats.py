"""What the table says of its own assumptions is true."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from airyoke.verify import benches
from airyoke.verify.scenarios import LungValues, breathe


def test_the_range_of_peaks_stated_for_other_test_lungs_is_that_range() -> None:
    peaks = []
    for resistance in (2.0, 10.0):
        for ti in (60 / 16 / 2, 60 / 16 / 4):  # I:E 1:1 and 1:3
            lungs = [LungValues(0.0, resistance, resistance)] * 4
            pressure = replace(benches._FIRST, inspiratory_time_s=ti)
            volume = replace(benches._FIRST_VOLUME, inspiratory_time_s=ti)
            network = benches._first_network()

            def lacking(c: float, lungs=lungs, pressure=pressure, network=network) -> float:
                group = [replace(lung, compliance_ml_per_cmh2o=c) for lung in lungs]
                return float(breathe(network, pressure, group).exhaled_ml[0]) - 1884.0

            compliance = benches._root(lacking, 8.0, 40.0)
            group = [replace(lung, compliance_ml_per_cmh2o=compliance) for lung in lungs]
            peaks.append(float(breathe(network, volume, group).ventilator_peak_cmh2o[0]))
    assert (round(min(peaks)), round(max(peaks))) == (27, 31)


def test_evenly_spaced_compliances_fitted_to_the_volume_spread_miss_the_bar() -> None:
    from scipy.optimize import fsolve

    network = benches._second_network()

    def volumes(ends: np.ndarray, settings: object) -> np.ndarray:
        found = benches._breathe(network, settings, np.linspace(*ends, 4)).tidal_volume_ml[0]  # type: ignore[arg-type]
        return np.array([found.min(), found.max()])

    ends = fsolve(lambda x: volumes(x, benches._SECOND_VOLUME) - [257.0, 621.0], [20.0, 50.0])
    errors = np.abs(volumes(ends, benches._SECOND) / [320.0, 762.0] - 1.0)
    assert np.abs(volumes(ends, benches._SECOND_VOLUME) - [257.0, 621.0]).max() < 0.5  # the fit is one
    assert errors.max() > 0.10
