"""The flow network of a circuit: what the engine needs to know of everything between machine and patients."""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Element:
    """One resistance: pressure drop = ``linear`` Q + ``quadratic`` Q|Q|, in cmH2O with Q in L/s."""

    linear: float
    quadratic: float = 0.0

    def in_series_with(self, other: Element) -> Element:
        """Both elements passed by the same flow: the coefficients add."""
        return Element(self.linear + other.linear, self.quadratic + other.quadratic)

    def scaled(self, factor: float) -> Element:
        """The same element with both coefficients multiplied."""
        return Element(factor * self.linear, factor * self.quadratic)

    def drop_cmh2o(self, flow_l_per_s: float) -> float:
        """Pressure drop at a flow, cmH2O."""
        return self.linear * flow_l_per_s + self.quadratic * flow_l_per_s * abs(flow_l_per_s)


@dataclass(frozen=True, slots=True)
class Valve:
    """A one-way valve in series with a limb.

    It opens once the drop along its limb exceeds ``cracking_cmh2o``; open it adds ``linear`` cmH2O·s/L. Shut, and
    pushed backwards by a drop d < 0, it lets ``back_leak_l_per_s_per_cmh2o`` x d through.
    """

    cracking_cmh2o: float = 0.0
    linear: float = 0.0
    back_leak_l_per_s_per_cmh2o: float = 0.0


@dataclass(frozen=True, slots=True)
class Limb:
    """Everything that belongs to one patient: the branch in, the branch out, and the wye where they meet.

    A valve of ``None`` is a limb without a valve: gas passes both ways. ``peep_valve_cmh2o`` is an in-line
    spring valve on the expiratory branch (it is one-way by itself). ``patient`` is what lies between the wye and the
    tracheal tube (filter, mount), passed both ways; ``dead_space_ml`` its volume, which matters for gas exchange
    only.
    """

    inspiratory: Element
    expiratory: Element
    inspiratory_valve: Valve | None
    expiratory_valve: Valve | None
    wye_compliance_ml_per_cmh2o: float
    peep_valve_cmh2o: float = 0.0
    dead_space_ml: float = 0.0
    patient: Element = Element(0.0)

    def trimmed(
        self,
        restrictor_cmh2o_s2_per_l2: float = 0.0,
        peep_valve_cmh2o: float = 0.0,
        added_dead_space_ml: float = 0.0,
    ) -> Limb:
        """The same limb with a restrictor on its way in, an in-line PEEP valve on its way out, more dead space."""
        return replace(
            self,
            inspiratory=self.inspiratory.in_series_with(Element(0.0, restrictor_cmh2o_s2_per_l2)),
            peep_valve_cmh2o=self.peep_valve_cmh2o + peep_valve_cmh2o,
            dead_space_ml=self.dead_space_ml + added_dead_space_ml,
        )


@dataclass(frozen=True, slots=True)
class FlowNetwork:
    """One ventilator, one splitter a side, one limb per patient.

    ``inspiratory_trunk`` lies between the machine's inspiratory port and the inspiratory splitter,
    ``expiratory_trunk`` between the expiratory splitter and the room (the machine's expiratory valve included).
    ``splitter_compliance_ml_per_cmh2o`` stands on each side, or on the inspiratory one alone where the expiratory has a
    value of its own (hose between a one-way valve and its splitter fills with the splitter). Compliances are against
    the room.
    """

    inspiratory_trunk: Element
    expiratory_trunk: Element
    splitter_compliance_ml_per_cmh2o: float
    limbs: tuple[Limb, ...]
    expiratory_splitter_compliance_ml_per_cmh2o: float | None = None

    def scaled(self, resistance: float, compliance: float) -> FlowNetwork:
        """The same circuit with every resistance and every compliance multiplied: one draw of its uncertainty."""
        return FlowNetwork(
            self.inspiratory_trunk.scaled(resistance),
            self.expiratory_trunk.scaled(resistance),
            self.splitter_compliance_ml_per_cmh2o * compliance,
            tuple(
                replace(
                    limb,
                    inspiratory=limb.inspiratory.scaled(resistance),
                    expiratory=limb.expiratory.scaled(resistance),
                    patient=limb.patient.scaled(resistance),
                    wye_compliance_ml_per_cmh2o=limb.wye_compliance_ml_per_cmh2o * compliance,
                )
                for limb in self.limbs
            ),
            None
            if self.expiratory_splitter_compliance_ml_per_cmh2o is None
            else self.expiratory_splitter_compliance_ml_per_cmh2o * compliance,
        )

    @property
    def splitter_compliances(self) -> tuple[float, float]:
        """Compliance at the inspiratory and at the expiratory splitter, mL/cmH2O."""
        own = self.expiratory_splitter_compliance_ml_per_cmh2o
        inside = self.splitter_compliance_ml_per_cmh2o
        return inside, inside if own is None else own

    @property
    def compliance_ml_per_cmh2o(self) -> float:
        """Compliance of the whole circuit without the lungs, mL/cmH2O."""
        return sum(self.splitter_compliances) + sum(limb.wye_compliance_ml_per_cmh2o for limb in self.limbs)
