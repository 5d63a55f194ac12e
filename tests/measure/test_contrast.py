"""Fracture-line contrast against profiles worked out by hand, profile_line, and a phantom whose gap fills."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from skimage.measure import profile_line

from measure import contrast, phantom, phantom_film
from measure.contrast import Contrast, fracture_contrast
from measure.errors import ThresholdError
from measure.film import Film
from measure.film_grey import GreyScale
from measure.flags import find_flags
from measure.phantom import Case, Displacement, Exposure, Pose
from measure.reading import Landmark, Reading, for_film
from measure.scale import Scale
from measure.series import group, measure
from measure.sites import load_site, with_thresholds

PX = 0.1  # mm
SCALE = Scale((PX, PX), "typed", "typed")
BONE, TISSUE, GAP, METAL = 2000, 1200, 1500, 3900
TOP, BOTTOM = 60, 240  # rows of the bone's edges
MIDDLE, GAP_MM = 200.0, 2.0  # column of the line, and how wide it is placed


def marks(**others: list[tuple[float, float]]) -> dict[str, Landmark]:
    """Landmarks of a line that runs down the film, of a shaft beside it, and of one pin."""
    half = GAP_MM / 2 / PX
    points = {
        "dorsal_edge_proximal": [(TOP, MIDDLE - half)],
        "dorsal_edge_distal": [(TOP, MIDDLE + half)],
        "articular_edge_proximal": [(BOTTOM, MIDDLE - half)],
        "articular_edge_distal": [(BOTTOM, MIDDLE + half)],
        "shaft_dorsal": [(100.0, 400.0), (100.0, 550.0)],
        "shaft_volar": [(200.0, 400.0), (200.0, 550.0)],
        "pin1_straight": [(150.0, 20.0)],
        "pin1_tip": [(150.0, 380.0)],
    }
    return {name: Landmark("confirmed", tuple(at)) for name, at in (points | others).items()}


def drawn_film(*, pin: bool = True) -> np.ndarray:
    """Grey levels (rows, columns): tissue, bone with a dark line, a shaft, and a pin across the line."""
    image = np.full((300, 600), TISSUE, dtype=np.float64)
    image[TOP - 20 : BOTTOM + 20, :350] = BONE
    image[100:200, 350:] = BONE
    reach = round((GAP_MM / 2 + contrast.RIM) / PX)  # as wide as the band that is looked at
    image[:, -20:], image[0, 0] = 0, 4095  # the open beam, and something denser than all
    image[:, int(MIDDLE) - reach - 2 : int(MIDDLE) + reach + 3] = GAP
    if pin:
        image[142:159, 10:390] = METAL
    return image


def film_of(image: np.ndarray, **fields: object) -> Film:
    return Film(pixels=np.round(image).astype(np.uint16), view="lateral", bits=12, **fields)


def reading_of(film: Film, **others: list[tuple[float, float]]) -> Reading:
    return for_film(film, load_site("olecranon"), "lateral", "reader-a", landmarks=marks(**others))


def measured(image: np.ndarray, **fields: object) -> Contrast:
    film = film_of(image, **fields)
    return fracture_contrast(film, reading_of(film), SCALE)


HAND = (BONE - GAP) / (BONE - TISSUE)  # the step over the line by that of the shaft


class TestProfiles:
    """Against figures worked out otherwise."""

    def test_a_profile_worked_out_by_hand(self) -> None:
        """Source: by hand. Bone 2000, line 1500, shaft 2000 over tissue 1200: 500 / 800."""
        found = measured(drawn_film())
        assert found.quantity.value == pytest.approx(HAND, abs=0.005)
        assert 0.7 < found.clear < 0.9  # the pin and its rim hide some 3 of 15 mm

    def test_with_metal_left_in_the_check_fails(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(contrast, "METAL", np.inf)
        assert abs(measured(drawn_film()).quantity.value - HAND) > 0.02

    def test_profile_line_gives_the_same(self) -> None:
        """Source: skimage.measure.profile_line, its mean over the line's length, on a rough slope."""
        rng = np.random.default_rng(3)
        rough = np.repeat(np.repeat(rng.normal(0, 40, (75, 150)), 4, axis=0), 4, axis=1)
        image = drawn_film(pin=False) + rough + np.linspace(0, 150, 600)
        clear = np.ones(image.shape, dtype=bool)
        rows = marks()
        ends = [rows[name].array * PX for pair in contrast.LINES["olecranon", "lateral"] for name in pair]
        bands = contrast.line_bands(*ends)
        pixels = contrast._pixels(bands, np.array([PX, PX]))
        before, band, beyond = contrast._Sampled(image, clear, np.zeros(2, int)).means(pixels)[0].mean(axis=1)

        long = round((BOTTOM - TOP) - 2 * contrast.TRIM / PX)
        across = profile_line(
            image, (150, MIDDLE - 60), (150, MIDDLE + 60), linewidth=long, order=1, mode="nearest"
        )
        place = np.abs(np.arange(-60, 61) * PX)
        half = GAP_MM / 2 + contrast.RIM
        sides = (place >= half + contrast.GUARD) & (place <= half + contrast.GUARD + contrast.BONE)
        expected = across[sides].mean() - across[place <= half].mean()
        assert (before + beyond) / 2 - band == pytest.approx(expected, rel=0.02)
        assert (before + beyond) / 2 - band != pytest.approx(expected + 15, rel=0.02)  # the check can fail

    @pytest.mark.parametrize(
        "display", [lambda g: 100 + 0.7 * g, lambda g: 4095 - g, lambda g: 3000 - 0.4 * g]
    )
    def test_exposure_gain_and_polarity_drop_out(self, display: Callable[[np.ndarray], np.ndarray]) -> None:
        """An exposure adds to the logarithm and a display's gain multiplies it: neither matters."""
        assert measured(display(drawn_film())).quantity.value == pytest.approx(HAND, abs=0.01)

    def test_a_curved_display_does_not(self) -> None:
        """What cannot drop out, and is said not to."""
        bent = 4095 / (1 + np.exp(-(drawn_film() - 1500) / 300))
        assert abs(measured(bent).quantity.value - HAND) > 0.02

    def test_values_that_grow_with_the_beam(self) -> None:
        """Where the file says LIN, the logarithm is taken first."""
        image = drawn_film()
        beam = 60_000 * np.exp(-image / 1000)
        assert measured(beam, grey=GreyScale(linear=True)).quantity.value == pytest.approx(HAND, abs=0.01)
        assert measured(beam).quantity.value != pytest.approx(HAND, abs=0.01)


