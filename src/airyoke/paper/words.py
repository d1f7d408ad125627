"""How figures are said on paper: the same words, digits and units as on every other face."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final

from airyoke.contract.answers import FigureAnswer
from airyoke.contract.words import amount_words, name_words, number_words, plain, unit_words
from airyoke.watch.act import Threshold
from airyoke.watch.start import Stop

PATTERN_WORDS: Final = {"A": "solid line", "B": "long dashes", "C": "dots", "D": "dash and dot"}


def figure_of(answer: Any, name: str) -> FigureAnswer:
    """A figure of an answer by its name."""
    found: FigureAnswer = getattr(answer, name)
    return found


def value_words(figure: FigureAnswer, name: str) -> str:
    """The best estimate with its unit."""
    return amount_words(figure.value, unit_words(name))


def range_words(figure: FigureAnswer, name: str) -> str:
    """``382 to 480``: 5-95 %; empty where there is no range."""
    if figure.low is None or figure.high is None:
        return ""
    unit = unit_words(name)
    return f"{number_words(figure.low, unit)} to {number_words(figure.high, unit)}"


def cell_words(figure: FigureAnswer, name: str) -> str:
    """The short form for a narrow column: ``435 (382-480)``."""
    value, unit = number_words(figure.value, unit_words(name)), unit_words(name)
    if figure.low is None or figure.high is None:
        return value
    return f"{value} ({number_words(figure.low, unit)}-{number_words(figure.high, unit)})"


def _bound(value: float, unit: str) -> str:
    """A volume to the millilitre, a bound as it was set."""
    return number_words(value, unit) if unit == "mL" else plain(value)


def threshold_words(one: Threshold) -> str:
    """``below 370; above 500``, ``ask above 28; act above 30``."""
    if one.change is not None:
        return f"{plain(one.change)} more or less than at the start"
    words = []
    if one.low is not None:
        words.append(f"below {_bound(one.low, one.unit)}")
    if one.ask is not None:
        words.append(f"ask above {_bound(one.ask, one.unit)}")
    if one.high is not None:
        words.append(f"{'act ' if one.ask is not None else ''}above {_bound(one.high, one.unit)}")
    return "; ".join(words)


def stop_words(one: Stop) -> str:
    """A stop rule with its numbers."""
    numbers = {"low": one.low, "high": one.high}
    return one.text.format(**{k: "" if v is None else _bound(v, one.unit) for k, v in numbers.items()})


def alarm_words(value: float | None) -> str:
    """One side of an alarm limit; empty where that side is not set."""
    return "" if value is None else plain(value)


def and_words(words: list[str] | tuple[str, ...]) -> str:
    """``E2``, ``E2 and E3``, ``E2, E3 and E4``."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def upper_first(text: str) -> str:
    """The sentence with a capital letter at its beginning; ``pH`` stays as it is."""
    if text[1:2].isupper():
        return text
    return f"{text[:1].upper()}{text[1:]}"


def time_words(at: datetime) -> str:
    """Day and minute."""
    return f"{at:%Y-%m-%d %H:%M}"


def setting_words(settings: Mapping[str, Any]) -> str:
    """Settings in one line, as people say them; empty where none are known."""
    if not settings:
        return ""
    words = ["pressure control" if settings.get("mode") == "pc" else "volume control"]
    for key, form in (("pressure_above_peep_cmh2o", "{} above PEEP"), ("tidal_volume_ml", "{} mL"),
                      ("peep_cmh2o", "PEEP {}"), ("rate_per_min", "{}/min"), ("inspiratory_time_s", "Ti {} s"),
                      ("fio2", "FiO2 {}")):  # fmt: skip
        value = settings.get(key)
        if isinstance(value, int | float):
            words.append(form.format(plain(float(value))))
    return ", ".join(words)


def quantity_words(key: str) -> str:
    """What people call a quantity, capital first."""
    return upper_first(name_words(key))
