"""Scales: what the header and the reader's clicks give, what they never give, and how two agree."""

from __future__ import annotations

import math

import numpy as np
import pytest

from measure.errors import ScaleError
from measure.film import Spacing
from measure.quantity import difference
from measure.scale import (
    BONE_HEIGHT_U,
    METHODS,
    ROUNDING_U,
    SUPPORT_U,
    UNSTATED_CORRECTION_U,
    USUAL_MAGNIFICATION,
    USUAL_MAGNIFICATION_U,
    Scale,
    ScaleInput,
    compare_scales,
    doubts,
    from_input,
    from_spacing,
    input_problems,
    point_pairs,
    scales_for,
    why_no_scale,
)

SQUARE = (0.144, 0.144)


def kinds(spacing: Spacing) -> list[str]:
    return [scale.kind for scale in from_spacing(spacing, "film")]


def only(spacing: Spacing) -> Scale:
    (scale,) = from_spacing(spacing, "film")
    return scale


class TestPixelSpacing:
    """DICOM PS3.3 10.7.1.3: equal is not corrected, different is, neither type nor imager is unknowable."""

    def test_equal_is_not_calibrated(self) -> None:
        """Equal spacings leave the usual magnification with its large uncertainty."""
        scale = only(Spacing(imager=SQUARE, pixel=SQUARE))
        assert scale.kind == "detector spacing"
        assert scale.mm_per_px == pytest.approx((0.144 / 1.15, 0.144 / 1.15))
        assert scale.u == pytest.approx(0.2 / math.sqrt(12) / 1.15)
        assert "assumed" in scale.method

    def test_equal_but_for_rounding_is_not_calibrated(self) -> None:
        """A spacing rounded to three digits is no correction."""
        assert kinds(Spacing(imager=(0.143, 0.143), pixel=(0.14286, 0.14286))) == ["detector spacing"]

    def test_different_is_corrected(self) -> None:
        """A differing spacing is used as it stands, with the uncertainty of an unstated correction."""
        scale = only(Spacing(imager=SQUARE, pixel=(0.125, 0.125)))
        assert scale.kind == "pixel spacing"
        assert scale.mm_per_px == (0.125, 0.125)
        assert scale.u == UNSTATED_CORRECTION_U

    @pytest.mark.parametrize("kind", ["GEOMETRY", "FIDUCIAL"])
    @pytest.mark.parametrize("imager", [SQUARE, None])
    def test_typed_is_calibrated(self, kind: str, imager: tuple[float, float] | None) -> None:
        """A calibration type makes the spacing usable, with an imager spacing or without."""
        scale = only(Spacing(imager=imager, pixel=(0.125, 0.125), calibration_type=kind))
        assert scale.kind == f"pixel spacing by {kind.lower()}"
        assert scale.mm_per_px == (0.125, 0.125)

    def test_typed_yet_equal_is_not_calibrated(self) -> None:
        """A type that corrected nothing is not believed, and the reader is told."""
        spacing = Spacing(imager=SQUARE, pixel=SQUARE, calibration_type="GEOMETRY")
        assert kinds(spacing) == ["detector spacing"]
        assert any("equals the detector's" in words for words in doubts(spacing))

    def test_neither_is_no_scale(self) -> None:
        """Without type and imager spacing nobody can know."""
        spacing = Spacing(pixel=(0.125, 0.125))
        assert from_spacing(spacing, "film") == ()
        assert "nobody can know" in why_no_scale(spacing)
        assert "marker" in why_no_scale(spacing)

    def test_nothing_is_no_scale(self) -> None:
        """A film without any spacing says so, and what would help."""
        assert from_spacing(Spacing(), "film") == ()
        assert "no pixel spacing" in why_no_scale(Spacing())

    def test_magnification_without_spacing_is_no_scale(self) -> None:
        """A factor alone has nothing to divide."""
        assert from_spacing(Spacing(magnification=1.15), "film") == ()

    def test_scanned_sheet_is_no_scale(self) -> None:
        """The spacing of a scanned sheet says nothing of the bone; a differing pixel spacing does."""
        assert from_spacing(Spacing(nominal=SQUARE), "film") == ()
        assert "scanned" in why_no_scale(Spacing(nominal=SQUARE))
        assert from_spacing(Spacing(nominal=SQUARE, pixel=SQUARE), "film") == ()
        assert kinds(Spacing(nominal=SQUARE, pixel=(0.125, 0.125))) == ["pixel spacing"]


