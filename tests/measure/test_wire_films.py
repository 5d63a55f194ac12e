"""Wires on whole films on which they are hard to tell: breaks beside other metal, shafts taken for wire."""

from __future__ import annotations

import numpy as np
import pytest
from validation_metal import as_film, invent_case

from measure import phantom
from measure.pins import find_pins
from measure.prepare import Prepared, prepare
from measure.wire import Wire, find_wire

BREAK_MM = 1.0  # of a break's middle from the true one
HOLE_MM = 1.0


def wire_on(seed: int) -> tuple[phantom.Case, Prepared, Wire | None]:
    """Find the wire on one of the validation's films."""
    case, pixels = invent_case(seed)
    film = prepare(as_film(case, pixels))
    return case, film, find_wire(film, find_pins(film), case.pose.view)


@pytest.mark.parametrize(
    "seed",
    [900_128, 900_161, 920_166],
    ids=["one limb's end and the hole", "beside a pin", "limbs side by side are no knot"],
)
def test_break_is_seen(seed: int) -> None:
    """A break is told where it is; a break told 2 mm beside it would not pass."""
    case, _, wire = wire_on(seed)
    assert wire is not None
    ((first, last),) = wire.breaks
    true, size = phantom.landmarks(case)["wire_break"].film, case.pose.bone_scale[0]
    away = (first + last) / 2.0 - true.mean(axis=0)
    assert np.linalg.norm(away) * size < BREAK_MM
    assert (
        np.linalg.norm(away + (2.0 / size) * (last - first) / np.linalg.norm(last - first)) * size > BREAK_MM
    )


@pytest.mark.parametrize(
    "seed",
    [620_024, 620_079, 920_203],
    ids=["from the hole to a pin", "beside a knot", "between two cortices"],
)
def test_whole_wire_has_no_break(seed: int) -> None:
    """Of a whole wire no break is told."""
    case, _, wire = wire_on(seed)
    assert case.fixation.wire is not None
    assert case.fixation.wire.break_length == 0.0
    assert wire is not None
    assert wire.path
    assert not wire.breaks


@pytest.mark.parametrize("seed", [900_113, 920_211], ids=["shafts", "another bone's cortex beside it"])
def test_hole_is_not_in_a_shaft(seed: int) -> None:
    """Where shafts pass for wire that crosses the bone, or for its turn, no hole is told, or the hole."""
    case, _, wire = wire_on(seed)
    assert wire is not None
    away = 0.0 if wire.hole is None else np.linalg.norm(wire.hole - phantom.landmarks(case)["hole"].film[0])
    assert away * case.pose.bone_scale[0] < HOLE_MM
