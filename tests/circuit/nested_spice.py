"""A circuit as ngspice sees it with every splitter kept apart: the judge of the merge to one splitter a side.

Pressure is voltage (cmH2O = V), flow is current (L/s = A), compliance is capacitance (L/cmH2O = F). Written from the
joints and the part data by this module alone.
"""

from __future__ import annotations

import re
import subprocess
import tempfile
from pathlib import Path

EDGE, STEP, SMALLEST_R = 1e-6, 0.002, 1e-3
MACHINE_IN, MACHINE_OUT, MACHINE_C = (0.1, 0.05), (1.5, 1.0), 0.2  # as the builds assume for the machine itself


def _number(value):
    return f"{value:.12g}"


def _flow(drop, r, k):
    r, k = _number(max(r, SMALLEST_R)), _number(k)
    return f"2*({drop})/({r}+sqrt({r}*{r}+4*{k}*abs({drop})))"


def _one_way(drop, r, k, crack=0.0, leak=0.0):
    return f"{_flow(f'max({drop}-{_number(crack)},0)', r, k)}+{_number(leak)}*min({drop},0)"


class Edge:
    """Pieces in series between two nodes, from the wye's end: what they add up to. ``far``: compliance beyond a valve."""

    def __init__(self, r=0.0, k=0.0, c=0.0):
        self.r, self.k, self.c, self.far, self.crack, self.leak, self.valve = r, k, c, 0.0, 0.0, 0.0, False

    def add(self, part, element):
        self.r, self.k = self.r + element.linear, self.k + element.quadratic
        if self.valve:
            self.far += part.compliance_ml_per_cmh2o
        else:
            self.c += part.compliance_ml_per_cmh2o
        if part.kind == "valve":
            self.valve, self.crack, self.leak = True, self.crack + part.cracking_cmh2o, part.back_leak_l_per_s_per_cmh2o


def _edges(assembly, parts, side):
    """(node upstream, node downstream) -> Edge, walking from every lane's wye to the port of that side."""
    neighbour = {}
    for joint in assembly.joints:
        neighbour[joint.upstream], neighbour[joint.downstream] = joint.downstream, joint.upstream
    part_of = {one.id: one.part for one in assembly.pieces}
    ways = []
    for lane in assembly.lanes:
        wye = f"{lane}.wye"
        part = parts[part_of[wye]]
        leg = {"tee": {"in": "run-a", "out": "run-b"}, "wye": {"in": "left", "out": "right"}}[part.kind][side]
        id_, entered = neighbour[wye, leg]
        way = [wye]
        while part_of[id_] not in ("inspiratory-port", "expiratory-port"):
            names = [e.name for e in parts[part_of[id_]].ends]
            common = "common" if "common" in names else "run-a"
            left = common if len(names) == 3 else next(name for name in names if name != entered)
            way.append((id_, entered, left))
            id_, entered = neighbour[id_, left]
        ways.append(way)
    edges = {}
    for wye, *steps in ways:
        node, edge = wye, Edge()
        passed = parts[part_of[wye]].element  # once on the way in, once on the way out
        edge.r, edge.k = passed.linear, passed.quadratic
        for id_, entered, _left in steps:
            part = parts[part_of[id_]]
            if len(part.ends) == 3:
                loss = part.element
                common = loss
                if part.straight is not None:  # of a T-piece what both ways have is common, the rest the branch's own
                    common = part.straight
                    if entered == "branch":
                        edge.r += part.element.linear - part.straight.linear
                        edge.k += part.element.quadratic - part.straight.quadratic
                edges.setdefault((id_, node), edge)
                node, edge = id_, Edge(common.linear, common.quadratic, part.compliance_ml_per_cmh2o)
            else:
                edge.add(part, part.element)
        edges.setdefault(("port", node), edge)
    return edges