class TestContradictions:
    """Detector and pixel spacing that cannot both be right give no scale at all."""

    @pytest.mark.parametrize(
        ("imager", "pixel"),
        [
            ((0.144, 0.144), (0.288, 0.288)),  # resampled, and one of them left behind
            ((0.144, 0.144), (0.150, 0.150)),  # bone larger than its shadow
            ((0.144, 0.144), (0.144, 0.125)),  # magnified one way only
            ((0.144, 0.144), (0.0144, 0.0144)),
        ],
    )
    @pytest.mark.parametrize("extra", [{}, {"magnification": 1.1}, {"calibration_type": "FIDUCIAL"}])
    def test_no_scale_and_why(
        self, imager: tuple[float, float], pixel: tuple[float, float], extra: dict[str, object]
    ) -> None:
        """The reader hears both numbers and gets no millimetres."""
        spacing = Spacing(imager=imager, pixel=pixel, **extra)
        assert from_spacing(spacing, "film") == ()
        assert f"{pixel[0]:g} × {pixel[1]:g}" in doubts(spacing)[0]
        assert "contradict" in why_no_scale(spacing)

    def test_plausible_header_has_no_doubts(self) -> None:
        """A usual header is not commented on."""
        assert doubts(Spacing(imager=SQUARE, pixel=(0.125, 0.125), magnification=1.152)) == ()


class TestMagnification:
    """Estimated Radiographic Magnification Factor, and the ratio of the source's distances."""

    def test_factor_divides_imager_spacing(self) -> None:
        """Bone spacing is detector spacing over magnification; multiplying would be a quarter off."""
        scale = only(Spacing(imager=SQUARE, magnification=1.2))
        assert scale.mm_per_px == pytest.approx((0.12, 0.12))
        assert scale.mm_per_px != pytest.approx((0.144 * 1.2, 0.144 * 1.2))
        assert scale.u == pytest.approx(math.hypot(BONE_HEIGHT_U, ROUNDING_U))

    def test_distances_give_the_same(self) -> None:
        """Magnification is source-detector over source-patient distance."""
        scale = only(Spacing(imager=SQUARE, source_detector_mm=1200.0, source_patient_mm=1000.0))
        assert scale.mm_per_px == pytest.approx((0.12, 0.12))
        assert scale.u == pytest.approx(math.hypot(BONE_HEIGHT_U, ROUNDING_U, SUPPORT_U))

    @pytest.mark.parametrize("factor", [0.5, 1.0, 2.0, 115.0])
    def test_implausible_factor_is_never_used(self, factor: float) -> None:
        """A factor no limb film has (1 is a default, 115 a percentage) falls back to the usual one."""
        spacing = Spacing(imager=SQUARE, magnification=factor)
        assert kinds(spacing) == ["detector spacing"]
        assert f"{factor:g}" in doubts(spacing)[0]

    @pytest.mark.parametrize(("detector", "patient"), [(1000.0, 1000.0), (1000.0, 1200.0), (1800.0, 18.0)])
    def test_implausible_distances_are_never_used(self, detector: float, patient: float) -> None:
        """A patient behind the detector, on it, or at the source."""
        spacing = Spacing(imager=SQUARE, source_detector_mm=detector, source_patient_mm=patient)
        assert kinds(spacing) == ["detector spacing"]
        assert "source distances" in doubts(spacing)[0]

    def test_one_distance_alone_says_nothing(self) -> None:
        """Without both distances there is no ratio."""
        assert kinds(Spacing(imager=SQUARE, source_detector_mm=1100.0)) == ["detector spacing"]

    def test_usual_magnification_covers_limb_films(self) -> None:
        """The assumed factor's 95 % interval holds the range it was taken from (1.05 to 1.25)."""
        low, high = (USUAL_MAGNIFICATION * (1 + sign * 1.96 * USUAL_MAGNIFICATION_U) for sign in (-1, 1))
        assert low < 1.05
        assert high > 1.25


