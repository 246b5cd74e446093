"""Checks of what the statistics take in; each `ValueError` names the argument that is wrong."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


def _refuse(name: str, wrong: NDArray[np.bool_], what: str) -> None:
    if wrong.any():
        raise ValueError(f"{name} must be {what}: {int(wrong.sum())} of {wrong.size} values are not")


def non_negative(name: str, values: ArrayLike) -> FloatArray:
    """Finite numbers of 0 or more, as floats."""
    array = np.asarray(values, dtype=np.float64)
    _refuse(name, ~(np.isfinite(array) & (array >= 0)), "finite and at least 0")
    return array


def positive(name: str, values: ArrayLike) -> FloatArray:
    """Finite numbers above 0, as floats."""
    array = non_negative(name, values)
    _refuse(name, array == 0, "above 0")
    return array


def finite(name: str, values: ArrayLike) -> FloatArray:
    """A row of finite numbers, as floats."""
    array = row(name, np.asarray(values, dtype=np.float64))
    _refuse(name, ~np.isfinite(array), "finite")
    return array


def counts(name: str, values: ArrayLike, least: int = 0) -> FloatArray:
    """Whole numbers of `least` or more, as floats; true and false count as 1 and 0."""
    array = np.asarray(values, dtype=np.float64)
    whole = np.isfinite(array) & (array == np.floor(array))
    _refuse(name, ~(whole & (array >= least)), f"whole numbers of at least {least}")
    return array


def flags(name: str, values: ArrayLike) -> NDArray[np.bool_]:
    """A row of true and false, or of 1 and 0, as booleans."""
    array = counts(name, values)
    _refuse(name, array > 1, "true or false")
    return row(name, array) > 0


def codes(name: str, values: ArrayLike, below: int) -> IntArray:
    """A row of whole numbers from 0 to `below` - 1, which name strata or groups."""
    array = row(name, counts(name, values))
    _refuse(name, array >= below, f"below {below}")
    return array.astype(np.int64)


def probability(name: str, value: float, *, positive: bool = False) -> float:
    """A number from 0 to 1; above 0 where `positive`."""
    if not (0 < value <= 1 or (value == 0 and not positive)):
        raise ValueError(f"{name} must lie {'above 0 and up to 1' if positive else 'between 0 and 1'}, not {value}")
    return value


def row(name: str, array: FloatArray) -> FloatArray:
    """The array, which must have one dimension."""
    if array.ndim != 1:
        raise ValueError(f"{name} must have one dimension, not {array.ndim}")
    return array


def same_shape(**arrays: FloatArray) -> tuple[FloatArray, ...]:
    """The arrays at their common shape, single numbers repeated; arrays of different shapes are refused."""
    if len({array.shape for array in arrays.values() if array.ndim}) > 1:
        shapes = ", ".join(f"{name} {array.shape}" for name, array in arrays.items())
        raise ValueError(f"arguments differ in shape: {shapes}")
    return tuple(np.broadcast_arrays(*arrays.values()))


def not_above(name: str, values: FloatArray, other_name: str, others: FloatArray) -> None:
    """Refuses values that exceed those beside them."""
    _refuse(name, values > others, f"at most {other_name}")
