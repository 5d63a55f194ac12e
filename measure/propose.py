"""Landmarks that the program proposes for a film, for a reader to confirm.

What is not sure is left out: a landmark without a proposal stays for the reader to place.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from measure import __version__
from measure.bone import EDGE_U_MM, across_from, shaft_cortices
from measure.exits import far_crossings, pin_exits
from measure.film import Film
from measure.lines import Array
from measure.marker import ball_input
from measure.notch import notch_arc
from measure.pin_bend import Bend, pin_bends
from measure.pin_width import pin_input
from measure.pins import Pin, find_pins
from measure.prepare import Prepared, prepare
from measure.reading import PROPOSED, Landmark, Reading, for_film
from measure.scale import FOUND, ScaleInput
from measure.sites import Site, View
from measure.wire import Wire, find_wire, not_judged
from measure.wire_width import wire_input

READER = "holdfast"
STRAIGHT_U_MM = 0.1  # across; along the pin it matters to nothing
KNOTS = 2  # of fewer or more, nobody could tell which is which
ONE_PIN = "one pin only was found, and is called pin 1; which of two it is, is not known"


@dataclass(frozen=True)
class Proposals:
    """What is proposed for a film: landmarks by name, scales, and why a scale that was asked for is not."""

    landmarks: Mapping[str, Landmark] = field(default_factory=dict)
    scale_inputs: tuple[ScaleInput, ...] = ()
    notes: tuple[str, ...] = ()


def propose(film: Film, site: Site, view: str, sizes: Mapping[str, float] | None = None) -> Proposals:
    """Propose landmarks of a site's view, and scales.

    Landmarks: pins, their bends, where they cross the bone, shaft, notch, drill hole, twist knots, a break in
    the wire. Not the fracture's edges, which clicks snap to (`measure.fracture`).

    sizes: the true diameter in mm of "marker", "pin width" and "wire width", where stated; each is then
    looked for as a scale. Raises ScaleError for one that is not positive. Pins are numbered from the side
    with more tissue (`measure.pins`). With one pin found of two, it is called pin 1. Nothing is proposed
    where the film holds no metal that is told for sure.
    """
    prepared = prepare(film)
    pins = find_pins(prepared)
    inputs, notes = _scales(prepared, pins, view, sizes or {})
    row = site.views[view]
    found: dict[str, Landmark] = {}
    # Only where a view's table asks for the bend is it seen from the side.
    bends = pin_bends(prepared, pins) if "pin1_end" in row.landmark else ()
    for number, pin in enumerate(pins, start=1):
        bend = next((one for one in bends if one.pin is pin), None)
        found |= _of_pin(f"pin{number}", pin, bend, prepared)
    wire = find_wire(prepared, pins, view)
    cortices = shaft_cortices(prepared, pins, view) if row.axis else None
    found |= _of_shaft(prepared, row, cortices) | _of_crossings(prepared, pins, row, cortices)
    found |= _of_wire(prepared, wire) | _of_notch(prepared, pins, row)
    found |= _beside_hole(prepared, found, row, cortices)
    if pins and "wire_break" in row.landmark:
        notes += not_judged(wire)
    landmarks = {
        name: mark
        for name, mark in found.items()
        if name in row.landmark and _on_film(mark.array, film.pixels.shape)
    }
    if len(pins) == 1 and "pin2_tip" in row.landmark:
        notes = (*notes, ONE_PIN)
    return Proposals(landmarks, inputs, notes)


def propose_scale(film: Film, kind: str, size_mm: float) -> tuple[ScaleInput | None, str]:
    """Look for a scale of a kind ("marker", "pin width", "wire width") and true diameter; else why none.

    Raises ScaleError for a size that is not positive.
    """
    prepared = prepare(film)
    pins = () if kind == "marker" else find_pins(prepared)
    return _scale(prepared, pins, film.view or "", kind, size_mm)


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


def _scales(
    film: Prepared, pins: tuple[Pin, ...], view: str, sizes: Mapping[str, float]
) -> tuple[tuple[ScaleInput, ...], tuple[str, ...]]:
    looked = {kind: _scale(film, pins, view, kind, size) for kind, size in sizes.items()}
    notes = tuple(f"no scale from {FOUND[kind]}: {why}" for kind, (_, why) in looked.items() if why)
    return tuple(given for given, _ in looked.values() if given is not None), notes


def _scale(
    film: Prepared, pins: tuple[Pin, ...], view: str, kind: str, size_mm: float
) -> tuple[ScaleInput | None, str]:
    if kind == "wire width":
        return wire_input(film, pins, view, size_mm)
    return ball_input(film, size_mm) if kind == "marker" else pin_input(film, pins, size_mm)


def _of_pin(name: str, pin: Pin, bend: Bend | None, film: Prepared) -> dict[str, Landmark]:
    straight = pin.straight if bend is None else bend.straight
    found = {f"{name}_straight": _proposed(straight, max(pin.u_across, STRAIGHT_U_MM / film.mm_per_px))}
    if pin.tip_clear:
        found[f"{name}_tip"] = _proposed(pin.tip, max(pin.u_across, pin.u_along))
    if bend is not None:
        found[f"{name}_end"] = _proposed(bend.end, bend.u_px)
    return found


def _of_shaft(film: Prepared, view: View, cortices: tuple[Array, Array] | None) -> dict[str, Landmark]:
    if cortices is None:
        return {}
    names = view.axis["near"], view.axis["far"]
    return {
        name: _proposed(points, EDGE_U_MM / film.mm_per_px)
        for name, points in zip(names, cortices, strict=True)
    }


def _of_crossings(
    film: Prepared, pins: tuple[Pin, ...], view: View, cortices: tuple[Array, Array] | None
) -> dict[str, Landmark]:
    """Propose where the pins' axes cross the bone's outlines, where the view's table asks for it."""
    if "pin1_exit" not in view.landmark:
        return {}
    crossings = {"exit": pin_exits(film, pins)}
    if cortices is not None:
        crossings["far_cortex"] = far_crossings(pins, cortices[1], film.mm_per_px)
    return {
        f"pin{number}_{name}": _proposed(one.point, one.u_px)
        for name, found in crossings.items()
        for number, pin in enumerate(pins, start=1)
        for one in found
        if one.pin is pin
    }


