"""Arrays of whole numbers: days, codes and places, of 32 bits where there is one for each piercing of a large chain."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

IntArray = NDArray[np.signedinteger[Any]]
SmallIntArray = NDArray[np.int32]

NEVER = int(np.iinfo(np.int32).max)
"""Day number of what has not happened."""
