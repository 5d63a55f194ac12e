"""Films, landmarks and lines as layer data and back, and the plane that films are laid over each other in."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest
from skimage.transform import SimilarityTransform
from viewer_films import SPACING, Truth, make_film

from measure.definitions import FUNCTIONS
from measure.film import Spacing
from measure.measurements import measure_film
from measure.reading import Landmark
from measure.scale import scales_for
from measure.sites import load_site, site_names
from viewer import layers
from viewer.drafts import to_reading
from viewer.drawings import DRAWINGS as SCHEMATICS
from viewer.lines import DRAWINGS, SPAN, lines_for
from viewer.session import Session

PlaceAll = Callable[[Session, Truth], int]


def test_every_function_has_a_drawing() -> None:
    """A measurement of any site can be drawn."""
    assert set(DRAWINGS) == set(FUNCTIONS)


def test_every_view_has_a_schematic() -> None:
    """No site is read by its prompts alone."""
    views = {(name, view) for name in site_names() for view in load_site(name).views}
    assert set(SCHEMATICS) == views


@pytest.mark.parametrize("key", list(SCHEMATICS))
def test_schematics_show_every_landmark(key: tuple[str, str]) -> None:
    """Each landmark of the view has its place in the drawing, within its frame, and nothing else has."""
    drawing = SCHEMATICS[key]
    site, view = key
    assert set(drawing.places) == set(load_site(site).views[view].landmark)
    assert drawing.up
    for spots in drawing.places.values():
        assert np.all((np.array(spots) >= 0) & (np.array(spots) <= drawing.size))


def test_landmarks_survive_the_way_to_a_layer_and_back(
    session: Session, truth: Truth, place_all: PlaceAll
) -> None:
    """Each point of the layer, taken back by its mark, is the landmark's to the last digit."""
    place_all(session, truth)
    found = layers.marks(session.draft, session.view, "hole")
    data = layers.points_layer(found)["data"]
    assert len(data) == sum(len(landmark.points) for landmark in session.draft.landmarks.values())
    for mark, point in zip(found, data.tolist(), strict=True):
        assert session.draft.landmarks[mark.name].points[mark.number] == tuple(point)


def test_states_differ_in_shape_words_and_colour() -> None:
    """No two states on the film share a symbol, a sign, words or a colour."""
    drawn = [layers.LOOKS[state] for state in ("confirmed", "proposed", "not assessable")]
    for part in ("symbol", "sign", "words", "colour"):
        assert len({getattr(look, part) for look in drawn}) == 3


@pytest.mark.parametrize("blindness", ["protan", "deutan", "tritan"])
def test_colours_stay_apart_for_the_colour_blind(blindness: str) -> None:
    """Confirmed and proposed stay 20 CIELAB units apart (Machado et al. 2009, full dichromacy)."""
    from skimage.color import rgb2lab

    # Machado, Oliveira & Fernandes, IEEE Trans Vis Comput Graph 2009;15:1291, severity 1.0, on linear RGB.
    matrices = {
        "protan": [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ],
        "deutan": [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ],
        "tritan": [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ],
    }

    def seen(colour: str) -> np.ndarray:
        rgb = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
        linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
        mixed = np.clip(np.array(matrices[blindness]) @ linear, 0, 1)
        back = np.where(mixed <= 0.0031308, 12.92 * mixed, 1.055 * mixed ** (1 / 2.4) - 0.055)
        return np.asarray(rgb2lab(back[None, None])[0, 0])

    confirmed, proposed = (seen(layers.LOOKS[state].colour) for state in ("confirmed", "proposed"))
    assert np.linalg.norm(confirmed - proposed) > 20
    assert np.linalg.norm(seen("#62c8ff") - seen("#5fc6fd")) < 20  # the check can tell: these are alike


@pytest.mark.parametrize("aspect", [(1.0, 1.0), (1.3, 1.0)])
def test_the_span_drawn_is_as_long_as_the_value(
    session: Session, truth: Truth, place_all: PlaceAll, aspect: tuple[float, float]
) -> None:
    """What is drawn for a distance is that distance, also where pixels are not square."""
    place_all(session, {name: points / [aspect[0], 1.0] for name, points in truth.items()})
    reading = to_reading(session.draft, session.film, session.site)
    spacing = dataclasses.replace(SPACING, imager=(0.15 * aspect[0], 0.15))
    scale = scales_for(dataclasses.replace(session.film, spacing=spacing), "x")[0]
    size = np.array(scale.mm_per_px)
    checked = 0
    for measurement in measure_film(reading, scale):
        row = measurement.row
        if row.function in ("distance", "along_axis", "along_pin", "along_axis_to_line", "arc_step"):
            spans = [line for kind, line in lines_for(row, reading.landmarks, aspect) if kind == SPAN]
            drawn = np.linalg.norm((spans[-1][1] - spans[-1][0]) * size)
            assert measurement.quantity
            assert drawn == pytest.approx(abs(measurement.quantity.value), abs=1e-6), row.name
            checked += 1
    assert checked >= 10


