"""Landmarks that the program proposes for a film, for a reader to confirm.

What is not sure is left out: a landmark without a proposal stays for the reader to place.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from measure import __version__
from measure.features import ROWS, Features, Place, find_features
from measure.film import Film
from measure.lines import Array
from measure.marker import ball_input
from measure.pin_width import pin_input
from measure.reading import PROPOSED, Landmark, Reading, for_film
from measure.scale import FOUND, ScaleInput
from measure.sites import Site
from measure.wire import not_judged
from measure.wire_width import wire_input

READER = "holdfast"
ONE_PIN = "one pin only was found, and is called pin 1; which of two it is, is not known"
COVERED = "one pin lies behind the other: which tip and which bend is whose is not told"


@dataclass(frozen=True)
class Proposals:
    """What is proposed for a film: landmarks by name, scales, and why a scale that was asked for is not."""

    landmarks: Mapping[str, Landmark] = field(default_factory=dict)
    scale_inputs: tuple[ScaleInput, ...] = ()
    notes: tuple[str, ...] = ()


def propose(film: Film, site: Site, view: str, sizes: Mapping[str, float] | None = None) -> Proposals:
    """Propose landmarks of a site's view, and scales.

    Landmarks: those of `measure.features` that have a name, and stand in the view's table.

    sizes: the true diameter in mm of "marker", "pin width" and "wire width", where stated; each is then
    looked for as a scale. Raises ScaleError for one that is not positive. Pins are numbered from the side
    with more tissue (`measure.pins`). With one pin found of two, it is called pin 1. Nothing is proposed
    where the film holds no metal that is told for sure.
    """
    found = find_features(film, view, [row.name for row in ROWS if row.proposed])
    inputs, notes = _scales(found, sizes or {})
    asked = site.views[view].landmark
    landmarks = {
        place.name: _proposed(place)
        for place in found.places()
        if place.name and place.name in asked and _on_film(place.points, film.pixels.shape)
    }
    if found.pins and "wire_break" in asked:
        notes += not_judged(found.wire, found.film.scaled)
    if len(found.pins) == 1 and "pin2_tip" in asked:
        notes = (*notes, ONE_PIN)
    if any(pin.covered for pin in found.pins):
        notes = (*notes, COVERED)
    return Proposals(landmarks, inputs, notes)


def propose_scale(film: Film, view: str, kind: str, size_mm: float) -> tuple[ScaleInput | None, str]:
    """Look for a scale of a kind ("marker", "pin width", "wire width") and true diameter; else why none.

    view: what the film shows, as it says itself or a reader does; empty where nobody does.

    Raises ScaleError for a size that is not positive.
    """
    return _scale(find_features(film, view, _NEEDED[kind]), kind, size_mm)


def proposed_reading(
    film: Film, site: Site, sizes: Mapping[str, float] | None = None
) -> tuple[Reading, tuple[str, ...]] | None:
    """Make a reading of nothing but proposals, and what is said of them.

    None where there are no landmarks, the view is not the site's, or nothing is proposed at this site. Raises
    as `propose`.
    """
    if not site.proposes or film.view is None or film.view not in site.views:
        return None
    found = propose(film, site, film.view, sizes)
    if not found.landmarks:
        return None
    uid = str(uuid.uuid5(uuid.NAMESPACE_OID, f"holdfast {__version__} proposes for {film.digest}"))
    made = for_film(
        film, site, film.view, READER, landmarks=found.landmarks, scale_inputs=found.scale_inputs, uid=uid
    )
    return made, found.notes


# What a scale is found by, beside the film.
_NEEDED = {"marker": (), "pin width": ("pins",), "wire width": ("wire",)}


def _scale(found: Features, kind: str, size_mm: float) -> tuple[ScaleInput | None, str]:
    if kind == "wire width":
        return wire_input(found.film, found.pins, found.wire, found.view, size_mm)
    return ball_input(found.film, size_mm) if kind == "marker" else pin_input(found.film, found.pins, size_mm)


def _scales(found: Features, sizes: Mapping[str, float]) -> tuple[tuple[ScaleInput, ...], tuple[str, ...]]:
    looked = {kind: _scale(found, kind, size) for kind, size in sizes.items()}
    notes = tuple(f"no scale from {FOUND[kind]}: {why}" for kind, (_, why) in looked.items() if why)
    return tuple(given for given, _ in looked.values() if given is not None), notes


def _proposed(place: Place) -> Landmark:
    pairs = tuple((float(row), float(column)) for row, column in place.points)
    return Landmark(PROPOSED, pairs, origin="detected", u_px=float(place.u_px))


def _on_film(points: Array, shape: tuple[int, ...]) -> bool:
    return bool(np.all(points >= 0) and np.all(points <= np.array(shape) - 1))
