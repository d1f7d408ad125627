"""Answers of LSODA (relative tolerance 1e-8, settled to 2e-7) for the scenarios, made by ``equations.solve_now``.

Volumes in mL, then plateaus, then total PEEPs in cmH2O, in the order of the lungs.
"""

from __future__ import annotations

from typing import Final

ANSWERS: Final[dict[str, tuple[float, ...]]] = {
    "one-pc": (295.1272, 24.96184, 12.66488),
    "two-pc": (286.4382, 394.7709, 22.73026, 20.16122, 10.79534, 11.93683),
    "two-pc-trimmed": (267.6211, 309.1295, 23.8945, 16.07731, 12.74362, 9.637109),
    "two-vc-pause": (348.4249, 449.7398, 25.30145, 21.29029, 10.78374, 11.92071),
    "three-pc-ramp": (296.4464, 385.3169, 312.6258, 21.05216, 20.12054, 16.23233, 8.700224, 8.787691, 10.54822),
    "three-vc": (328.8478, 411.3561, 417.3688, 24.73032, 23.39603, 21.09842, 11.02833, 11.29732, 12.40323),
    "four-pc": (
        257.2012, 328.9226, 343.852, 251.2832, 21.77251, 20.96226, 19.39688, 20.43615, 11.05579,
        11.28807, 12.2333, 11.46175,
    ),
    "four-vc-decelerating": (
        336.4566, 441.0099, 485.7457, 343.3602, 23.195, 22.42337, 20.79119, 21.92895, 9.175978,
        9.452491, 10.67149, 9.666086,
    ),
    "two-pc-no-valves": (311.948, 461.7692, 23.26264, 20.94078, 10.26481, 11.32059),
}  # fmt: skip