class TestNone:
    """Where it cannot be told there is no number, and why."""

    def test_metal_over_the_line(self) -> None:
        image = drawn_film()
        image[70:220, 150:250] = METAL
        assert measured(image).reason.startswith("metal hides the line")

    def test_no_pin_to_tell_metal_by(self) -> None:
        film = film_of(drawn_film())
        reading = reading_of(film)
        others = {name: mark for name, mark in reading.landmarks.items() if not name.startswith("pin")}
        assert "no pin is placed" in fracture_contrast(film, replace(reading, landmarks=others), SCALE).reason

    def test_a_margin_only_proposed(self) -> None:
        film = film_of(drawn_film())
        reading = reading_of(film)
        loose = replace(reading.landmarks["dorsal_edge_distal"], status="proposed")
        reading = replace(reading, landmarks={**reading.landmarks, "dorsal_edge_distal": loose})
        assert "confirmed: dorsal_edge_distal" in fracture_contrast(film, reading, SCALE).reason

    def test_no_scale_no_shaft_and_a_clipped_film(self) -> None:
        film = film_of(drawn_film())
        assert fracture_contrast(film, reading_of(film), None).reason == "no scale"
        flat = np.where((drawn_film() == BONE) & (np.arange(600) > 350), TISSUE, drawn_film())
        assert "shaft does not stand out" in measured(flat).reason
        assert "clipped" in measured(np.clip(drawn_film(), GAP + 10, None)).reason

    def test_a_site_without_a_shaft(self) -> None:
        film = film_of(drawn_film())
        reading = for_film(film, load_site("patella"), "lateral", "reader-a")
        assert "not defined for this site" in fracture_contrast(film, reading, SCALE).reason


