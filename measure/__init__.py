"""Calibrated measurement of serial radiographs after tension-band wiring.

The modules form one direction: film, scale, landmarks (sites and readings), measurements, changes,
flags, report and export. Each imports only from those before it, and none imports a window.
Importing this package imports nothing heavy.
"""

__version__ = "0.1.0"
