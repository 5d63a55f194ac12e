"""Every quantity of one film: its value with uncertainty, or why it has none."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from measure.definitions import ANGLE, FUNCTIONS, LENGTH
from measure.errors import SiteError
from measure.geometry import axis_frame
from measure.propagate import UncertainPoints, propagate
from measure.quantity import Quantity
from measure.reading import ABSENT, NOT_ASSESSABLE, PROPOSED, Landmark, Reading
from measure.scale import Scale
from measure.sites import MeasurementRow, Profile, Site, Spread, View, load_site

# Without a scale the angles still need the placement uncertainty in pixels: a usual detector pitch
# at the bone serves for that alone, never for a length.
USUAL_MM_PER_PX = 0.13  # 0.15 mm detector, magnification 1.15; common practice, no source

# The beam meets the bone a little off the right angle: 2.5 degrees of turn that no reader sees, and
# a cone of 35 mm over 1 m. What lies off the bone's plane by d is seen shifted by d times this; derived.
OBLIQUITY_U = 0.056


# Degrees at which a pin crosses a cortex. Below the least, 0.35 mm across it is over 4 mm along the pin, far
# as pins back out; our choice. The usual one is common practice, no source.
LEAST_CROSSING, USUAL_CROSSING = 5.0, 10.0


@dataclass(frozen=True)
class Measurement:
    """One quantity on one film.

    Parameters
    ----------
    row
        What was measured.
    quantity
        The value with its uncertainty; None where it could not be had.
    reason
        Why there is no value.
    present
        Whether what the row looks for (a break) was found; None where that cannot be told, and for
        rows that look for nothing.
    proposed
        Landmarks it rests on that no reader has confirmed.
    origins
        Landmark to where it came from, for those it rests on.
    method
        "first order", "Monte Carlo" or "as observed".
    axis
        Name of the bone axis it rests on; None where it rests on none.
    scale
        The scale behind a length.
    """

    row: MeasurementRow
    quantity: Quantity | None = None
    reason: str | None = None
    present: bool | None = None
    proposed: tuple[str, ...] = ()
    origins: Mapping[str, str] = field(default_factory=dict)
    method: str = ""
    axis: str | None = None
    scale: Scale | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "origins", MappingProxyType(dict(self.origins)))

    @property
    def confirmed(self) -> bool:
        """Whether there is a value and a reader confirmed every landmark that it rests on."""
        return self.quantity is not None and not self.proposed

    @property
    def key(self) -> tuple[str, str]:
        """Quantity name and target, the same on every film of a site and view."""
        return self.row.name, self.row.target


def measure_film(
    reading: Reading,
    scale: Scale | None,
    aspect: tuple[float, float] = (1.0, 1.0),
    *,
    profile: Profile | None = None,
    wanted: Callable[[MeasurementRow], bool] = lambda row: True,
    linear: bool = False,
) -> tuple[Measurement, ...]:
    """Measure every quantity of the reading's site and view, in the table's order.

    Parameters
    ----------
    reading
        Landmarks in pixels.
    scale
        At the bone's plane; None leaves every length without a value.
    aspect
        (row, column) size of a pixel in any unit, for angles and ratios where there is no scale.
    profile
        Placement uncertainties; default the site's.
    wanted
        Which rows to measure, for a window that updates only what a landmark touches.
    linear
        As in `propagate`: quick, for a landmark that is still being moved.
    """
    site = load_site(reading.site)
    film = _Film(reading, site, site.views[reading.view], scale, aspect, profile or site.profile, linear)
    return tuple(film.measure(row) for row in film.view.measurements if wanted(row))


def measure_row(
    row: MeasurementRow, reading: Reading, scale: Scale | None, *, profile: Profile | None = None
) -> Measurement:
    """Measure one quantity that need not stand in the site's table."""
    site = load_site(reading.site)
    film = _Film(reading, site, site.views[reading.view], scale, (1.0, 1.0), profile or site.profile)
    return film.measure(row)


