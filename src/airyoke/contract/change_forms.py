"""Changes as somebody types them: ``drive +2``, ``compliance B -30%``, ``out B``.

One word, then whom it concerns where it concerns one patient, then how much. A sign makes a step of the number, no sign
the new value; nothing is guessed.
"""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from airyoke.lungs.patient import Patient
from airyoke.plan.changes import FEVER_VCO2_PER_DEGREE, Change, Kind
from airyoke.quantities import Finding, Refused, did_you_mean

Takes = Literal["step or value", "step", "value", "factor or value", "ratio", "nothing", "patient"]
IMPROVED: Final = 1.3  # compliance of lungs that were proned or drained, an example to think with: judgement, no source


@dataclass(frozen=True, slots=True)
class Form:
    """One form of a change: how it is typed, and what it means.

    ``who``: whether a label follows the word (``all`` may stand for one). ``takes``: what follows then. ``unit``: the
    words that may stand behind the number. ``without``: the word that takes off what the number would set.
    """

    word: str
    kind: Kind
    example: str
    meaning: str
    who: Literal["nobody", "one", "one or all"] = "nobody"
    takes: Takes = "step or value"
    units: tuple[str, ...] = ()
    without: bool = False


FORMS: Final[tuple[Form, ...]] = (
    Form("drive", "drive", "drive +2", "pressure above PEEP, cmH2O", units=("cmh2o",)),
    Form("peep", "peep", "peep -2", "PEEP, cmH2O; the drive stays", units=("cmh2o",)),
    Form("peep-absolute", "peep_absolute", "peep-absolute +2",
         "PEEP, cmH2O; the inspiratory pressure stays, the drive gives way", units=("cmh2o",)),
    Form("rate", "rate", "rate 26", "rate, /min; the inspiratory time stays", units=("/min",)),
    Form("ti", "inspiratory_time", "ti 0.8", "inspiratory time, s; the rate stays", units=("s",)),
    Form("ie", "inspiratory_to_expiratory", "ie 1:2", "inspiratory to expiratory time; the rate stays", takes="ratio"),
    Form("fio2", "fio2", "fio2 1.0", "FiO2 for all, a fraction"),
    Form("volume", "tidal_volume", "volume -50", "tidal volume for all together, mL (volume control)", units=("ml",)),
    Form("mode-vc", "volume_control", "mode-vc", "turned to volume control by mistake, at the volume displayed now",
         takes="nothing"),
    Form("triggers", "trigger", "triggers B 30",
         "the block of one wears off: everybody is breathed at that rate; the effort itself is not in it", "one",
         "value", ("/min",)),
    Form("compliance", "compliance", "compliance B -30%", "a lung stiffens or improves; or the new value, mL/cmH2O",
         "one", "factor or value", ("ml/cmh2o",)),
    Form("resistance", "resistance", "resistance B +50%", "resistance in and out, tube included; or the new value "
         "in, cmH2O s/L", "one", "factor or value"),
    Form("prone", "compliance", "prone B", f"turned prone: compliance +{100 * (IMPROVED - 1):.0f} %, an example; "
         "or say how much", "one", "factor or value"),
    Form("drained", "compliance", "drained B", f"a chest drained: compliance +{100 * (IMPROVED - 1):.0f} %, an "
         "example; or say how much", "one", "factor or value"),
    Form("kink", "narrowed", "kink B 4mm", "the tube narrowed as if to a sharp-edged hole of this many mm", "one",
         "value", ("mm",)),
    Form("block", "blocked", "block B", "the tube blocked", "one", "nothing"),
    Form("out", "out", "out B", "taken off; both ports capped at the splitters", "one", "nothing"),
    Form("swap", "swap", "swap B C", "another patient on this limb (--with FILE names who can come)", "one", "patient"),
    Form("add", "add", "add C", "one more patient, on a limb like the others (--with FILE)", "nobody", "patient"),
    Form("heated", "heated", "heated all", "a heated humidifier instead of the heat and moisture exchanger: its 50 mL "
         "of dead space go, and its resistance", "one or all", "nothing"),
    Form("restrictor", "restrictor", "restrictor A 4mm", "a sharp-edged orifice of this many mm in the branch in; "
         "or restrictor A none", "one", "value", ("mm",), True),
    Form("peep-valve", "peep_valve", "peep-valve A 5", "an in-line PEEP valve, cmH2O, in the branch out: it takes as "
         "much of this patient's drive; or peep-valve A none", "one", "value", ("cmh2o",), True),
    Form("dead-space", "dead_space", "dead-space A 50", "dead space added between wye and tube, mL; or dead-space "
         "A none", "one", "value", ("ml",), True),
    Form("fever", "fever", "fever B +1.5", f"degrees more: CO2 production +{100 * FEVER_VCO2_PER_DEGREE:.0f} % each "
         "(PMC9525762; 10 to 13 % is usual too)", "one", "step", ("degc", "°c")),
)  # fmt: skip
_BY_WORD: Final = {form.word: form for form in FORMS}
_EXAMPLE_IF_BARE: Final = {"prone": IMPROVED, "drained": IMPROVED}


