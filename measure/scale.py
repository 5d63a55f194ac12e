"""Millimetres per pixel at the bone's plane: where they come from, and how sure that is.

A scale is never guessed in silence. Each way to one is a row of `METHODS` (clicked by a reader) or of
`HEADER_WAYS` (said by the file); a film for which none works has no scale, and then no millimetres are
given.
"""

from __future__ import annotations

import itertools
import math
import numbers
import reprlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

from measure.errors import ScaleError
from measure.film import Film, Spacing
from measure.quantity import COVERAGE_95

# Limb films run from about 1.05 to 1.25 (definitions); taken as rectangular, JCGM 100:2008, 4.3.7.
USUAL_MAGNIFICATION = (1.05 + 1.25) / 2
USUAL_MAGNIFICATION_U = (1.25 - 1.05) / math.sqrt(12) / USUAL_MAGNIFICATION
# Both ends excluded: no bone lies on the detector, so a factor of exactly 1 is a default that nobody
# filled in. No limb film is taken at 2 or more. Common practice, no source.
PLAUSIBLE_MAGNIFICATION = (1.0, 2.0)

# Relative standard uncertainties; a height of 1 cm off the bone's plane is about 1 % (Klever 2022).
PER_MM_OFF_PLANE = 0.001
BONE_HEIGHT_U = (
    20.0 * PER_MM_OFF_PLANE
)  # how well a console knows the bone's height; common practice, no source
FIDUCIAL_U = (
    20.0 * PER_MM_OFF_PLANE
)  # the console's fiducial off the bone's plane; common practice, no source
# Distance Source to Patient runs to the table or support, not to the bone (PS3.3 C.8.11.5.1, from memory).
SUPPORT_U = 30.0 * PER_MM_OFF_PLANE
ROUNDING_U = 0.003  # headers carry two or three digits of a factor or a spacing; common practice, no source
UNSTATED_CORRECTION_U = 0.03  # a correction that does not say what it is; common practice, no source
LONGEST_MM = 1000.0  # of a distance on a film
CLICK_U_PX = 1.5  # one click on an edge, each way; common practice, no source


@dataclass(frozen=True)
class Scale:
    """Size of a pixel at the bone's plane.

    Parameters
    ----------
    mm_per_px
        (row, column), millimetres at the bone's plane.
    method
        What it rests on, in words fit for a report.
    parts
        Source id to signed relative standard uncertainty. Two films share a source id only where
        they share that error.
    source_id
        Names this scale in tables and exports.
    """

    mm_per_px: tuple[float, float]
    method: str
    source_id: str
    parts: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not all(math.isfinite(size) and size > 0 for size in self.mm_per_px):
            raise ScaleError(
                f"A scale needs two positive numbers of millimetres per pixel; received {self.mm_per_px}. "
                "Check the film's spacing or the distance typed."
            )
        object.__setattr__(self, "parts", MappingProxyType(dict(self.parts)))

    @property
    def kind(self) -> str:
        """Kind of source: a row of METHODS or HEADER_WAYS."""
        return self.source_id.partition(":")[0]

    @property
    def u(self) -> float:
        """Relative standard uncertainty."""
        return math.sqrt(math.fsum(part * part for part in self.parts.values()))

    def text(self) -> str:
        """Millimetres per pixel (row × column where they differ), 95 % half-interval in per cent, method."""
        row, column = (f"{size:.4f}" for size in self.mm_per_px)
        size = row if row == column else f"{row} × {column}"
        return f"{size} mm/px ± {100 * COVERAGE_95 * self.u:.1f} % ({self.method})"


def point_pairs(points: Any) -> tuple[tuple[float, float], ...]:
    """Return points of any kind, an array (n, 2) too, as (row, column) pairs of plain floats.

    Raises TypeError or ValueError where they are no pairs of numbers.
    """
    pairs = tuple((row, column) for row, column in points)
    for number in itertools.chain.from_iterable(pairs):
        if isinstance(number, bool) or not isinstance(number, numbers.Real):
            raise TypeError(f"a point needs two numbers; received {reprlib.repr(number)}")
    try:
        return tuple((float(row), float(column)) for row, column in pairs)
    except OverflowError:
        raise ValueError("a point has a number too large for any film") from None


@dataclass(frozen=True)
class ScaleInput:
    """What a scale was given by: two points, clicked or found, and the true distance between them.

    Parameters
    ----------
    kind
        A row of METHODS.
    points
        Two (row, column) points in pixels.
    mm
        The true distance between them.
    tolerance_mm
        Standard uncertainty of that distance (a size engraved on a marker, a pin's nominal diameter).
    click_px
        Standard uncertainty of each point, along the line between them, pixels.
    """

    kind: str
    points: tuple[tuple[float, float], ...]
    mm: float
    tolerance_mm: float = 0.0
    click_px: float = CLICK_U_PX

    def __post_init__(self) -> None:
        object.__setattr__(self, "points", point_pairs(self.points))