def _of_notch(film: Prepared, pins: tuple[Pin, ...], view: View) -> dict[str, Landmark]:
    arc = notch_arc(film, pins) if "joint_arc" in view.landmark else None
    return {} if arc is None else {"joint_arc": _proposed(arc.points, arc.u_px)}


def _beside_hole(
    film: Prepared, found: Mapping[str, Landmark], view: View, cortices: tuple[Array, Array] | None
) -> dict[str, Landmark]:
    """Propose both cortices at the level of the drill hole."""
    if cortices is None or "hole" not in found or "hole_dorsal" not in view.landmark:
        return {}
    beside = across_from(cortices, found["hole"].array[0], film.mm_per_px)
    if beside is None:
        return {}
    places, u_px = beside
    names = "hole_dorsal", "hole_volar"
    return {name: _proposed(place, u_px) for name, place in zip(names, places, strict=True)}


def _of_wire(film: Prepared, wire: Wire | None) -> dict[str, Landmark]:
    if wire is None:
        return {}
    u_break, u_hole, u_knot = (u / film.mm_per_px for u in wire.u_mm)
    found = {} if wire.hole is None else {"hole": _proposed(wire.hole, u_hole)}
    if wire.breaks:
        found["wire_break"] = _proposed(wire.breaks[0], u_break)
    for number, knot in enumerate(wire.knots, start=1):
        if len(wire.knots) == KNOTS and knot.foot is not None:
            found[f"knot{number}"] = _proposed(knot.foot, u_knot)
    return found


def _proposed(points: Array, u_px: float) -> Landmark:
    pairs = tuple((float(row), float(column)) for row, column in np.atleast_2d(points))
    return Landmark(PROPOSED, pairs, origin="detected", u_px=float(u_px))


def _on_film(points: Array, shape: tuple[int, ...]) -> bool:
    return bool(np.all(points >= 0) and np.all(points <= np.array(shape) - 1))
