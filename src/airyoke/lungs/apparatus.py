"""The present single circuit of one patient: its dead space and resistance, which are not the patient's.

All figures are typical values from memory, of low confidence: a device's own data are better.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from airyoke.lungs.values import Values

WYE_DEAD_SPACE_ML: Final = 5.0
CATHETER_MOUNT_DEAD_SPACE_ML: Final = 25.0
FILTER_DEAD_SPACE_ML: Final = 50.0

# Pressure drop = K1 Q + K2 Q², Q in L/s. A heat and moisture exchanging filter in use (damp): 1.25 cmH2O at
# 0.5 L/s.
_FILTER: Final = (2.0, 1.0)
_CATHETER_MOUNT: Final = (0.0, 0.6)
_WYE: Final = (0.0, 0.2)
# Expiratory limb and expiratory valve of a ventilator together: 2 to 5 cmH2O at 1 L/s.
EXPIRATORY_LIMB_AND_VALVE_CMH2O_S_PER_L: Final = 3.0


@dataclass(frozen=True, slots=True)
class Apparatus:
    """What lies between the wye and the tracheal tube.

    Machines read pressure on the side without flow, which is the pressure at the wye: a resistance taken from
    peak and plateau therefore contains this apparatus and not the limbs. ``assumed``: nobody said what is
    fitted.
    """

    dead_space_ml: float
    linear_cmh2o_s_per_l: float
    quadratic_cmh2o_s2_per_l2: float
    assumed: bool
    basis: str

    def inspiratory_resistance_cmh2o_s_per_l(self, flow_l_per_s: Values) -> Values:
        """Pressure drop / flow of the apparatus at this flow."""
        return self.linear_cmh2o_s_per_l + self.quadratic_cmh2o_s2_per_l2 * flow_l_per_s

    def expiratory_resistance_cmh2o_s_per_l(self, flow_l_per_s: Values) -> Values:
        """The same, with the expiratory limb and valve of the machine, down to set PEEP."""
        return (
            self.inspiratory_resistance_cmh2o_s_per_l(flow_l_per_s) + EXPIRATORY_LIMB_AND_VALVE_CMH2O_S_PER_L
        )


def present_apparatus(humidification: Literal["hme", "heated"] | None) -> Apparatus:
    """Apparatus of a single circuit by the way it humidifies; unknown is taken as ``hme``, the usual one.

    ``hme``: wye, heat and moisture exchanging filter, catheter mount. ``heated``: wye and catheter mount.
    Source: typical part data from memory.
    """
    mount = CATHETER_MOUNT_DEAD_SPACE_ML + WYE_DEAD_SPACE_ML
    linear, quadratic = _CATHETER_MOUNT[0] + _WYE[0], _CATHETER_MOUNT[1] + _WYE[1]
    if humidification == "heated":
        basis = "wye and catheter mount, typical data from memory"
        return Apparatus(mount, linear, quadratic, assumed=False, basis=basis)
    return Apparatus(
        mount + FILTER_DEAD_SPACE_ML,
        linear + _FILTER[0],
        quadratic + _FILTER[1],
        assumed=humidification is None,
        basis="wye, heat and moisture exchanging filter and catheter mount, typical data from memory",
    )