@dataclass(frozen=True)
class Method:
    """How one kind of clicked scale is named, and how far off the bone's plane its object may be."""

    kind: str
    words: str
    height_u_mm: float


METHODS = {
    method.kind: method
    for method in (
        Method("marker", "marker of {mm:g} mm", 10.0),  # common practice, no source
        Method("pin width", "pin of {mm:g} mm, clicked across its width", 3.0),
        Method("wire width", "wire of {mm:g} mm, clicked across its width", 8.0),
        Method("typed distance", "distance of {mm:g} mm typed by the reader", 5.0),
        Method("ball outline", "ball of {mm:g} mm, its outline found on the film", 10.0),
        Method("pin profile", "pin of {mm:g} mm, its profile found on the film", 3.0),
        Method("wire profile", "wire of {mm:g} mm, its profile found on the film", 8.0),
    )
}
# What the program finds by itself in place of clicks, once its true size is stated.
FOUND = {"marker": "ball outline", "pin width": "pin profile", "wire width": "wire profile"}
SIZE_TOLERANCE_MM = 0.02  # of a stated diameter of steel; common practice, no source


def check_size(mm: float) -> None:
    """Raise ScaleError for a true size that is not positive, or longer than any film."""
    if not 0 < mm <= LONGEST_MM:
        raise ScaleError(f"The true size must be positive; received {mm} mm. Type it anew.")


def found_input(
    kind: str, middle: Sequence[float], along: Sequence[float], length: float, u: float, mm: float
) -> ScaleInput:
    """Return what was found: a length (pixels) of true size mm about a middle, along a unit vector.

    u is the length's relative standard uncertainty. Raises ScaleError for a size that is not positive.
    """
    check_size(mm)
    (row, column), (down, right), half = middle, along, length / 2.0
    ends = ((row - half * down, column - half * right), (row + half * down, column + half * right))
    return ScaleInput(kind, ends, mm, SIZE_TOLERANCE_MM, u * length / math.sqrt(2))


def input_problems(given: ScaleInput) -> Iterator[str]:
    """Name everything that keeps a reader's input from giving a scale."""
    if given.kind not in METHODS:
        yield f"kind {given.kind!r} is not one of {', '.join(METHODS)}"
    if not 0 < given.mm <= LONGEST_MM:
        yield f"size {given.mm} mm is not positive, or longer than any film ({LONGEST_MM:g} mm)"
    if not all(0 <= u <= LONGEST_MM for u in (given.tolerance_mm, given.click_px)):
        yield f"the uncertainties of size and clicks must be from zero to {LONGEST_MM:g}"
    if len(given.points) != 2:
        yield f"{len(given.points)} points, expected 2"
    elif not all(map(math.isfinite, (*given.points[0], *given.points[1]))):
        yield "a point is not a number"
    elif math.dist(*given.points) < 1.0:
        yield "the two points lie less than a pixel apart"


def from_input(given: ScaleInput, film_id: str, aspect: tuple[float, float]) -> Scale:
    """Scale from two clicked points a known distance apart.

    `aspect` is the (row, column) size of a pixel in any unit. The clicks and the object's height are
    this film's own errors; the error of the stated size is shared by all films of the patient.

    Raises ScaleError, with all reasons, where `input_problems` finds any.
    """
    if problems := list(input_problems(given)):
        raise ScaleError(f"No scale from this: {'; '.join(problems)}. Click and type it anew.")
    method = METHODS[given.kind]
    (row, column), (other_row, other_column) = given.points
    rows, columns = other_row - row, other_column - column
    length = math.hypot(rows * aspect[0], columns * aspect[1])
    # d(ln length) per pixel that one end moves
    per_click = math.hypot(rows * aspect[0] ** 2, columns * aspect[1] ** 2) / length**2
    one = f"{given.kind}@{row:.1f},{column:.1f}:{film_id}"  # two markers on one film err each for itself
    return Scale(
        mm_per_px=(aspect[0] * given.mm / length, aspect[1] * given.mm / length),
        method=method.words.format(mm=given.mm),
        source_id=f"{given.kind}:{film_id}",
        parts={
            f"scale-click:{one}": math.sqrt(2) * given.click_px * per_click,
            f"scale-size:{given.kind}:{given.mm:g}": given.tolerance_mm / given.mm,
            f"scale-height:{one}": method.height_u_mm * PER_MM_OFF_PLANE,
        },
    )