def netlist(assembly, parts, lungs, settings, breaths):
    """``lungs``: (compliance mL/cmH2O, resistance) a lane; ``settings``: peep, drive, rate, ti."""
    peep, drive, period, ti = settings["peep"], settings["drive"], 60 / settings["rate"], settings["ti"]
    lines = ["circuit with every splitter"]
    for name, delay, width in (("filling", 0, ti - 2 * EDGE), ("emptying", ti, period - ti - 2 * EDGE)):
        lines.append(f"V{name} {name} 0 PULSE(0 1 {_number(delay)} {EDGE} {EDGE} {_number(width)} {_number(period)})")
    node_names, starts, compliance = {}, [], {}

    def node(side, name):
        if name.endswith(".wye"):
            return node_names.setdefault(name, f"w{name[0]}")
        return node_names.setdefault((side, name), f"{side}{len(node_names)}")

    wye_c = {}
    for side in ("in", "out"):
        edges = _edges(assembly, parts, side)
        for count, ((up, down), edge) in enumerate(sorted(edges.items())):
            near = node(side, down)
            if down.endswith(".wye"):
                wye_c[down] = wye_c.get(down, 0.0) + edge.c
            else:
                compliance[near] = compliance.get(near, 0.0) + edge.c
            if up == "port":
                compliance[near] = compliance.get(near, 0.0) + MACHINE_C
                r, k = MACHINE_IN if side == "in" else MACHINE_OUT
                r, k = r + edge.r, k + edge.k
                if side == "in":
                    lines.append(
                        f"Bport 0 {near} I=v(filling)*({_one_way(f'{_number(peep + drive)}-v({near})', r, k)})"
                    )
                else:
                    lines.append(f"Bexit {near} 0 I=v(emptying)*({_one_way(f'v({near})-{_number(peep)}', r, k)})")
                continue
            far = node(side, up)
            compliance[far] = compliance.get(far, 0.0) + edge.far
            first, second = (far, near) if side == "in" else (near, far)
            drop = f"v({first})-v({second})"
            law = _one_way(drop, edge.r, edge.k, edge.crack, edge.leak) if edge.valve else _flow(drop, edge.r, edge.k)
            lines.append(f"B{side}{count} {first} {second} I={law}")
    part_of = {one.id: one.part for one in assembly.pieces}
    for lane, (c, r) in zip(assembly.lanes, lungs, strict=True):
        wye = parts[part_of[f"{lane}.wye"]]
        chain = [
            parts[p]
            for id_, p in part_of.items()
            if id_[0] == lane and id_.count(".") == 1 and p in parts and not id_.endswith(".wye")
        ]
        compliance[f"w{lane}"] = (
            wye_c[f"{lane}.wye"] + wye.compliance_ml_per_cmh2o + sum(p.compliance_ml_per_cmh2o for p in chain)
        )
        r_all, k_all = r + sum(p.element.linear for p in chain), sum(p.element.quadratic for p in chain)
        lines.append(f"Blung{lane} w{lane} a{lane} I={_flow(f'v(w{lane})-v(a{lane})', r_all, k_all)}")
        compliance[f"a{lane}"] = c
    for name, value in compliance.items():
        lines.append(f"C{name} {name} 0 {_number(max(value, 0.01) / 1000)}")
        starts.append(f"v({name})={_number(peep)}")
    last = breaths - 1
    for lane in assembly.lanes:
        lines.append(f".meas tran ti_{lane.lower()} FIND v(a{lane}) AT={last * period + ti:.12g}")
        lines.append(f".meas tran end_{lane.lower()} FIND v(a{lane}) AT={breaths * period:.12g}")
    lines += [
        ".ic " + " ".join(starts),
        ".options method=gear maxord=2 reltol=1e-5 vntol=1e-7 abstol=1e-9 chgtol=1e-12 trtol=1",
        f".tran {STEP} {_number(breaths * period + 0.01)} 0 {STEP} uic",
        ".end",
    ]
    return "\n".join(lines) + "\n"


def tidal_volumes_ml(assembly, parts, lungs, settings, breaths=10):
    """Tidal volume of each lane, and its total PEEP, in the last breath from rest."""
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "case.cir").write_text(netlist(assembly, parts, lungs, settings, breaths), encoding="ascii")
        done = subprocess.run(
            ["ngspice", "-b", "case.cir"], cwd=folder, capture_output=True, text=True, timeout=300, check=False
        )
    found = {name: float(value) for name, value in re.findall(r"^(\w+)\s*=\s*([-+.\deE]+)", done.stdout, re.M)}
    try:
        ends = [(found[f"ti_{lane.lower()}"], found[f"end_{lane.lower()}"]) for lane in assembly.lanes]
    except KeyError as missing:
        raise RuntimeError(f"ngspice gave no {missing}: {done.stdout[-600:]} {done.stderr[-600:]}") from None
    return [c * (ti - end) for (c, _), (ti, end) in zip(lungs, ends, strict=True)], [end for _, end in ends]
