"""What the engine worked out at every reading, as columns beside the readings: what charts are drawn from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ingest.reading import FloatArray, IntArray, Readings


@dataclass(frozen=True, kw_only=True)
class Trace:
    """Columns of shape (n,), one row a reading, in the order of `readings`."""

    readings: Readings
    running: NDArray[np.bool_]
    hot: NDArray[np.bool_]
    """Discharge at or above the required temperature with the sump under working pressure."""
    pressure_trusted: NDArray[np.bool_]
    ambient_temp_c: FloatArray
    ambient_error_k: FloatArray
    """One standard deviation of it. [K]"""
    pressure_dew_point_c: FloatArray
    required_temp_c: FloatArray
    water_g: FloatArray
    water_low_g: FloatArray
    water_high_g: FloatArray
    discharge_temp_c: FloatArray
    """As the analysis took it: converted where the unit of measure was another, NaN where it was left out."""
    pressure_kpa: FloatArray
    """As the analysis took it, like `discharge_temp_c`."""
    quality: IntArray
    """Bit set of `ingest.quality.Quality`: the door's judgement and the engine's together."""