@dataclass(frozen=True)
class HeaderWay:
    """How a scale from the header is named, and its relative standard uncertainties by source.

    Those of `own` belong to this entry alone. `set_up` is the height at which the console takes the
    bone to lie: one error, however many entries of one header rest on it.
    """

    words: str
    own: Mapping[str, float]
    set_up: float = 0.0


HEADER_WAYS = {
    "magnification factor": HeaderWay(
        "DICOM magnification factor {:.3f}", {"rounding": ROUNDING_U}, BONE_HEIGHT_U
    ),
    "source distances": HeaderWay(
        "DICOM source distances, magnification {:.3f}",
        {"rounding": ROUNDING_U, "support": SUPPORT_U},
        BONE_HEIGHT_U,
    ),
    "pixel spacing by geometry": HeaderWay(
        "DICOM pixel spacing, corrected by geometry", {"rounding": ROUNDING_U}, BONE_HEIGHT_U
    ),
    "pixel spacing by fiducial": HeaderWay(
        "DICOM pixel spacing, calibrated on a fiducial", {"fiducial": FIDUCIAL_U}
    ),
    "pixel spacing": HeaderWay(
        "DICOM pixel spacing, corrected in an unstated way", {"unstated": UNSTATED_CORRECTION_U}
    ),
    "detector spacing": HeaderWay(
        "detector spacing, usual magnification {:.2f} assumed", {"usual": USUAL_MAGNIFICATION_U}
    ),
}


def from_spacing(spacing: Spacing, film_id: str) -> tuple[Scale, ...]:
    """Every scale that the DICOM geometry supports (DICOM PS3.3, 10.7, C.8.7 and C.8.11).

    * Imager Pixel Spacing divided by Estimated Radiographic Magnification Factor;
    * Imager Pixel Spacing times source-patient over source-detector distance;
    * Pixel Spacing with its calibration type, or differing from Imager Pixel Spacing;
    * where none of these is there, Imager Pixel Spacing with the usual magnification.

    Pixel Spacing with neither a type nor an imager spacing means nothing that can be known: no scale.
    Nor has a film one whose spacings contradict each other. What was left out, `doubts` tells.
    """
    if _contradiction(spacing):
        return ()
    scales = [*_by_magnification(spacing, film_id), *_by_pixel_spacing(spacing, film_id)]
    if spacing.imager and not scales:
        scales = [_header_scale("detector spacing", spacing.imager, USUAL_MAGNIFICATION, film_id)]
    return tuple(scales)


def _by_magnification(spacing: Spacing, film_id: str) -> Iterator[Scale]:
    for kind, magnification in _magnifications(spacing).items():
        if spacing.imager and _plausible(magnification):
            yield _header_scale(kind, spacing.imager, magnification, film_id)


def _magnifications(spacing: Spacing) -> dict[str, float]:
    """Magnifications that the header states, by kind."""
    found = {}
    if spacing.magnification:
        found["magnification factor"] = spacing.magnification
    if spacing.source_detector_mm and spacing.source_patient_mm:
        found["source distances"] = spacing.source_detector_mm / spacing.source_patient_mm
    return found


def _by_pixel_spacing(spacing: Spacing, film_id: str) -> Iterator[Scale]:
    """Pixel Spacing where it is known to be corrected (PS3.3 10.7.1.3)."""
    detector = spacing.imager or spacing.nominal
    if not spacing.pixel or (detector and _same(spacing.pixel, detector)):
        return
    if spacing.calibration_type:
        kind = f"pixel spacing by {spacing.calibration_type.lower()}"
        yield _header_scale(kind, spacing.pixel, 1.0, film_id)
    elif detector:
        yield _header_scale("pixel spacing", spacing.pixel, 1.0, film_id)


def _header_scale(kind: str, pitch: tuple[float, float], magnification: float, film_id: str) -> Scale:
    way = HEADER_WAYS[kind]
    parts = {f"scale-{part}:{kind}:{film_id}": u for part, u in way.own.items()}
    if way.set_up:
        parts[f"scale-height:set-up:{film_id}"] = way.set_up
    size = (pitch[0] / magnification, pitch[1] / magnification)
    return Scale(size, way.words.format(magnification), f"{kind}:{film_id}", parts)


def _same(a: tuple[float, float], b: tuple[float, float]) -> bool:
    """Whether two spacings are equal but for the rounding of the header; a correction is far larger."""
    return all(math.isclose(x, y, rel_tol=0.005) for x, y in zip(a, b, strict=True))


