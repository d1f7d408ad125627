"""A case as people write it, read into machine and graph.

`circuit`: trunks, limbs, valves ("none" or their data), compliances of splitters and wyes; where there are splitters
behind splitters, `inspiratory_branches` and `expiratory_branches`: each a stretch (linear, quadratic,
compliance_ml_per_cmh2o) to a splitter with its `limbs` (numbers of patients) and further `branches`. `openings`: holes
to the room, each with `place` (inspiratory_splitter, expiratory_splitter, wye, lung), `patient` for the last two, linear,
quadratic; one_way (cracking_cmh2o) where gas only leaves, outside_cmh2o for a sucker, draws_l_per_min. Patients: lungs in the units of the names; a restrictor, an in-line PEEP
valve; `sigmoid` (low_ml, span_ml, centre_cmh2o, width_cmh2o) instead of a compliance; `slow`: a second compartment
(compliance_ml_per_cmh2o, resistance_cmh2o_s_per_l) that hangs on the first.

A patient may be changed: `inspiratory` or `expiratory` "blocked" (no gas), "no valve", "reversed"; `tube` "blocked". A case with an option
of no other word raises KeyError. Nothing here comes from the package under test.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from referees.flow_laws import Branch
from referees.graph import Graph, Link, LungCurve, branch_of
from referees.machine import Machine

SMALLEST_COMPLIANCE = 1e-6  # L/cmH2O: a junction without volume would make the equations algebraic


def read_case(case: dict[str, Any]) -> tuple[Machine, Graph]:
    """Machine and graph in L, s, cmH2O. Places: both splitters, splitters behind them, wyes; then lungs."""
    circuit, settings, patients = case["circuit"], case["settings"], case["patients"]
    valves = None if circuit["valves"] == "none" else circuit["valves"]
    places = [_compliance(circuit["splitter_compliance_ml_per_cmh2o"])]
    places.append(
        _compliance(
            circuit.get("expiratory_splitter_compliance_ml_per_cmh2o", circuit["splitter_compliance_ml_per_cmh2o"])
        )
    )
    links: list[Link] = []
    hangs_on = [[0, 1] for _ in patients]
    for side, name in enumerate(("inspiratory_branches", "expiratory_branches")):
        for branch in circuit.get(name, ()):
            _grow(branch, side, side, places, links, hangs_on)
    wyes = []
    for _ in patients:
        wyes.append(len(places))
        places.append(_compliance(circuit["wye_compliance_ml_per_cmh2o"]))
    curves: list[LungCurve] = []
    first_lungs = []
    for k, patient in enumerate(patients):
        first = len(places) + len(curves)
        first_lungs.append(first)
        curves.append(_curve(patient))
        r_in = patient["inspiratory_resistance_cmh2o_s_per_l"]
        tube = Branch(r_in, patient.get("quadratic_resistance_cmh2o_s2_per_l2") or 0.0)
        links += _limbs(circuit, valves, patient, hangs_on[k], wyes[k], k)
        back = patient.get("expiratory_resistance_cmh2o_s_per_l", r_in)
        if patient.get("tube") != "blocked":
            links.append(Link(wyes[k], first, tube, linear_back=back))
        if "slow" in patient:
            slow = patient["slow"]
            curves.append(LungCurve(slow["compliance_ml_per_cmh2o"] / 1000))
            links.append(Link(first, first + 1, Branch(slow["resistance_cmh2o_s_per_l"], 0.0)))
    for hole in circuit.get("openings", ()):
        at = {"inspiratory_splitter": 0, "expiratory_splitter": 1}.get(hole["place"])
        if at is None:
            at = {"wye": wyes, "lung": first_lungs}[hole["place"]][hole["patient"]]
        law = Branch(
            hole["linear"], hole["quadratic"], hole.get("cracking_cmh2o", 0.0), one_way=hole.get("one_way", False)
        )
        drawn = hole.get("draws_l_per_min", 0.0) / 60
        links.append(Link(at, None, law, outside=hole.get("outside_cmh2o", 0.0), drawn=drawn))
    machine = Machine(
        settings=settings,
        trunk_in=(circuit["inspiratory_trunk"]["linear"], circuit["inspiratory_trunk"]["quadratic"]),
        trunk_out=(circuit["expiratory_trunk"]["linear"], circuit["expiratory_trunk"]["quadratic"]),
        splitter_compliance=min(places[: len(places) - len(wyes)]),
        circuit_compliance=sum(places),
        peep=settings["peep_cmh2o"],
        period=60 / settings["rate_per_min"],
        inspiratory_time=settings["inspiratory_time_s"],
    )
    return machine, Graph(tuple(places), tuple(curves), tuple(links), tuple(wyes), tuple(first_lungs))


def springs_of(case: dict[str, Any]) -> list[float]:
    """Each patient's in-line PEEP valve, cmH2O."""
    return [patient.get("peep_valve_cmh2o") or 0.0 for patient in case["patients"]]


def _compliance(ml_per_cmh2o: float) -> float:
    return max(ml_per_cmh2o / 1000, SMALLEST_COMPLIANCE)


def _grow(
    branch: dict[str, Any],
    side: int,
    near: int,
    places: list[float],
    links: list[Link],
    hangs_on: list[list[int]],
) -> None:
    here = len(places)
    places.append(_compliance(branch["compliance_ml_per_cmh2o"]))
    ends = (near, here) if side == 0 else (here, near)
    links.append(Link(*ends, branch_of(branch)))
    for k in branch.get("limbs", ()):
        hangs_on[k][side] = here
    for further in branch.get("branches", ()):
        _grow(further, side, here, places, links, hangs_on)


def _limbs(
    circuit: dict[str, Any],
    valves: dict[str, Any] | None,
    patient: dict[str, Any],
    splitters: list[int],
    wye: int,
    lane: int,
) -> list[Link]:
    way_in = circuit["inspiratory_limb"]
    way_in = way_in | {"quadratic": way_in["quadratic"] + (patient.get("restrictor_cmh2o_s2_per_l2") or 0.0)}
    spring = patient.get("peep_valve_cmh2o") or 0.0
    found = []
    for name, start, end, element, extra in (
        ("inspiratory", splitters[0], wye, way_in, 0.0),
        ("expiratory", wye, splitters[1], circuit["expiratory_limb"], spring),
    ):
        state = patient.get(name, "sound")
        if state == "blocked":
            continue
        law = branch_of(element, None if state == "no valve" else valves, extra)
        link = Link(start, end, law, lane=lane)
        found.append({"sound": link, "no valve": link, "reversed": replace(link, start=end, end=start)}[state])
    return found


def _curve(patient: dict[str, Any]) -> LungCurve:
    if "sigmoid" in patient:
        s = patient["sigmoid"]
        return LungCurve(0.0, s["low_ml"] / 1000, s["span_ml"] / 1000, s["centre_cmh2o"], s["width_cmh2o"])
    return LungCurve(patient["compliance_ml_per_cmh2o"] / 1000)
