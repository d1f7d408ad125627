"""The rules of sharing read again from the raw ward, without a line of the planner: what a plan is held against.

Beds and machines are labels here. Only the expiratory time constant needs an estimate of the lungs; it is taken
from the room of one patient.
"""

from __future__ import annotations

from itertools import combinations

from airyoke.lungs.estimates import estimate_lungs
from airyoke.lungs.patient import Patient
from airyoke.ward.ward import Bed, Ward

NEVER = frozenset(
    {
        "raised-intracranial-pressure", "pregnancy", "air-leak", "untreated-pneumothorax", "status-asthmaticus",
        "extubation-expected", "tube-trouble",
    }
)  # fmt: skip
DECIDED_BY_A_PERSON = frozenset(
    {
        "resistant-germ", "obstructive-lung-disease", "right-ventricular-failure", "unstable-trend",
        "heavy-secretions", "heated-humidification", "reinforced-tube", "height-guessed", "limits-of-care",
        "family-not-informed",
    }
)  # fmt: skip
LONGEST_TIME_CONSTANT_S = 1.5
LOWEST_PH, ENTRY_PH, HIGHEST_FIO2 = 7.20, 7.30, 0.80


class WardRules:
    """What the raw ward allows. ``kept``: a bed whose readings were refused and the machine it keeps."""

    def __init__(self, ward: Ward) -> None:
        self.ward = ward
        self.bed = {bed.label: bed for bed in ward.beds}
        self.machine = {machine.label: machine for machine in ward.ventilators}
        self.kept = {b.label: b.ventilator for b in ward.beds if b.readings is None and b.ventilator is not None}
        self.free = [
            v.label for v in ward.ventilators if v.usable and v.label not in set(self.kept.values())
        ]
        self._alone = {bed.label: self._must_be_alone(bed) for bed in ward.beds}

    def usable_number(self) -> int:
        """How many machines may be given away: the reserve and those that are kept taken off."""
        usable = {v.label for v in self.ward.ventilators if v.usable}
        not_given = len(usable & set(self.kept.values())) + self.ward.policy.reserve_ventilators
        return max(len(usable) - not_given, 0)

    def _must_be_alone(self, bed: Bed) -> bool:
        r = bed.readings
        if r is None:
            return True
        gas = r.paco2_mmhg is not None and (r.ph is not None or r.bicarbonate_mmol_per_l is not None)
        if not gas or r.passive == "no" or bed.exclude or r.vasopressor in ("high", "rising"):
            return True
        if NEVER & set(bed.conditions) or r.fio2 > HIGHEST_FIO2:
            return True
        if r.ph is not None and r.ph < LOWEST_PH:
            return True
        lungs = self.lungs(bed)
        if lungs is None:
            return True
        emptying = lungs.lungs.expiratory_resistance.value * lungs.lungs.compliance.value / 1000.0
        return emptying > LONGEST_TIME_CONSTANT_S

    def lungs(self, bed: Bed) -> Patient | None:
        """The lungs that the readings of this bed mean, on the machine it is on."""
        if bed.readings is None:
            return None
        machine = self.machine.get(bed.ventilator or "")
        lungs = estimate_lungs(
            bed.readings, bed.label, self.ward.policy.assumptions, conditions=bed.conditions,
            circuit_compensation="off" if machine is None else machine.circuit_compensation,
        )  # fmt: skip
        return lungs if isinstance(lungs, Patient) else None

    def may_be_together(self, one: str, other: str) -> bool:
        """Both may share, and nothing that must be the same for both differs."""
        a, b = self.bed[one], self.bed[other]
        if self._alone[one] or self._alone[other]:
            return False
        if a.room != b.room and not self.ward.policy.rooms_may_mix:
            return False
        if not a.infection or not b.infection or a.infection != b.infection:
            return False
        prone = [x.readings is not None and x.readings.position == "prone" for x in (a, b)]
        germ = ["resistant-germ" in x.conditions for x in (a, b)]
        return prone[0] == prone[1] and germ[0] == germ[1]

    def pairs(self) -> set[tuple[str, str]]:
        """Every two beds that may be judged together."""
        labels = [bed.label for bed in self.ward.beds]
        return {pair for pair in combinations(labels, 2) if self.may_be_together(*pair)}

    def reaches(self, machine: str, beds: tuple[str, ...]) -> bool:
        """The machine stands in no room, or in the room of all of them."""
        room = self.machine[machine].room
        return room is None or all(self.bed[b].room == room for b in beds)

    def stays_as_it_is_on(self, label: str) -> set[str]:
        """Machines on which this bed, alone, can keep what it has now."""
        r = self.bed[label].readings
        if r is None:
            return set()
        mode = r.mode
        if mode == "dual":  # one settled breath of it is one of the other two
            mode = "pc" if r.pressure_above_peep_cmh2o is not None else "vc"
        own = self.bed[label].ventilator  # goes on whatever a cell says of rooms or modes
        volume = r.tidal_volume_ml if mode == "vc" else None
        return {
            v for v in self.free
            if v == own or (
                mode in self.machine[v].modes and self.reaches(v, (label,))
                and (volume is None or self.machine[v].min_tidal_volume_ml <= volume
                     <= self.machine[v].max_tidal_volume_ml)
            )
        }  # fmt: skip

    def needs(self, beds: tuple[str, ...]) -> int:
        """Decisions of a person that this group rests on."""
        number = 0
        for label in beds:
            bed = self.bed[label]
            r = bed.readings
            assert r is not None
            number += r.passive == "possible"
            number += r.ph is not None and r.ph < ENTRY_PH
            number += len(DECIDED_BY_A_PERSON & set(bed.conditions))
        return number

    def breaks(self, beds: tuple[str, ...], machine: str) -> int:
        """Beds of the group that are not on this machine now."""
        return sum(self.bed[b].ventilator != machine for b in beds)

    @staticmethod
    def parts(size: int) -> dict[str, int]:
        """What a shared circuit for so many takes, by the rule of the trade; the last two it can do without."""
        return {
            "y-piece": 2 * (size - 1) + size,  # splitters a side, and a wye at each patient
            "one-way-valve": 2 * size,
            "tube-22mm-1500mm": 2 * size,
            "hmef": size,
            "expiratory-filter": 1,
            "sleeve-22f-22f": 2 * (size - 1),
            "catheter-mount": size,
            "capnograph-adapter": size,
        }
