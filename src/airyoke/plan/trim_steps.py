"""How a trim is fitted and set at the bedside: one thing at a time, read, lock, mark. Common practice, no source."""

from __future__ import annotations

from airyoke.plan.trims import ADJUSTABLE, Fitting, Proposal

READ = "clamp all but one at an expiratory hold"


def fitting_words(one: Fitting) -> str:
    """``restrictor 4 mm on the branch in of A``."""
    if one.kind == "restrictor":
        kind = "adjustable restrictor, as narrow as a hole of" if one.part == ADJUSTABLE else "restrictor,"
        return f"{kind} {one.size:g} mm on the branch in of {one.patient}"
    if one.kind == "peep_valve":
        return f"in-line PEEP valve at {one.size:g} cmH2O on the branch out of {one.patient}"
    return f"{one.size:g} mL of dead space between wye and tube of {one.patient}"


def steps(proposal: Proposal) -> tuple[str, ...]:
    """What is done, in order, for all pieces of a proposal."""
    volumes = {one.label: one.figures["tidal_volume_ml"] for one in proposal.after.answer.patients}
    done: list[str] = []
    for one in proposal.fittings:
        figure = volumes[one.patient]
        target = "" if figure.value is None else f"{figure.value:.0f} mL"
        if figure.low is not None and figure.high is not None:
            target += f" ({figure.low:.0f} to {figure.high:.0f})"
        done += _fit(one, target)
    done += [
        f"Read everybody again ({READ}), then the sum that the machine shows: the others may have gained.",
        "Set the alarm limits again from what was read.",
        "Look at each piece with every hourly check, after each suction, turn and wetting. When its patient worsens, "
        "the piece comes off first.",
    ]
    return tuple(done)


def _fit(one: Fitting, target: str) -> list[str]:
    who = one.patient
    if one.kind == "restrictor":
        place = (
            f"{who}, restrictor: between splitter and one-way valve of the branch in. Never on the branch out: there "
            "it traps gas. Fit it while the circuit is built, then test leak and valves again."
        )
        if one.part != ADJUSTABLE:
            return [
                place,
                f"Before: measure its pressure drop at 30 and 60 L/min, mark it with bed, lane and {one.size:g} mm.",
                f"At the start: ten breaths, then read {who}'s tidal volume ({READ}): expected {target}. "
                "Outside: take it out and judge again with what was read.",
            ]
        return [
            place,
            f"Start fully open. Ten breaths, read {who}'s tidal volume ({READ}).",
            f"Close it a little, ten breaths, read; go on until {target} is read. Its turns are not linear and have "
            "play: come from the open side only.",
            "Lock it, mark its position on body and stem, write time and name on the label.",
        ]
    if one.kind == "peep_valve":
        return [
            f"{who}, PEEP valve: on the branch out behind the one-way valve, outlet captured (one that opens to the "
            "room loses the breath), arrow with the gas.",
            f"Start at its lowest setting. Raise it step by step to {one.size:g} cmH2O, ten breaths each; read {who}'s "
            f"total PEEP and tidal volume ({READ}): expected {target}.",
            "Lock and mark it. The machine does not see this PEEP: no alarm watches it.",
        ]
    return [
        f"{who}, dead space: a piece of tube of {one.size:g} mL, measured with water, between wye and tracheal tube.",
        f"It only makes {who} breathe out less CO2: pH and EtCO2 of {who} after 10 and 30 minutes. It is of no use "
        "against pressure, and the first thing to take off when the breaths get smaller.",
    ]
