"""The drawing on a film as a DICOM presentation state: landmarks and lines that a viewer lays over the film.

The film itself is not changed, and its grey levels are shown as its own header says. One layer for each
part of bone or metal, in the colours of the clinic report.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import numpy as np
from highdicom import PresentationLUTTransformation, pr
from highdicom.color import CIELabColor
from pydicom.dataset import Dataset

from measure import __version__
from measure.figure import PART_STYLES, Line, Mark, Place, Window, Words, drawing
from measure.files import write_dicom
from measure.series import MeasuredFilm
from measure.structured_report import date_by, made_of, source_film

_LAYERS = {style[0]: part.upper() for part, style in PART_STYLES.items()}  # what has no part is the axis


def write_presentation_state(measured: MeasuredFilm, path: Path) -> Path:
    """Write the drawing on one measured film to a DICOM file.

    Raises HoldfastError where the film is no DICOM film or the file cannot be written.
    """
    return write_dicom(presentation_state(measured), path, "The drawing")


def presentation_state(measured: MeasuredFilm) -> Dataset:
    """Return the drawing as a data set; the same reading gives the same one, UIDs and all."""
    film, reading = source_film(measured), measured.reading
    shape = "INVERSE" if film.PhotometricInterpretation == "MONOCHROME1" else "IDENTITY"
    annotations, layers = _annotations(measured, film)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of identifiers in the film that break the rules: they are copied
        state = pr.GrayscaleSoftcopyPresentationState(
            referenced_images=[film],
            **made_of(film, reading, series="drawings", instance="drawing", series_number=991),
            manufacturer_model_name="holdfast", software_versions=__version__,
            device_serial_number="none", content_label="LANDMARKS", content_creator_name=None,
            graphic_annotations=annotations, graphic_layers=layers,
            presentation_lut_transformation=PresentationLUTTransformation(shape),
        )  # fmt: skip
    state.Laterality = (measured.laterality or "")[:1].upper()
    date_by(reading, state, "PresentationCreation")
    return state


def _annotations(
    measured: MeasuredFilm, film: Dataset
) -> tuple[list[pr.GraphicAnnotation], list[pr.GraphicLayer]]:
    """One annotation and its layer for each colour that the drawing uses."""
    rows, columns = measured.reading.rows, measured.reading.columns
    # One point of the drawing a pixel, counted from the corner of the first pixel (PS3.3, C.10.5.1.2).
    window = Window(((rows - 1) / 2, (columns - 1) / 2), (1.0, 1.0), (columns, rows))
    by_colour: dict[str, list[Line | Mark | Words]] = {}
    for part in drawing(measured, window):
        by_colour.setdefault(part.colour, []).append(part)
    annotations, layers = [], []
    for order, (colour, parts) in enumerate(by_colour.items(), start=1):
        layer = pr.GraphicLayer(_LAYERS.get(colour, "AXIS"), order, display_color=_colour(colour))
        layers.append(layer)
        annotations.append(
            pr.GraphicAnnotation(
                referenced_images=[film], graphic_layer=layer, referenced_frame_number=measured.frame,
                graphic_objects=list(_objects(parts, (columns, rows))),
                text_objects=list(_texts(parts)) or None,
            )
        )  # fmt: skip
    return annotations, layers


def _colour(colour: str) -> CIELabColor:
    return CIELabColor.from_rgb(*bytes.fromhex(colour[1:]))


def _objects(parts: Iterable[Line | Mark | Words], size: Place) -> Iterator[pr.GraphicObject]:
    for part in parts:
        if isinstance(part, Mark):
            yield pr.GraphicObject("POINT", np.array([part.place]), "PIXEL")
        elif isinstance(part, Line) and (places := _on_film(part.places, size)):
            yield pr.GraphicObject("POLYLINE", np.array(places), "PIXEL")


def _texts(parts: Iterable[Line | Mark | Words]) -> Iterator[pr.TextObject]:
    for part in parts:
        if isinstance(part, Words):
            yield pr.TextObject(part.text, "PIXEL", anchor_point=part.place, anchor_point_visible=False)


def _on_film(places: Sequence[Place], size: Place) -> list[Place]:
    """Cut a line of two places to what lies on the film; a longer one is landmarks, which lie on it."""
    if len(places) != 2:
        return list(places)
    start, run = np.array(places[0]), np.subtract(places[1], places[0])
    low, high = 0.0, 1.0
    for origin, length, most in zip(start, run, size, strict=True):
        if length:
            near, far = sorted((-origin / length, (most - origin) / length))
            low, high = max(low, near), min(high, far)
    if low >= high:
        return []
    return [tuple(start + share * run) for share in (low, high)]