def test_similarity_against_scikit_image() -> None:
    """Turn, scale and shift as scikit-image's estimate has them, on noisy points."""
    rng = np.random.default_rng(3)
    source = rng.uniform(0, 1000, (7, 2))
    turned = SimilarityTransform(scale=1.08, rotation=0.3, translation=(40, -25))
    target = turned(source) + rng.normal(0, 2, source.shape)
    ours = layers.similarity(source, target)
    theirs = SimilarityTransform.from_estimate(source, target)
    assert np.allclose(ours, theirs.params, atol=1e-8)
    assert not np.allclose(ours, turned.params, atol=1e-8)


def test_a_later_film_is_laid_on_the_bone_of_the_first(
    session: Session, truth: Truth, place_all: PlaceAll
) -> None:
    """A film that lies turned, shifted and larger is laid so that the reference bone's landmarks coincide."""
    place_all(session, truth)
    session.show(1)
    lies = SimilarityTransform(scale=0.8, rotation=0.1, translation=(80, 60))
    place_all(session, {name: lies(points) for name, points in truth.items()})
    index, later = session.measured(0), session.measured(1)
    affine = layers.film_affine(index, session.films[0], later, session.films[1])
    hole = later.reading.landmarks["hole"].array
    assert np.allclose(layers.apply(affine, hole), index.reading.landmarks["hole"].array, atol=1e-6)


@pytest.mark.parametrize("without", [0, 1])
def test_a_film_without_a_scale_is_laid_as_high_as_the_other(without: int) -> None:
    """A pixel of unknown size is not taken for a millimetre: the film would be shown many times too large."""
    films = [make_film(n, **({"spacing": Spacing()} if n == without else {})) for n in range(2)]
    session = Session(films)
    session.show(1)
    affine = layers.film_affine(session.measured(0), films[0], session.measured(1), films[1])
    corners = np.array([[0.0, 0.0], np.array(films[1].pixels.shape) - 1.0])
    assert np.allclose(layers.apply(affine, corners), corners)


def test_marks_keep_the_order_they_were_drawn_in(session: Session, truth: Truth, place_all: PlaceAll) -> None:
    """Whatever is in hand, and whatever was placed since, which comes last."""
    place_all(session, truth)
    drawn = layers.marks(session.draft, session.view, "hole")
    now = layers.in_order(layers.marks(session.draft, session.view, "pin1_tip"), drawn[1:])
    assert [(mark.name, mark.number) for mark in now] == [
        (mark.name, mark.number) for mark in (*drawn[1:], drawn[0])
    ]
    assert {mark.name for mark in now if mark.in_hand} == {"pin1_tip"}


def test_labels_go_first_to_what_waits() -> None:
    """What is in hand is always labelled; of marks on one spot, a confirmed one gives way to a proposal."""
    sure, doubtful = layers.LOOKS["confirmed"], layers.LOOKS["proposed"]
    looks = [sure] * 30 + [doubtful, sure]
    found = [layers.Mark(str(n), 0, (0.0, 0.0), look, str(n), n == 31) for n, look in enumerate(looks)]
    shown = layers.label_offsets(found, np.zeros((32, 2)))
    assert shown[31] is not None
    assert shown[30] is not None
    assert shown[29] is None


def test_mean_grey_is_what_the_limits_show() -> None:
    """Greys between the limits, averaged; what is off the film is black."""
    shades = np.array([[0.2, 0.6], [0.4, 0.9]], dtype=np.float32)
    points = np.array([[0.0, 1.0], [1.0, 0.0], [0.0, 0.0], [5.0, 5.0]])
    assert layers.mean_grey(shades, (0.2, 0.6), points) == pytest.approx((1.0 + 0.5 + 0.0 + 0.0) / 4)


def test_starting_window_leaves_padding_and_extremes_out() -> None:
    """A film that is black at a third of its surface still starts with the bone's greys."""
    shades = np.linspace(0.4, 0.8, 90_000, dtype=np.float32).reshape(300, 300)
    padding = np.zeros(shades.shape, dtype=bool)
    padding[:100], shades[:100] = True, 0.0
    low, high = layers.starting_window(shades, padding)
    assert low > 0.5
    assert high <= 0.81


def test_film_layer_names_nobody() -> None:
    """The image layer's name has date, view and side, and no patient."""
    _, attributes, kind = layers.film_layer(make_film(0, patient_key="INV-77"))
    assert kind == "image"
    assert attributes["name"] == "2026-01-05 lateral right"
    assert attributes["scale"] == pytest.approx((0.15 / 1.1, 0.15 / 1.1))
    assert "INV-77" not in str(attributes)


def test_not_assessable_has_no_mark(session: Session) -> None:
    """Nothing is drawn where the reader said that nothing can be seen."""
    session.skip("metal hides it")
    session.propose(0, {"hole": Landmark("proposed", ((5.0, 5.0),))})
    assert [mark.label for mark in layers.marks(session.draft, session.view)] == ["20?"]


def test_all_sites_can_be_read() -> None:
    """Every site and view gives a guided list, with or without a schematic."""
    for name in site_names():
        for view in load_site(name).views:
            session = Session([make_film(0, view=view)], name)
            assert session.active
            assert layers.marks(session.draft, session.view) == []