class _Film:
    """One film's landmarks in one isotropic unit, shared by all rows."""

    def __init__(
        self,
        reading: Reading,
        site: Site,
        view: View,
        scale: Scale | None,
        aspect: tuple[float, float],
        profile: Profile,
        linear: bool = False,
    ) -> None:
        self.reading, self.view, self.scale, self.profile = reading, view, scale, profile
        self.linear = linear
        size = np.array(scale.mm_per_px if scale else [side / aspect[0] for side in aspect])
        unit_per_mm = 1.0 if scale else 1.0 / USUAL_MM_PER_PX
        self.size = size
        self.basis = self._bone_axes(size)
        self.axis_doubt = self._axis_doubt(size)
        self.landmarks = {
            name: self._uncertain(name, landmark, size, unit_per_mm)
            for name, landmark in reading.landmarks.items()
            if landmark.located
        }

    def _uncertain(
        self, name: str, landmark: Landmark, size: NDArray[np.float64], unit_per_mm: float
    ) -> UncertainPoints:
        row, reading, profile = self.view.landmark[name], self.reading, self.profile
        longer = 1.0 / math.sin(math.radians(max(self.crossing(name), LEAST_CROSSING))) if row.grazed else 1.0
        placement = profile.placement(name) * row.spread * longer * unit_per_mm
        # Without the bone's axes nobody knows which way a habit points on another film: nothing cancels.
        shared_by = reading.reader if self.basis is not None else reading.film_id
        return UncertainPoints(
            landmark.array * size,
            landmark.u_px * float(size.mean()) if landmark.u_px else placement,
            profile.habit_mm * longer * unit_per_mm,
            row.depth_mm * OBLIQUITY_U * longer * unit_per_mm,
            f"point:{reading.film_id}:{name}",
            f"habit:{shared_by}:{reading.site}:{reading.view}:{name}",
            f"parallax:{reading.film_id}:{row.body}",
        )

    def crossing(self, name: str) -> float:
        """Angle in degrees at which a pin crosses a cortex along the bone axis; the usual where unknown."""
        pin = name.split("_")[0]
        ends = [self.reading.landmarks.get(f"{pin}_{end}") for end in ("straight", "tip")]
        if self.basis is None or not all(end and end.located for end in ends):
            return USUAL_CROSSING
        straight, tip = (end.array[0] * self.size for end in ends if end)
        along, across = self.basis @ (tip - straight)
        return math.degrees(math.atan2(abs(across), abs(along)))

    def _bone_axes(self, size: NDArray[np.float64]) -> NDArray[np.float64] | None:
        if not self.view.axis:
            return None
        sides = [self.reading.landmarks.get(self.view.axis[side]) for side in ("near", "far")]
        levels = [side.array * size for side in sides if side and len(side.points) > 1]
        if len(levels) < 2:
            return None
        axes = np.stack(axis_frame(*levels)[1:])
        return axes if np.isfinite(axes).all() else None

    def _axis_doubt(self, size: NDArray[np.float64]) -> str | None:
        """Whether a pin runs against the axis: then its levels were clicked in the wrong order."""
        for row in self.view.measurements:
            placed = [self.reading.landmarks.get(name) for name in row.landmarks]
            if (row.function, row.unit) != ("angle_to_axis", ANGLE) or not all(
                landmark and landmark.located for landmark in placed
            ):
                continue
            if abs(FUNCTIONS[row.function].function(*(p.array * size for p in placed if p))) > 90:
                near, far = (self.view.landmark[self.view.axis[side]].title for side in ("near", "far"))
                return (
                    f"{row.target} runs against the bone axis: "
                    f"place {near} and {far} anew, the proximal level first"
                )
        return None

    def measure(self, row: MeasurementRow) -> Measurement:
        if row.function not in FUNCTIONS or FUNCTIONS[row.function].unit != row.unit:
            raise SiteError(
                f"Measurement {row.name} names function {row.function!r} in {row.unit!r}; the functions are "
                f"{', '.join(f'{name} ({f.unit})' for name, f in FUNCTIONS.items())}."
            )
        used = [*row.landmarks, *(name for name in row.optional if name in self.landmarks)]
        blank = self._blank(row, used)
        if row.absent is not None and any(self._status(name) == ABSENT for name in row.landmarks):
            return dataclasses.replace(
                blank, quantity=Quantity(row.absent, row.unit), present=False, method="as observed"
            )
        reason = self._why_not(row)
        if reason:
            return dataclasses.replace(blank, reason=reason)
        return self._evaluate(row, used, blank)

    def _blank(self, row: MeasurementRow, used: Iterable[str]) -> Measurement:
        placed = {name: self.reading.landmarks[name] for name in used if name in self.reading.landmarks}
        located = bool(placed) and all(landmark.located for landmark in placed.values())
        return Measurement(
            row,
            present=True if row.absent is not None and located else None,
            proposed=tuple(name for name, landmark in placed.items() if landmark.status == PROPOSED),
            origins={name: landmark.origin for name, landmark in placed.items()},
            axis=self.reading.axis if self._on_axis(row) else None,
            scale=self.scale if row.unit == LENGTH else None,
        )

    def _status(self, name: str) -> str | None:
        landmark = self.reading.landmarks.get(name)
        return landmark.status if landmark else None

    def _why_not(self, row: MeasurementRow) -> str | None:
        # What may be left out may still not be passed over where the reader says it cannot be seen.
        hidden = [name for name in row.optional if self._status(name) == NOT_ASSESSABLE]
        lacking = [text for name in (*row.landmarks, *hidden) if (text := self._lack(name))]
        if lacking:
            return "; ".join(dict.fromkeys(lacking))
        if self.axis_doubt and self._on_axis(row):
            return self.axis_doubt
        grazed = [name for name in row.landmarks if self.view.landmark[name].grazed]
        if grazed and (angle := min(map(self.crossing, grazed))) < LEAST_CROSSING:
            return (
                f"the pin meets the cortex at {angle:.1f}°, under {LEAST_CROSSING:g}°: where cannot be told"
            )
        if row.unit == LENGTH and self.scale is None:
            return "no scale on this film, so no millimetres"
        return None

    def _on_axis(self, row: MeasurementRow) -> bool:
        return bool(self.view.axis) and {self.view.axis["near"], self.view.axis["far"]} <= set(row.landmarks)

    def _lack(self, name: str) -> str | None:
        title, landmark = self.view.landmark[name].title, self.reading.landmarks.get(name)
        if landmark is None:
            return f"not placed: {title}"
        if landmark.status == NOT_ASSESSABLE:
            return f"not assessable: {title} ({landmark.reason})"
        if landmark.status == ABSENT:
            return f"absent: {title}"
        return None

    def _evaluate(self, row: MeasurementRow, used: list[str], blank: Measurement) -> Measurement:
        function = FUNCTIONS[row.function].function
        quantity_id = f"{self.reading.film_id}:{row.name}:{row.target}"
        result = propagate(
            _by_name(function, row, used),
            used,
            self.landmarks,
            row.unit,
            basis=self.basis,
            quantity_id=quantity_id,
            linear=self.linear,
        )
        if result is None:
            return dataclasses.replace(
                blank, reason="the landmarks lie too close together, or too nearly on a line, to determine it"
            )
        quantity, method = result
        spread = self.profile.quantities.get(row.name)
        if spread and not any(self.reading.landmarks[name].u_px for name in used):
            quantity = as_measured(quantity, spread)
        if row.unit == LENGTH and self.scale:
            by_scale = {source: quantity.value * part for source, part in self.scale.parts.items() if part}
            quantity = Quantity(quantity.value, row.unit, {**quantity.parts, **by_scale})
        return dataclasses.replace(blank, quantity=quantity, method=method)