def _plausible(magnification: float) -> bool:
    return PLAUSIBLE_MAGNIFICATION[0] < magnification < PLAUSIBLE_MAGNIFICATION[1]


def _contradiction(spacing: Spacing) -> str | None:
    """Why detector and pixel spacing cannot both be right, or None."""
    detector, pixel = spacing.imager or spacing.nominal, spacing.pixel
    if not detector or not pixel or _same(detector, pixel):
        return None
    by_row, by_column = detector[0] / pixel[0], detector[1] / pixel[1]
    if _plausible(by_row) and math.isclose(by_row, by_column, rel_tol=0.01):
        return None
    return (
        f"detector spacing {_pair(detector)} and pixel spacing {_pair(pixel)} mm contradict each other "
        f"(magnification {by_row:.2f} by rows, {by_column:.2f} by columns), so neither is used"
    )


def _pair(size: tuple[float, float]) -> str:
    return f"{size[0]:g} × {size[1]:g}"


def doubts(spacing: Spacing) -> tuple[str, ...]:
    """Say what of the header's geometry was not used, and why; fit for a reader."""
    found = [problem] if (problem := _contradiction(spacing)) else []
    found += [
        f"the header's {kind} gives a magnification of {value:g}, which no limb film has; not used"
        for kind, value in _magnifications(spacing).items()
        if not _plausible(value)
    ]
    detector = spacing.imager or spacing.nominal
    if spacing.calibration_type and detector and spacing.pixel and _same(spacing.pixel, detector):
        found.append(
            "the pixel spacing is called calibrated, yet equals the detector's; taken as not calibrated"
        )
    return tuple(found)


def why_no_scale(spacing: Spacing) -> str:
    """Say why a film's header gives no scale, and what would."""
    remedy = "click a marker or a pin of known width, or type a known distance"
    if _contradiction(spacing):
        return f"detector and pixel spacing contradict each other; {remedy}"
    if spacing.nominal:
        return f"the film was scanned, and its spacing is that of the sheet, not of the bone; {remedy}"
    if spacing.pixel:
        return f"the pixel spacing does not say whether it is calibrated, so nobody can know; {remedy}"
    return f"the film states no pixel spacing; {remedy}"


def scales_for(film: Film, film_id: str, inputs: Iterable[ScaleInput] = ()) -> tuple[Scale, ...]:
    """Every scale this film has, the surest first.

    `film_id` is the id its errors are filed under; inputs are the reader's clicked scales.
    """
    clicked = [from_input(given, film_id, film.aspect) for given in inputs]
    return tuple(sorted([*clicked, *from_spacing(film.spacing, film_id)], key=lambda scale: scale.u))


@dataclass(frozen=True)
class Agreement:
    """How two scales of one film agree: relative difference (first over second, less one) and its u."""

    first: Scale
    second: Scale
    difference: float
    u: float

    @property
    def agrees(self) -> bool:
        """Whether the difference lies within its 95 % interval."""
        return abs(self.difference) <= COVERAGE_95 * self.u

    def text(self) -> str:
        """Say which two, by how much, and whether that is more than their uncertainty."""
        verdict = "agree" if self.agrees else "DISAGREE beyond their uncertainty"
        return (
            f"scales {verdict}: {self.first.method} gives {100 * self.difference:+.1f} % "
            f"(± {100 * COVERAGE_95 * self.u:.1f} %) against {self.second.method}"
        )


def compare_scales(scales: Sequence[Scale]) -> tuple[Agreement, ...]:
    """Compare the first scale with each other one; errors they share cancel. None where there is but one."""
    return tuple(_agreement(scales[0], other) for other in scales[1:])


def widened(scale: Scale, agreements: Sequence[Agreement]) -> Scale:
    """Return a scale less sure by its worst disagreement beyond uncertainty with another of the film.

    Either may be wrong: the difference is taken as the half-width of a rectangular distribution
    (JCGM 100:2008, 4.3.7).
    """
    worst = max((abs(a.difference) for a in agreements if not a.agrees), default=0.0)
    if not worst:
        return scale
    part = {f"scale-disagreement:{scale.source_id}": worst / math.sqrt(3)}
    return replace(scale, parts={**scale.parts, **part})


def _agreement(first: Scale, second: Scale) -> Agreement:
    sources = {*first.parts, *second.parts}
    u = math.sqrt(math.fsum((first.parts.get(s, 0.0) - second.parts.get(s, 0.0)) ** 2 for s in sources))
    ratio = first.mm_per_px[0] / second.mm_per_px[0]
    return Agreement(first, second, ratio - 1.0, u)
