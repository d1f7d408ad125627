"""What does a team do, read and fear from the minute it couples patients until the last one is off again?

Roles, gate, sequence, rounds, thresholds, emergencies and the way out, as frozen tables and a few functions of the
predicted numbers, one for every face. Almost all of it is judgement: each line says so.
"""

from airyoke.watch.act import ActRules, Threshold, act_thresholds, volume_band_ml
from airyoke.watch.emergency import EMERGENCIES, Emergency, Left, ventilator_without
from airyoke.watch.hand_over import ACCEPTANCE, OFF_FIRST, REVIEWS_H, Due, due_of_a_build, due_of_a_group
from airyoke.watch.rounds import GROUP_ITEMS, PATIENT_ITEMS, Item, Round, rounds
from airyoke.watch.sequences import ABANDON, EXIT, SEQUENCES, START, TimedStep, filled, sequence
from airyoke.watch.start import (
    EQUIPMENT,
    GATE,
    ROLES,
    Need,
    Stop,
    StopRules,
    Task,
    equipment_for,
    stop_rules,
)
from airyoke.watch.undo import (
    Leaving,
    OffFirst,
    OffFirstRules,
    OffReason,
    Sharer,
    Staying,
    exit_sequence,
    off_first,
)

__all__ = [
    "ABANDON",
    "ACCEPTANCE",
    "EMERGENCIES",
    "EQUIPMENT",
    "EXIT",
    "GATE",
    "GROUP_ITEMS",
    "OFF_FIRST",
    "PATIENT_ITEMS",
    "REVIEWS_H",
    "ROLES",
    "SEQUENCES",
    "START",
    "ActRules",
    "Due",
    "Emergency",
    "Item",
    "Leaving",
    "Left",
    "Need",
    "OffFirst",
    "OffFirstRules",
    "OffReason",
    "Round",
    "Sharer",
    "Staying",
    "Stop",
    "StopRules",
    "Task",
    "Threshold",
    "TimedStep",
    "act_thresholds",
    "due_of_a_build",
    "due_of_a_group",
    "equipment_for",
    "exit_sequence",
    "filled",
    "off_first",
    "rounds",
    "sequence",
    "stop_rules",
    "ventilator_without",
    "volume_band_ml",
]