class TestClicked:
    """Two clicked points a known distance apart."""

    def test_square_pixels(self) -> None:
        """30 mm over 300 pixels is 0.1 mm a pixel."""
        scale = from_input(ScaleInput("marker", ((10, 10), (10, 310)), 30.0), "film", (1.0, 1.0))
        assert scale.mm_per_px == pytest.approx((0.1, 0.1))

    @pytest.mark.parametrize("end", [(110.0, 10.0), (10.0, 210.0), (70.0, 130.0)])
    def test_non_square_pixels(self, end: tuple[float, float]) -> None:
        """Rows twice as far apart as columns: any direction gives the same scale."""
        millimetres = math.hypot((end[0] - 10) * 0.2, (end[1] - 10) * 0.1)
        given = ScaleInput("typed distance", ((10, 10), end), millimetres)
        assert from_input(given, "film", (2.0, 1.0)).mm_per_px == pytest.approx((0.2, 0.1))

    @pytest.mark.parametrize("aspect", [(2.0, 1.0), (0.2, 0.1), (14.0, 7.0)])
    def test_unit_of_aspect_does_not_matter(self, aspect: tuple[float, float]) -> None:
        """Only the ratio of the pixel's sides counts, in the uncertainty too."""
        given = ScaleInput("marker", ((10, 10), (70, 130)), 20.0)
        scale, usual = from_input(given, "film", aspect), from_input(given, "film", (2.0, 1.0))
        assert scale.mm_per_px == pytest.approx(usual.mm_per_px)
        assert scale.u == pytest.approx(usual.u)

    def test_pin_width_is_honestly_poor(self) -> None:
        """1.6 mm over 12 pixels, clicked to 1.5 pixels, is a scale to 18 %."""
        given = ScaleInput("pin width", ((10, 10), (10, 22)), 1.6, tolerance_mm=0.05)
        scale = from_input(given, "film", (1.0, 1.0))
        assert scale.u == pytest.approx(math.hypot(math.sqrt(2) * 1.5 / 12, 0.05 / 1.6, 0.003))

    def test_every_problem_at_once(self) -> None:
        """All that is wrong is said in one message."""
        given = ScaleInput("ruler", ((5, 5), (5, 5.5)), -3.0, click_px=math.nan)
        with pytest.raises(
            ScaleError, match=r"(?s)kind 'ruler'.*-3\.0 mm.*clicks must be.*less than a pixel.*anew"
        ):
            from_input(given, "film", (1.0, 1.0))

    @pytest.mark.parametrize("points", [(), ((1, 1),), ((1, 1), (2, 2), (3, 3)), ((1, 1), (math.nan, 9))])
    def test_other_than_two_points(self, points: tuple[tuple[float, float], ...]) -> None:
        """One point, three points and no number are refused in words."""
        assert list(input_problems(ScaleInput("marker", points, 30.0)))

    def test_points_from_an_array(self) -> None:
        """An array of any number type becomes plain floats, which JSON can hold."""
        assert point_pairs(np.array([[1, 2], [3, 4]], dtype=np.float32)) == ((1.0, 2.0), (3.0, 4.0))
        assert all(type(number) is float for pair in point_pairs(np.ones((3, 2), int)) for number in pair)

    @pytest.mark.parametrize("points", [[(1, "2")], [(True, 1)], [(1, 2, 3)], [1, 2], [(1, None)]])
    def test_points_that_are_none(self, points: object) -> None:
        """Text, truth values and triples are no points."""
        with pytest.raises((TypeError, ValueError)):
            point_pairs(points)

    def test_number_too_large_for_a_float(self) -> None:
        """A whole number of 400 digits is no coordinate."""
        with pytest.raises(ValueError, match="too large"):
            point_pairs([(1, 10**400)])

    @pytest.mark.parametrize("kind", METHODS)
    def test_every_method_in_words(self, kind: str) -> None:
        """The size clicked stands in what the report says."""
        given = ScaleInput(kind, ((10, 10), (10, 110)), 12.5)
        assert "12.5 mm" in from_input(given, "film", (1.0, 1.0)).method


