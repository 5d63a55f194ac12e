"""A number with its unit, its standard uncertainty and what that uncertainty is made of."""

from __future__ import annotations

import copyreg
import functools
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Degrees = TypeVar("Degrees", float, "NDArray[np.float64]")


def _read_only(mapping: dict[str, object]) -> MappingProxyType[str, object]:
    return MappingProxyType(mapping)


# Read-only mappings inside our values must travel to other processes.
copyreg.pickle(MappingProxyType, lambda proxy: (_read_only, (dict(proxy),)))

COVERAGE_95 = 1.959964  # standard normal, 97.5 %


@dataclass(frozen=True)
class Quantity:
    """A value with signed standard-uncertainty contributions by source.

    Parameters
    ----------
    value
        In `unit`.
    unit
        "mm", "deg" or "1".
    parts
        Source id to signed contribution in `unit`: the derivative by that source times the source's
        standard uncertainty. Sources are independent of each other; two quantities that name the
        same source share its error. Keep the sign: it is what lets shared errors cancel.

    Notes
    -----
    The combined standard uncertainty is the root sum of squares of the parts (JCGM 100:2008, 5.1.2).
    """

    value: float
    unit: str
    parts: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not math.isfinite(self.value) or not all(map(math.isfinite, self.parts.values())):
            raise ValueError(
                f"A quantity in {self.unit} needs finite numbers; received {self.value} {dict(self.parts)}."
            )
        object.__setattr__(self, "parts", MappingProxyType(dict(self.parts)))

    @functools.cached_property
    def u(self) -> float:
        """Combined standard uncertainty, in the quantity's unit."""
        return math.sqrt(math.fsum(part * part for part in self.parts.values()))

    @property
    def interval(self) -> tuple[float, float]:
        """Ends of the 95 % coverage interval."""
        half = COVERAGE_95 * self.u
        return self.value - half, self.value + half

    def scaled(self, factor: float) -> Quantity:
        """Return the quantity times an exact factor."""
        return weighted_sum([(factor, self)])

    def text(self) -> str:
        """Value plus/minus its 95 % half-interval, rounded to what the uncertainty supports."""
        half = COVERAGE_95 * self.u
        digits = decimals(half)
        return f"{_plain(self.value, digits)} ± {half:.{digits}f}{UNIT_TEXT[self.unit]}"


UNIT_TEXT = {"mm": " mm", "deg": "°", "1": ""}


def decimals(half_interval: float) -> int:
    """Decimals worth showing beside a 95 % half-interval: one digit that counts, two where it begins with 1.

    Readers take tenths for truth (PMC3473462), so nothing finer than the uncertainty supports is shown.
    """
    if half_interval <= 0 or not math.isfinite(half_interval):
        return 1
    leading = math.floor(math.log10(half_interval))
    first_digit = half_interval / 10.0**leading
    return max(0, min(3, -leading + (first_digit < 1.95)))


def _plain(value: float, digits: int) -> str:
    text = f"{value:.{digits}f}"
    return text.lstrip("-") if float(text) == 0 else text


def weighted_sum(terms: Iterable[tuple[float, Quantity]]) -> Quantity:
    """Return the sum of weight times quantity, with shared sources combined before squaring.

    Raises ValueError where there is no term or the units differ.
    """
    terms = list(terms)
    units = {quantity.unit for _, quantity in terms}
    if len(units) != 1:
        raise ValueError(f"A sum needs quantities of one unit; received {sorted(units)}.")
    parts: dict[str, float] = {}
    for weight, quantity in terms:
        for source, part in quantity.parts.items():
            parts[source] = parts.get(source, 0.0) + weight * part
    return Quantity(math.fsum(w * q.value for w, q in terms), units.pop(), parts)


def difference(later: Quantity, earlier: Quantity) -> Quantity:
    """Return later minus earlier; angles are wrapped to -180 to 180 degrees."""
    result = weighted_sum([(1.0, later), (-1.0, earlier)])
    if result.unit == "deg":
        return Quantity(wrap_degrees(result.value), "deg", result.parts)
    return result


def covariance(a: Quantity, b: Quantity) -> float:
    """Return the covariance of two quantities, from the sources they share."""
    return math.fsum(part * b.parts[source] for source, part in a.parts.items() if source in b.parts)


def wrap_degrees(angle: Degrees) -> Degrees:
    """Return the angle, or array of angles, within -180 (excluded) to 180 degrees."""
    return -((180.0 - angle) % 360.0 - 180.0)


def chance_text(probability: float) -> str:
    """Say a probability in per cent, and never as certain: "< 1 %", "94 %", "> 99 %"."""
    percent = 100 * probability
    return "< 1 %" if percent < 1 else "> 99 %" if percent > 99 else f"{percent:.0f} %"