def as_measured(quantity: Quantity, spread: Spread) -> Quantity:
    """Put the measured spread of a quantity's readings in place of what its landmarks' errors give.

    What comes from placing and what comes from habit are each scaled to their measured size; each part keeps
    its sign and its share, so that a habit still cancels in a change. The rest (the turn of the film) stays.
    """
    parts = {source: part for source, part in quantity.parts.items() if not source.startswith("nonlinear:")}
    for start, wanted in (("point:", spread.placement), ("habit:", spread.habit)):
        mine = [source for source in parts if source.startswith(start)]
        size = math.hypot(*(parts[source] for source in mine))
        if size:
            parts |= {source: parts[source] * wanted / size for source in mine}
    return Quantity(quantity.value, quantity.unit, parts)


def _by_name(
    function: Callable[..., NDArray[np.float64]], row: MeasurementRow, used: list[str]
) -> Callable[..., NDArray[np.float64]]:
    """Let optional landmarks that are missing be None, in their own place."""
    if not row.optional:
        return function

    def call(*points: NDArray[np.float64]) -> NDArray[np.float64]:
        required = points[: len(row.landmarks)]
        given = dict(zip(used[len(row.landmarks) :], points[len(row.landmarks) :], strict=True))
        return function(*required, *(given.get(name) for name in row.optional))

    return call