class TestAgreement:
    """Several scales of one film, compared; shared errors cancel."""

    def test_factor_and_distances_share_the_bone_height(self) -> None:
        """Their difference is surer than either, since the console's idea of the bone is the same."""
        spacing = Spacing(
            imager=SQUARE, magnification=1.15, source_detector_mm=1150.0, source_patient_mm=1000.0
        )
        factor, distances = from_spacing(spacing, "film")
        (agreement,) = compare_scales((factor, distances))
        assert agreement.agrees
        assert agreement.u == pytest.approx(math.hypot(ROUNDING_U, ROUNDING_U, SUPPORT_U))
        assert agreement.u < math.hypot(factor.u, distances.u)

    def test_rounding_is_no_disagreement(self) -> None:
        """A factor rounded to two digits agrees with the spacing that was corrected by it."""
        spacing = Spacing(
            imager=SQUARE, magnification=1.15, pixel=(0.125, 0.125), calibration_type="GEOMETRY"
        )
        (agreement,) = compare_scales(from_spacing(spacing, "film"))
        assert agreement.difference != 0
        assert agreement.agrees

    def test_five_per_cent_within_one_header_disagrees(self) -> None:
        """Two entries of one set-up that differ by 5 % are told, by name and by how much."""
        spacing = Spacing(
            imager=SQUARE, magnification=1.15, pixel=(0.132, 0.132), calibration_type="GEOMETRY"
        )
        (agreement,) = compare_scales(from_spacing(spacing, "film"))
        assert not agreement.agrees
        assert "DISAGREE" in agreement.text()
        assert "magnification factor 1.150" in agreement.text()
        assert "-5.1 %" in agreement.text()

    def test_two_markers_err_each_for_itself(self) -> None:
        """Two markers of one kind on one film do not share their clicks or their heights."""
        first = from_input(ScaleInput("marker", ((10, 10), (10, 110)), 25.0), "film", (1.0, 1.0))
        second = from_input(ScaleInput("marker", ((300, 10), (300, 110)), 25.0), "film", (1.0, 1.0))
        (agreement,) = compare_scales((first, second))
        assert agreement.u == pytest.approx(math.hypot(first.u, second.u))

    def test_stated_size_is_shared_between_films(self) -> None:
        """A pin thinner than its nominal size is so on every film: its share cancels in a change."""
        given = ScaleInput("pin width", ((10, 10), (10, 22)), 1.6, tolerance_mm=0.05)
        one, other = (from_input(given, name, (1.0, 1.0)) for name in ("film", "later"))
        shared = set(one.parts) & set(other.parts)
        assert shared == {"scale-size:pin width:1.6"}

    def test_header_scales_of_two_films_share_nothing(self) -> None:
        """Each film has a set-up of its own."""
        spacing = Spacing(imager=SQUARE, magnification=1.15)
        one, other = (from_spacing(spacing, name)[0] for name in ("film", "later"))
        assert not set(one.parts) & set(other.parts)

    def test_nothing_to_compare(self) -> None:
        """No scale, or one, agrees with nothing."""
        assert compare_scales(()) == ()
        assert compare_scales(from_spacing(Spacing(imager=SQUARE), "film")) == ()

    def test_surest_first(self, make_film) -> None:
        """Scales of a film come in the order of their uncertainty."""
        film = make_film()
        given = ScaleInput("marker", ((10, 10), (10, 310)), 75.0)
        scales = scales_for(film, "film", (given,))
        assert [scale.u for scale in scales] == sorted(scale.u for scale in scales)
        assert [scale.kind for scale in scales] == ["marker", "magnification factor"]


def test_scale_must_be_positive() -> None:
    """A scale of zero, less, or no number is refused with what to check."""
    for size in (0.0, -0.1, math.nan, math.inf):
        with pytest.raises(ScaleError, match="Check the film's spacing"):
            Scale((0.1, size), "by hand", "typed:film")


def test_text_says_both_sides_of_a_pixel_where_they_differ() -> None:
    """Non-square pixels are not shown as square."""
    assert "0.2000 × 0.1000 mm/px" in Scale((0.2, 0.1), "by hand", "x").text()
    assert Scale((0.1, 0.1), "by hand", "x", {"x": 0.01}).text() == "0.1000 mm/px ± 2.0 % (by hand)"


def test_non_square_film_measures_as_a_square_one(make_film, make_reading, spacing_of) -> None:
    """The same elbow on pixels of 0.25 x 0.25 and of 0.5 x 0.25 mm: the same millimetres and degrees."""
    from measure.series import measure

    square = make_film(1)
    oblong = make_film(2, spacing=spacing_of(imager=(0.5 * 1.15, 0.25 * 1.15)))
    first = measure(square, make_reading(square))
    second = measure(oblong, make_reading(oblong, mm_per_px=(0.5, 0.25)))
    for one, other in zip(first.measurements, second.measurements, strict=True):
        assert one.quantity is not None
        assert other.quantity is not None
        assert difference(one.quantity, other.quantity).value == pytest.approx(0.0, abs=1e-6)
