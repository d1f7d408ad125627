"""The three sequences at the bed, step by step: coupling a group, giving it up, taking a patient off.

A sequence is a form: ``{lane}``, ``{first}`` and ``{others}`` in its words stand for the lanes of a group, and a step
of ``each`` is done once for every lane after the first (or every lane that comes off). A site may edit the forms.
Judgement unless a line says otherwise; local protocol comes first.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, Final, Literal

from airyoke.quantities import Finding, Refused
from airyoke.watch.sources import JUDGEMENT, TONETTI_2020
from airyoke.watch.start import ROLES

SequenceName = Literal["start", "abandon", "exit"]


@dataclass(frozen=True, slots=True)
class TimedStep:
    """One step. ``at`` is when, in words; ``who`` the role that does it; ``read`` what is written down or has to be
    seen before the next step.

    ``joins``, ``leaves``, ``returns``: the patient of the lane is on the shared ventilator after it, off it, back on
    one of its own. ``closes`` a tube (nobody breathes for that patient: the clock runs), ``opens`` it again.
    ``clamps``: how many are on after the step, to be counted; ``None`` where nobody counts. ``lane`` is empty for a
    step of the whole group.
    """

    at: str
    who: str
    do: str
    read: str = ""
    source: str = JUDGEMENT
    id: str = ""
    lane: str = ""
    each: bool = False
    joins: bool = False
    leaves: bool = False
    returns: bool = False
    closes: bool = False
    opens: bool = False
    clamps: int | None = None


_SECONDS: Final = "seconds without a breath: aim 10, stop at 20"

START: Final[tuple[TimedStep, ...]] = (
    TimedStep("0 min", "airway", "FiO2 1.0 for everybody, each on its own ventilator, for 5 min", "SpO2 of each",
              id="oxygen"),
    TimedStep("5 min", "airway", "{first} onto the shared build, ends of {others} capped: inspiratory hold on its old "
              "ventilator, clamp the tube", "the clock runs", id="clamp", lane="{first}", closes=True, clamps=1),
    TimedStep("at once", "airway", "{first}: standby, part on the machine side of the filter, join, run, unclamp",
              _SECONDS, id="join", lane="{first}", joins=True, opens=True, clamps=0),
    TimedStep("5 to 10 min", "reader", "{first} alone on the shared build for 5 min: the baseline",
              "exhaled volume, plateau, total PEEP", TONETTI_2020, id="alone", lane="{first}"),
    TimedStep("next", "circuit", "Clamp {lane}'s two branches, then take off its cap", "volume as before",
              id="branches", lane="{lane}", each=True, clamps=2),
    TimedStep("next", "airway", "{lane}: inspiratory hold on its old ventilator, clamp the tube", "the clock runs",
              id="clamp", lane="{lane}", each=True, closes=True, clamps=3),
    TimedStep("at once", "airway", "{lane}: standby, part on the machine side of the filter, join",
              id="join", lane="{lane}", each=True, joins=True),
    TimedStep("at once", "circuit", "Open {lane}'s expiratory branch, its inspiratory branch, then its tube",
              _SECONDS, id="open", lane="{lane}", each=True, opens=True, clamps=0),
    TimedStep("at once", "reader", "Every chest, every CO2 curve, the exhaled volume of the sum", "volume",
              id="look", lane="{lane}", each=True),
    TimedStep("next", "circuit", "One after another: at an expiratory hold clamp all tubes but one, read that one, "
              "unclamp", "plateau, total PEEP, volume of each", TONETTI_2020, id="read-each", clamps=0),
    TimedStep("15 min", "circuit", "FiO2 to the planned value", "SpO2 of each", id="oxygen-back"),
    TimedStep("15 min", "circuit", "Alarm limits again from the volumes measured now", "the new limits", id="alarms"),
)  # fmt: skip
"""The change-over: the first is moved onto the shared build alone, then one at a time."""

ABANDON: Final[tuple[TimedStep, ...]] = (
    TimedStep("at once", "airway", "Clamp the tube of {lane}, the one joined last, part at the filter, bag with 100 % "
              "oxygen and PEEP valve", "chest rises", id="bag", lane="{lane}", leaves=True, opens=True),
    TimedStep("next", "circuit", "Close its inspiratory branch, then its expiratory branch: never in without out",
              id="branches", lane="{lane}", clamps=2),
    TimedStep("next", "circuit", "Cap its end, branches unclamped; alarm limits again for those who stay",
              "their volumes", id="cap", lane="{lane}", clamps=0),
    TimedStep("then", "airway", "Back on its own ventilator, at its settings from before", id="own", lane="{lane}",
              returns=True),
    TimedStep("then", "reader", "Write what was seen and when; nobody is coupled again before it is explained",
              id="write"),
)  # fmt: skip

EXIT: Final[tuple[TimedStep, ...]] = (
    TimedStep("before", "circuit", "{lane}'s own ventilator ready and tested, or bag; own oxygen", id="own",
              lane="{lane}", each=True),
    TimedStep("next", "airway", "Clamp {lane}'s tube, part at the filter", "the clock runs", id="clamp",
              lane="{lane}", each=True, closes=True, clamps=1),
    TimedStep("at once", "airway", "{lane}: bag or join its own ventilator, unclamp the tube", _SECONDS, id="leave",
              lane="{lane}", each=True, leaves=True, returns=True, opens=True, clamps=0),
    TimedStep("at once", "circuit", "Close {lane}'s inspiratory branch, then its expiratory branch", id="branches",
              lane="{lane}", each=True, clamps=2),
    TimedStep("next", "circuit", "Cap {lane}'s end, branches unclamped; strike its labels out", id="cap",
              lane="{lane}", each=True, clamps=0),
    TimedStep("next", "circuit", "Settings and alarm limits again for those who stay; read them at 1, 5 and 15 min",
              "their volumes", id="others"),
    TimedStep("then", "drugs", "Sedation off only after that; nobody is extubated from a shared circuit",
              id="sedation"),
)  # fmt: skip

SEQUENCES: Final[dict[SequenceName, tuple[TimedStep, ...]]] = {"start": START, "abandon": ABANDON, "exit": EXIT}


def filled(forms: Sequence[TimedStep], lanes: Sequence[str]) -> tuple[TimedStep, ...]:
    """The steps of a form for these lanes, in the order in which they are coupled or taken off.

    In a form that names ``{first}``, steps of ``each`` are for the lanes after it, else for every lane; neighbours of
    ``each`` are done together for one lane before the next.
    """
    has_first = any("{first}" in one.do for one in forms)
    rest = lanes[1:] if has_first else lanes
    names = {"first": lanes[0], "others": _and(lanes[1:])}
    found: list[TimedStep] = []
    for run, each in _runs(forms):
        for lane in rest if each else (lanes[-1],):
            found += [_filled(one, {**names, "lane": lane}) for one in run]
    return tuple(found)


def sequence(lanes: Sequence[str], forms: Sequence[TimedStep] = START) -> tuple[TimedStep, ...]:
    """The change-over of a group, lane by lane."""
    return filled(forms, lanes)


def _runs(forms: Sequence[TimedStep]) -> Iterator[tuple[list[TimedStep], bool]]:
    run: list[TimedStep] = []
    for one in forms:
        if run and run[0].each != one.each:
            yield run, run[0].each
            run = []
        run.append(one)
    if run:
        yield run, run[0].each


def _filled(form: TimedStep, names: Mapping[str, str]) -> TimedStep:
    lane = names["first"] if form.lane == "{first}" else names["lane"] if form.lane else ""
    return replace(form, do=_words(form.do, names), read=_words(form.read, names), lane=lane,
                   id=f"{form.id}.{lane}" if lane else form.id, each=False)  # fmt: skip


def _words(text: str, names: Mapping[str, str]) -> str:
    for name, value in names.items():
        text = text.replace(f"{{{name}}}", value)
    return text


def _and(words: Sequence[str]) -> str:
    return " and ".join(part for part in (", ".join(words[:-1]), *words[-1:]) if part)


_FORM_FIELDS: Final = {one.name: one for one in fields(TimedStep)}
_FLAGS: Final = ("each", "joins", "leaves", "returns", "closes", "opens")


def step_object(step: TimedStep) -> dict[str, Any]:
    """A step as an entry holds it: what is empty or false is left out."""
    held = {name: getattr(step, name) for name in _FORM_FIELDS}
    return {name: value for name, value in held.items() if value is not None and value != "" and value is not False}


def form_of(held: Mapping[str, Any]) -> TimedStep:
    """A step of a form from what an entry holds. Raises ``Refused`` where it cannot be one."""
    unknown = [name for name in held if name not in _FORM_FIELDS]
    if unknown:
        raise _refused(f"a step has no {unknown[0]!r}", f"its fields are {', '.join(_FORM_FIELDS)}")
    for name in ("id", "at", "who", "do"):
        if not isinstance(held.get(name), str) or not held[name].strip():
            raise _refused(f"a step needs {name}, in words", "give it")
    roles = [role.id for role in ROLES]
    if held["who"] not in roles:
        raise _refused(f"there is no role {held['who']!r}", f"the roles are {', '.join(roles)}")
    clamps = held.get("clamps")
    if any(not isinstance(held.get(name, False), bool) for name in _FLAGS):
        raise _refused(f"{', '.join(_FLAGS)} are true or false", "give them so")
    if clamps is not None and (isinstance(clamps, bool) or not isinstance(clamps, int) or clamps < 0):
        raise _refused("clamps is a count", "give how many are on after the step, or leave it out")
    return TimedStep(**held)


def edited_forms(name: str, steps: Sequence[Mapping[str, Any]]) -> tuple[TimedStep, ...]:
    """The form of a site's own sequence. Raises ``Refused`` where it would lose a patient.

    Whatever its words: every tube that is clamped is opened again before the next one is clamped and before the end,
    ids are not used twice, and the start joins both the first lane and each of the others.
    """
    forms = tuple(form_of(one) for one in steps)
    if len({one.id for one in forms}) != len(forms) - _said_twice(forms):
        raise _refused("an id is used twice", "give each step its own")
    closed = False
    for one in (*forms, None):
        if closed and (one is None or one.closes):
            raise _refused("a tube is clamped and not opened before the next one, or the end", "open it first")
        if one is not None:
            closed = (closed or one.closes) and not one.opens
    if name == "start" and [one.each for one in forms if one.joins] != [False, True]:
        raise _refused("the start joins the first lane once, and each of the others once", "see the default")
    if name in ("abandon", "exit") and sum(one.leaves for one in forms) != 1:
        raise _refused(f"the {name} takes a patient off in one step", "see the default")
    return forms


def _said_twice(forms: Sequence[TimedStep]) -> int:
    """Ids that the first lane and the others share, as the default has it: they are told apart by the lane."""
    first = {one.id for one in forms if one.lane == "{first}"}
    return len(first & {one.id for one in forms if one.each})


def _refused(reason: str, remedy: str) -> Refused:
    return Refused((Finding("sequence-form", "refused", reason, remedy),))
