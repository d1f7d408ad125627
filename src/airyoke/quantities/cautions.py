"""The sentences that stand on every face: what sharing is, who decides, and what the tool cannot see."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution: a stable id and the sentence as shown."""

    id: str
    text: str


LAST_RESORT = Caution(
    "last-resort",
    "Sharing a ventilator is the last resort: professional societies advise against it while any proven therapy "
    "remains (joint statement SCCM, AARC, ASA, APSF, AACN, CHEST, 26 March 2020).",
)
WHO_DECIDES = Caution(
    "who-decides",
    "This tool advises; licensed clinicians decide. Local policy and law come first. It is not a monitor and drives "
    "no device.",
)
CANNOT_SEE = Caution(
    "cannot-see",
    "It cannot see effort, leak, recruitment, secretions, haemodynamics, or a lung that changed since its readings. "
    "What PEEP does to the lung itself is not predicted.",
)
MORE_THAN_TWO = Caution(
    "more-than-two",
    "More than two patients on one ventilator is outside regulators' advice (FDA letter of 9 February 2021).",
)
NO_RESERVE = Caution(
    "no-reserve",
    "No ventilator is held in reserve: the first emergency has none (FDA letter of 9 February 2021 asks for one).",
)
SHARING_NOT_STATED = Caution(
    "sharing-not-stated",
    "The policy sheet does not say that sharing was accepted as the last resort: two senior clinicians decide that "
    "before anybody is coupled (policy row 'sharing', value 'last-resort-accepted').",
)
PART_DATA = Caution(
    "part-data",
    "Resistance, volume and valve data of the default builds are typical values of low confidence; measure the "
    "build before a patient is near it.",
)
NO_STOCK = Caution(
    "no-stock-sheet",
    "There is no stock sheet: parts are taken as unlimited and the pick list is an order list.",
)

STANDING: tuple[Caution, ...] = (LAST_RESORT, WHO_DECIDES, CANNOT_SEE)
"""Shown with every answer."""