def parse_changes(
    texts: Sequence[str], labels: Sequence[str], others: Mapping[str, Patient] | None = None
) -> tuple[Change, ...]:
    """The changes that the texts mean, for a group of these labels; ``others`` are patients who may come in.

    A later text may name who came in by an earlier one. Raises ``Refused`` with one finding for the first text that
    cannot be read.
    """
    here = list(labels)
    changes: list[Change] = []
    for text in texts:
        change = _Reader(text, here, {} if others is None else others).change()
        changes.append(change)
        if change.kind in ("out", "swap") and change.whose is not None:
            here.remove(change.whose)
        if change.patient is not None:
            here.append(change.patient.label)
    return tuple(changes)


def change_words(change: Change) -> str:
    """The change as a sentence carries it, with what it rests on: ``compliance of B x 0.7``."""
    form = next(one for one in FORMS if one.kind == change.kind) if change.kind != "settings" else None
    if form is None:
        return "other settings"
    whose = f" of {change.whose}" if change.whose is not None else ""
    words = f"{form.word}{whose}"
    if change.patient is not None:
        words += f" for {change.patient.label}" if change.kind == "swap" else f" of {change.patient.label}"
    if change.amount is not None:
        factor = change.relative and form.takes == "factor or value"
        words += f" {'x ' if factor else ''}{format(change.amount, '+g' if change.relative and not factor else 'g')}"
    elif form.without:
        words += " none"
    return f"{words}: {form.meaning.partition('; or')[0]}"


