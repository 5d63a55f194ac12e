"""What is looked for on a film, one row each: for proposals and for clicks to snap to alike.

To look for something more, add a field to `Features` and a row to `ROWS`, after those that it needs.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from measure.bone import EDGE_U_MM, across_from, shaft_cortices
from measure.exits import BoneEnd, Crossing, bone_end, far_crossings, pin_exits
from measure.film import Film
from measure.fracture import Edge, fracture_edges
from measure.lines import Array
from measure.marker import Marker, find_marker
from measure.notch import Arc, notch_arc
from measure.pin_bend import Bend, pin_bends
from measure.pins import Pin, find_pins, heavier_side
from measure.prepare import Prepared, prepare
from measure.wire import Wire, find_wire
from measure.wire_loop import Loop, wire_loop

STRAIGHT_U_MM = 0.1  # across; along the pin it matters to nothing
KNOTS = 2  # of fewer or more, nobody could tell which is which


@dataclass(frozen=True)
class Features:
    """All that was found on a film; what was not found, or not looked for, is empty."""

    film: Prepared
    pins: Sequence[Pin] = ()
    view: str = ""
    heavier: Array | None = None
    marker: Marker | None = None
    wire: Wire | None = None
    cortices: tuple[Array, Array] | None = None
    bends: Sequence[Bend] = ()
    end: BoneEnd | None = None
    exits: Sequence[Crossing] = ()
    far_cortices: Sequence[Crossing] = ()
    arc: Arc | None = None
    edges: Mapping[str, Edge] = field(default_factory=dict)
    loop: Loop | None = None

    def places(self) -> Iterator[Place]:
        """Give every place that a landmark may have."""
        for row in ROWS:
            yield from row.places(self)


@dataclass(frozen=True)
class Place:
    """Where a landmark may lie.

    Parameters
    ----------
    kind
        Of landmark: its name in the site's table, without the number of a pin or a knot.
    points, u_px
        (n, 2) on the film, and the standard uncertainty of each coordinate, pixels.
    name
        The landmark for which it is proposed; None for clicks to snap to alone.
    pin
        The pin that it lies on, if on one.
    """

    kind: str
    points: Array
    u_px: float
    name: str | None = None
    pin: Pin | None = None


@dataclass(frozen=True)
class Row:
    """One thing that is looked for.

    Parameters
    ----------
    name
        The field of `Features` that it fills.
    find, needs
        The function that finds it, and the fields that it is given, in order.
    places
        Where landmarks lie by it.
    views
        Those on which it is seen; all where there are none.
    proposed
        Whether any of its places is proposed.
    """

    name: str
    find: Callable[..., Any]
    needs: tuple[str, ...]
    places: Callable[[Features], Iterable[Place]]
    views: tuple[str, ...] = ()
    proposed: bool = True


def find_features(film: Film, view: str, wanted: Collection[str] | None = None) -> Features:
    """Look on a film for what is wanted, by its row's name, and for what that needs; else for everything."""
    asked = {row.name for row in ROWS} if wanted is None else set(wanted)
    for row in reversed(ROWS):
        asked |= set(row.needs) if row.name in asked else set()
    return filled(Features(prepare(film), view=view), [row for row in ROWS if row.name in asked])


def filled(found: Features, rows: Iterable[Row]) -> Features:
    """Look for the rows' things, in order, beside what was found before."""
    for row in rows:
        if found.view in (row.views or (found.view,)):
            given = (getattr(found, need) for need in row.needs)
            found = replace(found, **{row.name: row.find(*given)})
    return found


def _heavier(film: Prepared, pins: Sequence[Pin]) -> Array | None:
    return heavier_side(film, pins) if pins else None


def _far_crossings(
    film: Prepared, pins: Sequence[Pin], cortices: tuple[Array, Array] | None
) -> Sequence[Crossing]:
    return () if cortices is None else far_crossings(pins, cortices[1], film.mm_per_px)


def _of_pins(found: Features) -> Iterator[Place]:
    least = STRAIGHT_U_MM / found.film.mm_per_px
    for number, pin in enumerate(found.pins, start=1):
        bend = next((one for one in found.bends if one.pin is pin), None)
        straight, tip = pin.straight if bend is None else bend.straight, f"pin{number}_tip"
        yield Place("straight", straight[None], max(pin.u_across, least), f"pin{number}_straight", pin)
        u_tip = float(np.hypot(pin.u_across, pin.u_along))
        yield Place("tip", pin.tip[None], u_tip, tip if pin.tip_clear else None, pin)


