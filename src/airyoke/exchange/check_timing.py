"""Mistakes in rate, times and minute volume."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from airyoke.exchange.bed_values import BedValues, Check, ask, refused
from airyoke.quantities import Finding

# Judgement: what rounding and breath-to-breath change explain.
_MINUTE_VOLUME_TOLERANCE: Final = 0.15


def inspiration_fills_the_breath(bed: BedValues) -> Iterator[Finding]:
    """Inspiration as long as the whole breath is impossible, longer than expiration unusual."""
    both = bed.all_of("inspiratory_time_s", "rate_per_min")
    if both is None:
        return
    inspiratory_time, rate = both
    period = 60.0 / rate
    words = f"Ti {inspiratory_time:g} s at {rate:g} /min, where a breath lasts {period:.2f} s"
    if inspiratory_time >= period:
        remedy = "read rate and inspiratory time again"
        yield refused(
            "inspiratory-time-too-long", "inspiratory_time_s", f"{words}, leaves no expiration", remedy
        )
    elif inspiratory_time > period - inspiratory_time + 1e-9:
        reason = f"{words}, makes inspiration longer than expiration"
        yield ask("inspiration-longer-than-expiration", "inspiratory_time_s", reason, "read both again")


def pause_fills_inspiration(bed: BedValues) -> Iterator[Finding]:
    """The inspiratory time contains the pause."""
    both = bed.all_of("pause_s", "inspiratory_time_s")
    if both is not None and both[0] >= both[1]:
        yield refused(
            "pause-too-long",
            "pause_s",
            f"a pause of {both[0]:g} s does not fit into Ti {both[1]:g} s",
            "the inspiratory time contains the pause: add it to Ti, or read the pause again",
        )


def minute_volume_is_the_product(bed: BedValues) -> Iterator[Finding]:
    """VE against VT x RR, within 15 %."""
    values = bed.all_of("minute_volume_l_per_min", "tidal_volume_ml", "rate_per_min")
    if values is None:
        return
    minute_volume, tidal_volume, rate = values
    product = tidal_volume * rate / 1000.0
    if abs(minute_volume - product) > _MINUTE_VOLUME_TOLERANCE * product:
        yield ask(
            "minute-volume-mismatch",
            "minute_volume_l_per_min",
            f"VE {minute_volume:g} L/min, but VT x RR is {product:.1f} L/min",
            "read tidal volume, rate and minute volume together again",
        )


CHECKS: Final[tuple[Check, ...]] = (
    inspiration_fills_the_breath,
    pause_fills_inspiration,
    minute_volume_is_the_product,
)
