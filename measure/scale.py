"""Millimetres per pixel at the bone's plane: where they come from, and how sure that is.

A scale is never guessed in silence. Each way to one is a row of `METHODS` or a function here; a film
for which none works has no scale, and then no millimetres are given.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

from measure.errors import ScaleError
from measure.film import Film, Spacing

# Limb films run from about 1.05 to 1.25 (definitions); taken as rectangular, JCGM 100:2008, 4.3.7.
USUAL_MAGNIFICATION = (1.05 + 1.25) / 2
USUAL_MAGNIFICATION_U = (1.25 - 1.05) / math.sqrt(12) / USUAL_MAGNIFICATION

PER_MM_OFF_PLANE = 0.001  # 1 cm off the bone's plane is about 1 % (Klever 2022)
MARKER_HEIGHT_U_MM = 10.0  # how far off the bone's plane a marker is usually held; common practice, no source
BONE_HEIGHT_U_MM = 20.0  # how well a console knows the bone's height; common practice, no source
UNSTATED_CORRECTION_U = 0.03  # a correction that does not say what it is; common practice, no source
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
    def u(self) -> float:
        """Relative standard uncertainty."""
        return math.sqrt(math.fsum(part * part for part in self.parts.values()))

    def text(self) -> str:
        """Millimetres per pixel with the 95 % half-interval in per cent, and the method."""
        return f"{self.mm_per_px[0]:.4f} mm/px ± {196 * self.u:.1f} % ({self.method})"


@dataclass(frozen=True)
class ScaleInput:
    """What a reader gave for a scale: two clicked points and the true distance between them.

    Parameters
    ----------
    kind
        A row of METHODS: "marker", "pin width" or "typed distance".
    points
        Two (row, column) points in pixels.
    mm
        The true distance between them.
    tolerance_mm
        Standard uncertainty of that distance (a size engraved on a marker, a pin's nominal diameter).
    click_px
        Standard uncertainty of each click, pixels.
    """

    kind: str
    points: tuple[tuple[float, float], tuple[float, float]]
    mm: float
    tolerance_mm: float = 0.0
    click_px: float = CLICK_U_PX


@dataclass(frozen=True)
class Method:
    """How one kind of clicked scale is named, and how far off the bone's plane its object may be."""

    kind: str
    words: str
    height_u_mm: float


METHODS = (
    Method("marker", "marker of {mm:g} mm", MARKER_HEIGHT_U_MM),
    Method("pin width", "pin of {mm:g} mm, clicked across its width", 3.0),
    Method("typed distance", "distance of {mm:g} mm typed by the reader", 5.0),
)


def from_input(given: ScaleInput, film_id: str, aspect: tuple[float, float]) -> Scale:
    """Scale from two clicked points a known distance apart.

    `aspect` is the (row, column) size of a pixel in any unit. The clicks and the object's height are
    this film's own errors; the error of the stated size is shared by all films of the patient.

    Raises ScaleError for an unknown kind, points that coincide, or a size that is not positive.
    """
    methods = {method.kind: method for method in METHODS}
    problems = []
    if given.kind not in methods:
        problems.append(f"kind {given.kind!r} is not one of {', '.join(methods)}")
    if not (math.isfinite(given.mm) and given.mm > 0):
        problems.append(f"size {given.mm} mm is not positive")
    if not all(math.isfinite(u) and u >= 0 for u in (given.tolerance_mm, given.click_px)):
        problems.append("tolerance and click uncertainty must be zero or more")
    rows, columns = (b - a for a, b in zip(*given.points, strict=True))
    length = math.hypot(rows * aspect[0], columns * aspect[1])
    if not (math.isfinite(length) and length > 0):
        problems.append("the two clicked points coincide")
    if problems:
        raise ScaleError(f"No scale from this: {'; '.join(problems)}. Click and type it anew.")
    method = methods[given.kind]
    across = math.hypot(rows * aspect[0] ** 2, columns * aspect[1] ** 2) / length**2  # d(ln length) per pixel
    size = f"{given.kind}:{given.mm:g}"
    return Scale(
        mm_per_px=(aspect[0] * given.mm / length, aspect[1] * given.mm / length),
        method=method.words.format(mm=given.mm),
        source_id=f"{given.kind}:{film_id}",
        parts={
            f"scale-click:{given.kind}:{film_id}": math.sqrt(2) * given.click_px * across,
            f"scale-size:{size}": given.tolerance_mm / given.mm,
            f"scale-height:{given.kind}:{film_id}": method.height_u_mm * PER_MM_OFF_PLANE,
        },
    )


def from_spacing(spacing: Spacing, film_id: str) -> tuple[Scale, ...]:
    """Every scale that the DICOM geometry supports, best first (DICOM PS3.3, 10.7 and C.8.7 / C.8.11).

    * Imager Pixel Spacing divided by Estimated Radiographic Magnification Factor;
    * Imager Pixel Spacing times source-patient over source-detector distance;
    * Pixel Spacing with its calibration type, or differing from Imager Pixel Spacing;
    * Imager Pixel Spacing alone, with the usual magnification as its uncertainty.

    Pixel Spacing with neither a type nor an imager spacing means nothing that can be known: no scale.
    """
    scales = [*_from_magnification(spacing, film_id), *_from_pixel_spacing(spacing, film_id)]
    if spacing.imager and not scales:
        scales.append(
            _dicom_scale(
                spacing.imager, USUAL_MAGNIFICATION, USUAL_MAGNIFICATION_U, "detector spacing", film_id,
                f"detector spacing, usual magnification {USUAL_MAGNIFICATION:.2f} assumed",
            )
        )  # fmt: skip
    return tuple(scales)


def _from_magnification(spacing: Spacing, film_id: str) -> list[Scale]:
    if not spacing.imager:
        return []
    height_u = BONE_HEIGHT_U_MM * PER_MM_OFF_PLANE
    scales = []
    if spacing.magnification:
        words = f"DICOM magnification factor {spacing.magnification:.3f}"
        scales.append(
            _dicom_scale(spacing.imager, spacing.magnification, height_u, "magnification factor", film_id, words)
        )
    if spacing.source_detector_mm and spacing.source_patient_mm:
        factor = spacing.source_detector_mm / spacing.source_patient_mm
        words = f"DICOM source distances, magnification {factor:.3f}"
        scales.append(_dicom_scale(spacing.imager, factor, height_u, "source distances", film_id, words))
    return scales


def _from_pixel_spacing(spacing: Spacing, film_id: str) -> list[Scale]:
    if not spacing.pixel:
        return []
    if spacing.calibration_type:
        kind = spacing.calibration_type.lower()
        words, u = f"DICOM pixel spacing, calibrated ({kind})", BONE_HEIGHT_U_MM * PER_MM_OFF_PLANE
    elif spacing.imager and not _same(spacing.pixel, spacing.imager):
        words, u = "DICOM pixel spacing, corrected in an unstated way", UNSTATED_CORRECTION_U
    else:
        return []
    return [_dicom_scale(spacing.pixel, 1.0, u, "pixel spacing", film_id, words)]


def _same(a: tuple[float, float], b: tuple[float, float]) -> bool:
    return all(math.isclose(x, y, rel_tol=1e-4) for x, y in zip(a, b, strict=True))


def _dicom_scale(
    pitch: tuple[float, float], magnification: float, u: float, kind: str, film_id: str, words: str
) -> Scale:
    if not 1.0 <= magnification < 3.0:
        words += " (implausible: below 1 or above 3)"
        u = max(u, 0.3)
    size = (pitch[0] / magnification, pitch[1] / magnification)
    # Factor and distances describe one set-up: where both are there, they err together.
    shared = "scale-height:" if kind in ("magnification factor", "source distances") else f"scale:{kind}:"
    return Scale(size, words, f"{kind}:{film_id}", {f"{shared}{film_id}": u})


def why_no_scale(spacing: Spacing) -> str:
    """Say why a film's header gives no scale, and what would."""
    remedy = "click a marker or a pin of known width, or type a known distance"
    if spacing.pixel and not spacing.imager and not spacing.calibration_type:
        return f"the pixel spacing does not say whether it is calibrated, so nobody can know; {remedy}"
    return f"the film states no pixel spacing; {remedy}"


def scales_for(film: Film, film_id: str, inputs: Sequence[ScaleInput] = ()) -> tuple[Scale, ...]:
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
        return abs(self.difference) <= 1.96 * self.u

    def text(self) -> str:
        """Say which two, by how much, and whether that is more than their uncertainty."""
        verdict = "agree" if self.agrees else "DISAGREE beyond their uncertainty"
        return (
            f"{self.first.method} and {self.second.method} {verdict}: "
            f"{100 * self.difference:+.1f} % (± {196 * self.u:.1f} %)"
        )


def compare_scales(scales: Sequence[Scale]) -> tuple[Agreement, ...]:
    """Compare the first scale with each other one; errors they share cancel."""
    return tuple(_agreement(scales[0], other) for other in scales[1:])


def _agreement(first: Scale, second: Scale) -> Agreement:
    shared = {*first.parts, *second.parts}
    u = math.sqrt(math.fsum((first.parts.get(s, 0.0) - second.parts.get(s, 0.0)) ** 2 for s in shared))
    ratio = first.mm_per_px[0] / second.mm_per_px[0]
    return Agreement(first, second, ratio - 1.0, u)