def _on_pin(found: Features, kind: str, pin: Pin, point: Array, u_px: float) -> Place:
    number = next(number for number, one in enumerate(found.pins, start=1) if one is pin)
    return Place(kind, point[None], u_px, f"pin{number}_{kind}", pin)


def _of_bends(found: Features) -> Iterator[Place]:
    return (_on_pin(found, "end", one.pin, one.end, one.u_px) for one in found.bends)


def _of_exits(found: Features) -> Iterator[Place]:
    return (_on_pin(found, "exit", one.pin, one.point, one.u_px) for one in found.exits)


def _of_far_cortices(found: Features) -> Iterator[Place]:
    return (_on_pin(found, "far_cortex", one.pin, one.point, one.u_px) for one in found.far_cortices)


def _of_marker(found: Features) -> Iterator[Place]:
    if found.marker is not None:
        yield Place("marker", found.marker.centre[None], 0.1 * found.marker.u_diameter)


def _of_wire(found: Features) -> Iterator[Place]:
    if found.wire is None:
        return
    wire = found.wire
    u_break, u_hole, u_knot = (u / found.film.mm_per_px for u in wire.u_mm)
    if wire.hole is not None:
        yield Place("hole", wire.hole[None], u_hole, "hole")
    for number, ends in enumerate(wire.breaks):
        yield Place("wire_break", ends, u_break, None if number else "wire_break")
    for number, knot in enumerate(wire.knots, start=1):
        if knot.foot is not None:
            name = f"knot{number}" if len(wire.knots) == KNOTS else None
            yield Place("knot", knot.foot[None], u_knot, name)


_SIDES = {"lateral": ("dorsal", "volar"), "ap": ("ulnar", "radial")}


def _of_cortices(found: Features) -> Iterator[Place]:
    """Both sides of the shaft, and straight across from the drill hole; a click goes to what it sees."""
    if found.cortices is None or found.view not in _SIDES:
        return
    sides, mm = _SIDES[found.view], found.film.mm_per_px
    for side, points in zip(sides, found.cortices, strict=True):
        yield Place(f"shaft_{side}", points, EDGE_U_MM / mm, f"shaft_{side}")
    hole = None if found.wire is None else found.wire.hole
    beside = None if hole is None else across_from(found.cortices, hole, mm)
    if beside is not None:
        for side, point in zip(sides, beside[0], strict=True):
            yield Place(f"hole_{side}", point[None], beside[1], f"hole_{side}")


def _of_arc(found: Features) -> Iterator[Place]:
    if found.arc is not None:
        yield Place("joint_arc", found.arc.points, found.arc.u_px, "joint_arc")


def _of_edges(found: Features) -> Iterator[Place]:
    return (Place(name, edge.point[None], edge.u_px) for name, edge in found.edges.items())


def _of_loop(found: Features) -> Iterator[Place]:
    loop = found.loop
    if loop is not None:
        yield Place("loop", loop.middle[None], loop.u_px, "loop")
        if loop.seat is not None:
            yield Place("loop_seat", loop.seat[None], loop.u_seat_px, "loop_seat")


def _none(_: Features) -> tuple[Place, ...]:
    """Give no place: what others rest on."""
    return ()


_ON_PINS = ("film", "pins")
_LATERAL = ("lateral",)  # the one view on which these outlines and bends are seen from the side
ROWS = (
    Row("pins", find_pins, ("film", "view"), _of_pins),
    Row("heavier", _heavier, _ON_PINS, _none, proposed=False),
    Row("marker", find_marker, ("film",), _of_marker, proposed=False),
    Row("wire", find_wire, (*_ON_PINS, "view"), _of_wire),
    Row("cortices", shaft_cortices, (*_ON_PINS, "view"), _of_cortices),
    Row("bends", pin_bends, _ON_PINS, _of_bends, _LATERAL),
    Row("end", bone_end, _ON_PINS, _none, _LATERAL, proposed=False),
    Row("exits", pin_exits, (*_ON_PINS, "end"), _of_exits, _LATERAL),
    Row("far_cortices", _far_crossings, (*_ON_PINS, "cortices"), _of_far_cortices, _LATERAL),
    Row("arc", notch_arc, _ON_PINS, _of_arc, _LATERAL),
    Row("edges", fracture_edges, (*_ON_PINS, "arc"), _of_edges, _LATERAL, proposed=False),
    Row("loop", wire_loop, (*_ON_PINS, "wire", "end"), _of_loop, _LATERAL),
)