class _Reader:
    """Reads one text, word by word."""

    def __init__(self, text: str, labels: Sequence[str], others: Mapping[str, Patient]) -> None:
        self._text, self._labels, self._others = text, labels, others
        try:
            self._words = shlex.split(text)
        except ValueError:
            raise self._refused("change-form", "a quotation mark is not closed", "close it") from None

    def change(self) -> Change:
        form = self._form()
        whose = None if form.who == "nobody" else self._whose(form)
        if form.takes == "patient":
            return self._end(form, Change(form.kind, whose, patient=self._patient(form)))
        if form.takes == "nothing":
            return self._end(form, Change(form.kind, whose))
        if not self._words and form.word in _EXAMPLE_IF_BARE:
            return Change(form.kind, whose, _EXAMPLE_IF_BARE[form.word], relative=True)
        if form.without and self._words and self._words[0].casefold() == "none":
            self._words.pop(0)
            return self._end(form, Change(form.kind, whose))
        return self._amount(form, whose)

    def _form(self) -> Form:
        if not self._words:
            raise self._refused("change-form", "there is no word in it", "such as drive +2; --changes lists all")
        word = self._words.pop(0)
        form = _BY_WORD.get(word.casefold())
        if form is None:
            near = did_you_mean(word, _BY_WORD)
            remedy = f"did you mean {_BY_WORD[near].example}?" if near else "--changes lists what can be asked"
            raise self._refused("change-word", f"no change is called {word}", remedy)
        return form

    def _whose(self, form: Form) -> str | None:
        if not self._words:
            raise self._refused("change-patient", "it does not say whose", f"write it as {form.example}")
        label = self._words.pop(0)
        if label in self._labels:
            return label
        if form.who == "one or all" and label.casefold() == "all":
            return None
        raise self._unknown(label, self._labels, "there is no patient", "the patients are")

    def _patient(self, form: Form) -> Patient:
        if not self._words:
            raise self._refused("change-newcomer", "it does not say who comes in", f"write it as {form.example}")
        label = self._words.pop(0)
        if label in self._others:
            return self._others[label]
        if not self._others:
            reason = f"the lungs of {label} are not known"
            raise self._refused("change-newcomer", reason, "give a case with this patient: --with FILE")
        raise self._unknown(label, list(self._others), "the case of --with has no patient", "its patients are")

    def _unknown(self, label: str, known: Sequence[str], reason: str, listed: str) -> Refused:
        near = did_you_mean(label, known)
        remedy = f"did you mean {near}?" if near else f"{listed} {', '.join(known)}"
        return self._refused("change-patient", f"{reason} {label}", remedy)

    def _amount(self, form: Form, whose: str | None) -> Change:
        if not self._words:
            raise self._refused("change-amount", "it does not say how much", f"write it as {form.example}")
        word = self._words.pop(0).replace("−", "-")
        if self._words and self._words[0] == "%":
            word += self._words.pop(0)
        if form.takes == "ratio":
            return self._end(form, Change(form.kind, whose, self._ratio(form, word)))
        word = self._without_unit(form, word)
        signed = word[:1] in "+-"
        if form.takes == "factor or value" and word.endswith("%"):
            share = self._number(form, word.removesuffix("%"))
            if not signed:
                raise self._refused("change-amount", f"{word} of what is there, or more?", f"write +{word} or -{word}")
            return self._end(form, Change(form.kind, whose, 1.0 + share / 100.0, relative=True))
        value = self._number(form, word)
        if form.takes == "factor or value" and signed:
            raise self._refused("change-amount", f"a step of {word}", f"write a share, such as {form.example}, or the "
                                "new value without a sign")  # fmt: skip
        if form.takes == "step" and not signed:
            raise self._refused("change-amount", f"{word} is the new value, or more?", f"write it as {form.example}")
        if form.takes == "value" and signed:
            raise self._refused("change-amount", f"{word} has a sign", f"write the value, as in {form.example}")
        if form.kind == "fio2" and not signed and value > 1.0:
            raise self._refused("change-amount", f"FiO2 of {word}", f"it is a fraction: did you mean {value / 100:g}?")
        return self._end(form, Change(form.kind, whose, value, relative=signed))

    def _without_unit(self, form: Form, word: str) -> str:
        """The number alone; its unit may be glued to it or follow as a word."""
        folded = word.casefold()
        for unit in form.units:
            if folded.endswith(unit):
                return word[: -len(unit)]
        if self._words and self._words[0].casefold() in form.units:
            self._words.pop(0)
        return word

    def _ratio(self, form: Form, word: str) -> float:
        left, colon, right = word.partition(":")
        if not colon:
            raise self._refused("change-amount", f"{word} is no ratio", f"write it as {form.example}")
        inspiration, expiration = self._number(form, left), self._number(form, right)
        if inspiration <= 0.0 or expiration <= 0.0:
            raise self._refused("change-amount", f"{word} is no ratio", f"write it as {form.example}")
        return inspiration / expiration

    def _number(self, form: Form, word: str) -> float:
        try:
            value = float(word) if word.isascii() and "_" not in word else None
        except ValueError:
            value = None
        if value is None or not abs(value) < 1e6:
            hint = "with a point, " if "," in word else ""
            raise self._refused("change-amount", f"{word} is no number", f"write it {hint}as in {form.example}")
        return value

    def _end(self, form: Form, change: Change) -> Change:
        if self._words:
            reason = f"{' '.join(self._words)} is more than it takes"
            raise self._refused("change-form", reason, f"write it as {form.example}; one change a text")
        return change

    def _refused(self, id_: str, reason: str, remedy: str) -> Refused:
        said = f"'{self._text}': {reason}"
        return Refused((Finding(id_, "refused", said, remedy, column="change", value=self._text),))
