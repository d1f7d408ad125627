"""Builds: which parts make the circuit of a group, and the flow network they mean.

Three are known so far. ``ideal`` has next to no resistance and volume, for comparison with closed forms;
``standard`` is the default shared build for two to four patients; ``single`` is the ordinary circuit of one patient.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from airyoke.circuit.network import Element, FlowNetwork, Limb, Valve
from airyoke.circuit.parts import PARTS

MAX_PATIENTS = 4

# The machine itself: its expiratory valve and internal path (typical active valve: 2-5 cmH2O at 60 L/min, from memory)
# and the compliance of its internal path on each side.
MACHINE_EXPIRATORY = Element(1.5, 1.0)
MACHINE_INSPIRATORY = Element(0.1, 0.05)
MACHINE_COMPLIANCE_ML_PER_CMH2O = 0.2
VALVE_CRACKING_CMH2O = 0.3
VALVE_BACK_LEAK_L_PER_S_PER_CMH2O = 0.00005  # about 50 mL/min at 15 cmH2O, from memory

KNOWN_TO_THE_MACHINE = Element(0.05)
HUMIDIFIER_COMPLIANCE_ML_PER_CMH2O = 0.3


@dataclass(frozen=True, slots=True)
class Build:
    """A circuit: its name, the parts it takes, its network, and how far its data may be off.

    ``resistance_relative_sd`` and ``compliance_relative_sd`` are standard deviations of ln, shared by all parts of
    the build: the same unmeasured kinds of part serve every limb.
    """

    name: str
    parts: tuple[tuple[str, int], ...]
    network: FlowNetwork
    resistance_relative_sd: float
    compliance_relative_sd: float
    basis: str

    @property
    def patients(self) -> int:
        """How many breathe through it."""
        return len(self.network.limbs)


@lru_cache(maxsize=8)
def ideal_build(patients: int) -> Build:
    """Next to no resistance and volume; its answers lie within 0.1 % of the closed forms."""
    _check(patients)
    limb = Limb(Element(0.004), Element(0.004), Valve(), Valve(), wye_compliance_ml_per_cmh2o=0.002)
    network = FlowNetwork(Element(0.003), Element(0.003), 0.002, (limb,) * patients)
    return Build("ideal", (), network, 0.0, 0.0, "negligible resistance and volume")


@lru_cache(maxsize=8)
def standard_build(patients: int) -> Build:
    """The default shared build of 2-4 patients: a tree of Y-pieces, two one-way valves and one filter a patient.

    Parts follow the rule of the trade (common practice, no source): per patient attached one more Y-piece and two
    one-way valves; a filter at every patient and one more on the shared expiratory limb. A tree of two-way splitters
    takes 2 (n - 1) of them. With three or four patients the second level of splitters is passed by one or two
    patients' flow; it is counted in each limb, so that the network keeps one splitter a side.
    """
    _check(patients)
    if patients == 1:
        return single_build("hme")
    tube, valve, wye, splitter = PARTS["tube-22mm-1500mm"], PARTS["one-way-valve"], PARTS["y-piece"], PARTS["y-piece"]
    sleeve, out_filter = PARTS["sleeve-22f-22f"], PARTS["expiratory-filter"]
    level_two = splitter.element if patients > 2 else Element(0.0)
    branch = tube.element.in_series_with(wye.element).in_series_with(level_two)
    # The valve's quadratic part joins the branch; its linear part and cracking pressure stay with the valve.
    branch = branch.in_series_with(Element(0.0, valve.element.quadratic))
    check = Valve(VALVE_CRACKING_CMH2O, valve.element.linear, VALVE_BACK_LEAK_L_PER_S_PER_CMH2O)
    between = ("hmef", "catheter-mount", "capnograph-adapter")
    limb = Limb(
        inspiratory=branch,
        expiratory=branch,
        inspiratory_valve=check,
        expiratory_valve=check,
        wye_compliance_ml_per_cmh2o=2 * tube.compliance_ml_per_cmh2o
        + 2 * valve.compliance_ml_per_cmh2o
        + wye.compliance_ml_per_cmh2o
        + sum(PARTS[name].compliance_ml_per_cmh2o for name in between),
        dead_space_ml=wye.dead_space_ml + sum(PARTS[name].dead_space_ml for name in between),
        patient=_in_series(*between),
    )
    trunk_in = MACHINE_INSPIRATORY.in_series_with(sleeve.element).in_series_with(splitter.element)
    trunk_out = (
        MACHINE_EXPIRATORY.in_series_with(out_filter.element)
        .in_series_with(sleeve.element)
        .in_series_with(splitter.element)
    )
    splitter_c = MACHINE_COMPLIANCE_ML_PER_CMH2O + 0.5 * out_filter.compliance_ml_per_cmh2o
    parts = (
        ("y-piece", 2 * (patients - 1) + patients),
        ("one-way-valve", 2 * patients),
        ("tube-22mm-1500mm", 2 * patients),
        ("hmef", patients),
        ("expiratory-filter", 1),
        ("sleeve-22f-22f", 2 + 2 * (patients - 2)),
        ("catheter-mount", patients),
        ("capnograph-adapter", patients),
    )
    return Build(
        "standard",
        parts,
        FlowNetwork(trunk_in, trunk_out, splitter_c, (limb,) * patients),
        resistance_relative_sd=0.25,
        compliance_relative_sd=0.20,
        basis="default shared build from typical part data (low confidence)",
    )


@lru_cache(maxsize=8)
def single_build(humidification: Literal["hme", "heated"] | None) -> Build:
    """The ordinary circuit of one patient; no valves of its own, the machine's are enough.

    Its way in has next to no resistance: the machine knows it from its self-test and holds the pressure at the wye,
    and a resistance read on it is that beyond the wye. About 2 mL/cmH2O in all.
    """
    tube, wye = PARTS["tube-22mm-1500mm"], PARTS["y-piece"]
    heated = humidification == "heated"
    between = ("catheter-mount",) if heated else ("hmef", "catheter-mount")
    limb = Limb(
        inspiratory=KNOWN_TO_THE_MACHINE,
        expiratory=tube.element.in_series_with(wye.element),
        inspiratory_valve=None,
        expiratory_valve=None,
        wye_compliance_ml_per_cmh2o=2 * tube.compliance_ml_per_cmh2o
        + sum(PARTS[name].compliance_ml_per_cmh2o for name in between)
        + (HUMIDIFIER_COMPLIANCE_ML_PER_CMH2O if heated else 0.0),
        dead_space_ml=wye.dead_space_ml + sum(PARTS[name].dead_space_ml for name in between),
        patient=_in_series(*between),
    )
    network = FlowNetwork(KNOWN_TO_THE_MACHINE, MACHINE_EXPIRATORY, MACHINE_COMPLIANCE_ML_PER_CMH2O, (limb,))
    return Build("single", (), network, 0.25, 0.20, "ordinary circuit of one patient from typical part data")


def _in_series(*names: str) -> Element:
    total = Element(0.0)
    for name in names:
        total = total.in_series_with(PARTS[name].element)
    return total


def _check(patients: int) -> None:
    if not 1 <= patients <= MAX_PATIENTS:
        raise ValueError(f"a build serves 1 to {MAX_PATIENTS} patients, not {patients}")
