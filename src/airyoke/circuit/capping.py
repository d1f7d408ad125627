"""Taking one patient off a circuit: both ports of that limb capped at their splitters, the limb put aside."""

from __future__ import annotations

from dataclasses import replace

from airyoke.circuit.network import Branch, Element, FlowNetwork

_Pruned = tuple[tuple[int, ...], tuple[Branch, ...], dict[int, Element], float]


def without_limb(network: FlowNetwork, number: int) -> FlowNetwork:
    """The circuit that is left when limb ``number`` is taken off. Raises ``ValueError`` for the last limb.

    A splitter with one way left is only a stretch of hose: it joins that way in series, and the gas in it stands at
    the splitter before. A stretch that leads nowhere stays on as gas to be compressed.
    """
    if len(network.limbs) < 2:
        raise ValueError("the last limb cannot be taken off")
    if not 0 <= number < len(network.limbs):
        raise ValueError(f"there is no limb {number} of {len(network.limbs)}")
    trunk_in, branches_in, series_in, inside = _side(
        network, network.inspiratory_branches, network.inspiratory_trunk, network.splitter_compliances[0], number
    )
    trunk_out, branches_out, series_out, outside = _side(
        network, network.expiratory_branches, network.expiratory_trunk, network.splitter_compliances[1], number
    )
    limbs = tuple(
        replace(
            limb,
            inspiratory=limb.inspiratory.in_series_with(series_in.get(i, Element(0.0))),
            expiratory=limb.expiratory.in_series_with(series_out.get(i, Element(0.0))),
        )
        for i, limb in enumerate(network.limbs)
        if i != number
    )
    return FlowNetwork(
        trunk_in, trunk_out, inside, limbs, outside, _renumbered(branches_in, number), _renumbered(branches_out, number)
    )


def _side(
    network: FlowNetwork, branches: tuple[Branch, ...], trunk: Element, compliance: float, number: int
) -> tuple[Element, tuple[Branch, ...], dict[int, Element], float]:
    named = {limb for branch in branches for limb in branch.all_limbs}
    first = tuple(i for i in range(len(network.limbs)) if i not in named)
    limbs, left, series, more = _pruned(first, branches, number)
    compliance += more
    while not limbs and len(left) == 1:
        only = left[0]
        trunk = trunk.in_series_with(only.element)
        compliance += only.compliance_ml_per_cmh2o
        limbs, left = only.limbs, only.branches
    return trunk, left, series, compliance


def _pruned(limbs: tuple[int, ...], branches: tuple[Branch, ...], number: int) -> _Pruned:
    """What hangs on one splitter without that limb: limbs, branches, what joined a limb's way, compliance moved up."""
    here = [i for i in limbs if i != number]
    left: list[Branch] = []
    series: dict[int, Element] = {}
    moved = 0.0
    for branch in branches:
        on, further, joined, more = _pruned(branch.limbs, branch.branches, number)
        series |= joined
        compliance = branch.compliance_ml_per_cmh2o + more
        if len(on) + len(further) >= 2:
            left.append(replace(branch, compliance_ml_per_cmh2o=compliance, limbs=on, branches=further))
        elif further:
            way = branch.element.in_series_with(further[0].element)
            compliance += further[0].compliance_ml_per_cmh2o
            left.append(replace(further[0], element=way, compliance_ml_per_cmh2o=compliance))
        else:
            moved += compliance
            for i in on:
                series[i] = branch.element.in_series_with(series.get(i, Element(0.0)))
                here.append(i)
    return tuple(here), tuple(left), series, moved


def _renumbered(branches: tuple[Branch, ...], gone: int) -> tuple[Branch, ...]:
    return tuple(
        replace(
            branch,
            limbs=tuple(i - (i > gone) for i in branch.limbs),
            branches=_renumbered(branch.branches, gone),
        )
        for branch in branches
    )
