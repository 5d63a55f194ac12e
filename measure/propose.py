"""Landmarks that the program proposes for a film, for a reader to confirm.

What is not sure is left out: a landmark without a proposal stays for the reader to place.
"""

from __future__ import annotations

import uuid

import numpy as np

from measure import __version__
from measure.bone import shaft_cortices
from measure.film import Film
from measure.lines import Array
from measure.pins import Pin, find_pins
from measure.prepare import Prepared, prepare
from measure.reading import PROPOSED, Landmark, Reading, for_film
from measure.sites import Site, View
from measure.snap import EDGE_U_MM

READER = "holdfast"
STRAIGHT_U_MM = 0.1  # across; along the pin it matters to nothing
LEAST_U_MM = 0.25  # of a tip: its spread on phantom films, tails included (tests/validation_metal.py)


def propose(film: Film, site: Site, view: str) -> dict[str, Landmark]:
    """Propose landmarks of a site's view, by name: pins' tips and straight ends, and the shaft's cortices.

    Pins are numbered from the side with more tissue (`measure.pins`). With one pin found of two, it is called
    pin 1. Empty where the film holds no metal that is told for sure.
    """
    prepared = prepare(film)
    pins = find_pins(prepared)
    if not pins:
        return {}
    row = site.views[view]
    found: dict[str, Landmark] = {}
    for number, pin in enumerate(pins, start=1):
        found |= _of_pin(f"pin{number}", pin, prepared)
    found |= _of_shaft(prepared, pins, row)
    return {
        name: mark
        for name, mark in found.items()
        if name in row.landmark and _on_film(mark.array, film.pixels.shape)
    }


def proposed_reading(film: Film, site: Site) -> Reading | None:
    """Make a reading of nothing but proposals; None where there are none or the view is not the site's."""
    if film.view is None or film.view not in site.views:
        return None
    found = propose(film, site, film.view)
    uid = str(uuid.uuid5(uuid.NAMESPACE_OID, f"holdfast {__version__} proposes for {film.digest}"))
    return for_film(film, site, film.view, READER, landmarks=found, uid=uid) if found else None


def _of_pin(name: str, pin: Pin, film: Prepared) -> dict[str, Landmark]:
    mm = film.mm_per_px
    found = {f"{name}_straight": _proposed(pin.straight, max(pin.u_across, STRAIGHT_U_MM / mm))}
    if pin.tip_clear:
        found[f"{name}_tip"] = _proposed(pin.tip, max(pin.u_across, pin.u_along, LEAST_U_MM / mm))
    return found


def _of_shaft(film: Prepared, pins: tuple[Pin, ...], view: View) -> dict[str, Landmark]:
    cortices = shaft_cortices(film, pins, view.name) if view.axis else None
    if cortices is None:
        return {}
    names = view.axis["near"], view.axis["far"]
    return {
        name: _proposed(points, EDGE_U_MM / film.mm_per_px)
        for name, points in zip(names, cortices, strict=True)
    }


def _proposed(points: Array, u_px: float) -> Landmark:
    pairs = tuple((float(row), float(column)) for row, column in np.atleast_2d(points))
    return Landmark(PROPOSED, pairs, origin="detected", u_px=float(u_px))


def _on_film(points: Array, shape: tuple[int, ...]) -> bool:
    return bool(np.all(points >= 0) and np.all(points <= np.array(shape) - 1))
