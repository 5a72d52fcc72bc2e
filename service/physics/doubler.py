"""The half-wave voltage doubler, one capacitor and one diode behind the transformer."""

from __future__ import annotations

from dataclasses import dataclass

from service.physics.discharge import peak_voltage


@dataclass(frozen=True, slots=True)
class DoublerFigures:
    """V, without load. Under load the magnetron clamps: about 4,000 V (common practice)."""

    peak_voltage: float
    output_voltage: float


def half_wave_doubler(rms_voltage: float) -> DoublerFigures:
    """No-load figures for a secondary of `rms_voltage` (circuit theory).

    The capacitor charges to the peak, sqrt(2) V; in the other half-wave it stands in series with
    the winding, so that the output reaches twice that. Raises ValueError for a negative or
    non-finite voltage.
    """
    peak = peak_voltage(rms_voltage)
    return DoublerFigures(peak, 2.0 * peak)