@functools.cache
def filled(share: float, curve: str = "log", gap: float = 2.0) -> tuple[phantom_film.Rendered, Case]:
    """Film of one limb, free of noise, whose fracture gap is filled to a share."""
    pose = Pose(pitch=(0.3, 0.3), shape=(450, 550), offset=(0.0, 20.0))
    exposure = Exposure(collimation=None, letter=False, curve=curve)
    case = Case(
        pose=pose, exposure=exposure, displacement=Displacement(gap=gap, opening=2.0 * gap), filled=share
    )
    return phantom_film.render(case), case


def phantom_contrast(
    share: float, curve: str = "log", noise: int | None = None, gap: float = 2.0
) -> Contrast:
    """Contrast by the phantom's own landmarks, or by landmarks placed with a reader's noise."""
    rendered, case = filled(share, curve, gap)
    size = np.array(case.pose.bone_scale)
    rng = np.random.default_rng(noise)
    film = film_of(rendered.pixels)
    view = load_site("olecranon").views["lateral"]
    placed = {
        name: Landmark(
            "confirmed",
            tuple(map(tuple, at.film + (noise is not None) * rng.normal(0, 0.35, at.film.shape) / size)),
        )
        for name, at in phantom.landmarks(case).items()
        if name in view.landmark and "margin" not in name
    }
    reading = for_film(film, load_site("olecranon"), "lateral", "reader-a", landmarks=placed)
    return fracture_contrast(film, reading, Scale(tuple(size), "typed", "typed"))


class TestFilling:
    """On phantom films whose gap is filled by known amounts."""

    def test_it_falls_in_proportion_to_what_fills_the_gap(self) -> None:
        """Source: the share put into the phantom. Within 0.06 of the straight line, of 0.98 at the start."""
        empty = phantom_contrast(0.0).quantity.value
        assert empty > 0.4
        for share in (0.25, 0.5, 0.75, 1.0):
            left = phantom_contrast(share).quantity.value
            assert left == pytest.approx((1 - share) * empty, abs=0.04 * empty + 0.02)
        assert phantom_contrast(0.5).quantity.value != pytest.approx(empty, abs=0.1)  # the check can fail

    def test_an_s_curve_doubles_it(self) -> None:
        """What README warns of: it compares films of one display curve alone."""
        straight, bent = (phantom_contrast(0.0, curve).quantity.value for curve in ("log", "sigmoid"))
        assert 1.8 < bent / straight < 2.4

    def test_an_empty_line_that_narrows_lowers_it_too(self) -> None:
        """What README warns of: without the gap beside it, closing and filling look alike."""
        wide, narrow = (phantom_contrast(0.0, gap=gap).quantity.value for gap in (2.0, 0.3))
        assert narrow < 0.75 * wide

    def test_its_interval_holds_the_value_however_the_landmarks_are_placed(self) -> None:
        """40 placings by the stated noise: some 95 % of intervals hold the value without noise."""
        truth = phantom_contrast(0.0).quantity.value
        found = [phantom_contrast(0.0, noise=seed).quantity for seed in range(40)]
        pulls = np.array([(each.value - truth) / each.u for each in found if each])
        assert len(pulls) >= 30  # metal hides too much of the line at some placings
        assert np.mean(np.abs(pulls) < 1.96) >= 0.85
        assert np.mean(np.abs(pulls + 3) < 1.96) < 0.6  # the check sees values that are wrong


class TestNeverAFlag:
    """It is for research."""

    def test_no_threshold_can_name_it(self, tmp_path: Path) -> None:
        path = tmp_path / "mine.toml"
        path.write_text(
            'format = "holdfast-thresholds"\n[[threshold]]\nsite = "olecranon"\nview = "lateral"\n'
            'quantity = "fracture_line_contrast"\nbasis = "value"\nside = "above"\nlimit = 0.5\n'
            'level = "clear"\n'
        )
        with pytest.raises(ThresholdError, match="unknown quantity 'fracture_line_contrast'"):
            with_thresholds(load_site("olecranon"), path)

    def test_flags_are_the_same_with_and_without_it(
        self, make_film: Callable[..., Film], make_reading: Callable[..., Reading]
    ) -> None:
        film = measure(made := make_film(), make_reading(made))
        plain, with_it = (
            find_flags(group([replace(film, contrast=found)])[0][0]) for found in (None, Contrast(clear=0.5))
        )
        assert [(f.key, f.outcome) for f in plain] == [(f.key, f.outcome) for f in with_it]
        assert not any("contrast" in flag.key[0] for flag in plain)
