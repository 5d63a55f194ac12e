"""Breaks on drawn maps: seen between free ends and beside another limb, silent behind a pin and in a knot."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from measure.strip import Strip
from measure.wire_breaks import free_ends_breaks, missing_metal
from measure.wire_map import WireMap
from measure.wire_path import hidden_mm, middle_lines, overlaid_mm

PX_MM, SHAPE = 0.15, (400, 120)
GAP = slice(200, 220)  # 3 mm


def wire(sample: float, slope: float = 0.0, gap: slice = slice(0, 0)) -> NDArray[np.float64]:
    """Draw a wire of 1 mm along the stations, with a gap."""
    stations, samples = np.indices(SHAPE)
    away = (samples - sample - slope * (stations - 200)) * PX_MM
    chord = np.sqrt(np.clip(0.25 - away**2, 0.0, None)) * 1.4
    chord[gap] = 0.0
    return gaussian_filter(chord, 0.15 / PX_MM)


def mapped(metal: NDArray[np.float64], pin: tuple[float, float] | None = None, view: str = "ap") -> WireMap:
    """Map of drawn metal; pin: sample of a pin's axis, and its slope."""
    along, across = np.arange(SHAPE[0]) * 1.0, np.arange(SHAPE[1]) - 60.0
    strip = Strip(metal.astype(np.float32), np.zeros(2), np.array([1.0, 0.0]), 1.0, along, across)
    stations, samples = np.indices(SHAPE)
    beside = np.full(SHAPE, 20.0)
    if pin is not None:
        beside = np.abs(samples - pin[0] - pin[1] * (stations - 200)) * PX_MM
    noise = np.random.default_rng(3).normal(0.0, 0.02, SHAPE)
    return WireMap(strip, (metal + noise).astype(np.float32), PX_MM, beside, 10.0, view)


def breaks(wmap: WireMap, knots: slice = slice(0, 0)) -> list[NDArray[np.float64]]:
    knotted = np.zeros(SHAPE, bool)
    knotted[knots] = True
    return free_ends_breaks(wmap, *middle_lines(wmap), knotted)


@pytest.mark.parametrize("slope", [0.0, 0.1, -0.1])
def test_between_free_ends(slope: float) -> None:
    """A gap is found where it is, to half a millimetre; a whole wire has none."""
    ((first, last),) = breaks(mapped(wire(60.0, slope, GAP)))
    assert sorted([first[0], last[0]]) == pytest.approx([GAP.start, GAP.stop], abs=0.5 / PX_MM)
    assert not breaks(mapped(wire(60.0, slope)))


def test_silent_behind_a_pin_and_in_a_knot() -> None:
    """A pin over the gap, or a knot there, hides it: nothing is told, and the pin's length of wire is."""
    crossed = mapped(wire(60.0, 0.3), pin=(60.0, 0.0))
    assert not breaks(crossed)
    assert hidden_mm(crossed, *middle_lines(crossed)) == pytest.approx(
        1.8 * np.hypot(1.0, 0.3) / 0.3, rel=0.25
    )
    assert not breaks(mapped(wire(60.0, 0.0, GAP), pin=(60.0, 0.0)))
    assert not breaks(mapped(wire(60.0, 0.0, GAP)), knots=slice(190, 230))
    whole = mapped(wire(60.0))
    assert hidden_mm(whole, *middle_lines(whole)) == 0.0


def loop(height: float) -> NDArray[np.float64]:
    """Draw a closed loop of wire, a stretch of one limb only so high, shortly before the distal turn."""
    stations = np.indices(SHAPE)[0]
    limb, other = wire(60.0), wire(90.0)
    limb[235:260] *= height
    limbs = limb + other
    limbs[:60] = limbs[280:] = 0.0
    away = np.minimum(np.abs(stations - 60), np.abs(stations - 280)) * PX_MM
    turns = np.sqrt(np.clip(0.25 - away**2, 0.0, None)) * 1.4
    turns[:, :57] = turns[:, 94:] = 0.0
    return np.maximum(limbs, gaussian_filter(turns, 0.15 / PX_MM))


def test_from_one_end_on_a_lateral_film() -> None:
    """One end before the turn is a break to where the wire goes on; a limb that grows faint there is none."""
    (gap,) = breaks(mapped(loop(0.0), view="lateral"))
    assert sorted(gap[:, 0]) == pytest.approx([235, 260], abs=0.5 / PX_MM)
    assert gap[:, 1] == pytest.approx([60.0, 60.0], abs=0.3 / PX_MM)
    assert not breaks(mapped(loop(1.0), view="lateral"))
    assert not breaks(mapped(loop(0.4), view="lateral"))


def test_limbs_on_each_other_are_measured() -> None:
    """Where two limbs lie side by side nothing is overlaid; where they coincide, their length is."""
    assert overlaid_mm(mapped(loop(1.0), view="lateral"), np.zeros(SHAPE, bool)) < 3.0
    both = mapped(wire(60.0) + wire(62.0), view="lateral")
    assert overlaid_mm(both, np.zeros(SHAPE, bool)) == pytest.approx(SHAPE[0] * PX_MM, rel=0.1)


@pytest.mark.parametrize("apart", [0.0, 3.0, 6.0])
@pytest.mark.parametrize("slope", [0.0, 0.5])
def test_beside_another_limb(apart: float, slope: float) -> None:
    """A gap in one of two limbs that run together is found, also aslant; two whole ones have none."""
    for gap in (GAP, slice(0, 0)):
        metal = (wire(60.0, slope, gap) + wire(60.0 + apart, slope))[120:300]
        full = np.zeros(SHAPE)
        full[120:300] = metal
        wmap = mapped(full, view="lateral")
        found = missing_metal(wmap, wmap.mask, np.zeros(SHAPE, bool))
        if gap is GAP:
            (ends,) = found
            assert np.abs(ends[:, 0].mean() - 210.0) * PX_MM < 1.0
            assert 1.5 < np.ptp(ends[:, 0]) * PX_MM < 4.5
        else:
            assert not found
