"""Types of arrays, by what they hold; shapes and units stand in docstrings."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Complex = NDArray[np.complex128]
