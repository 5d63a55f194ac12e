"""The wire's proximal loop and its seat on a few phantom films, and where nothing of it is told.

Outside: the loop's middle against scikit-image's blob finder on the same film.
"""

from __future__ import annotations

import functools

import numpy as np
from skimage.feature import blob_log
from validation_metal import as_film

from measure import phantom, phantom_film
from measure.exits import bone_end
from measure.film import Film
from measure.pins import Pin, find_pins
from measure.prepare import Prepared, prepare
from measure.snap import snap
from measure.wire import Wire, find_wire
from measure.wire_loop import Loop, wire_loop
