"""How numbers and arrays are taken: checked where they come in, quick in the kernel.

A plain number beside an array is turned into an array anew at each call, which costs
as much as the sum on a few hundred lanes. Written once as an array without a dimension
it meets the same loop, and gives the same bits, at no cost.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .errors import problem
from .infants import FloatArray

Value = float | FloatArray


def number(value: float) -> FloatArray:
    """Write a number as an operand of many calls.

    Parameters
    ----------
    value : float
        The number.

    Returns
    -------
    ndarray, shape ()
        Read-only.
    """
    operand = np.array(float(value))
    operand.flags.writeable = False
    return operand


def whole(value: int) -> NDArray[np.int64]:
    """Write a whole number as an operand of many calls.

    Parameters
    ----------
    value : int
        The number.

    Returns
    -------
    ndarray of int, shape ()
        Read-only.
    """
    operand = np.array(int(value), dtype=np.int64)
    operand.flags.writeable = False
    return operand


def values_within(where: str, values: Value, low: float, high: float, expected: str) -> FloatArray:
    """Take a float or array as an array; refuse values outside a range.

    Parameters
    ----------
    where : str
        How the message names the argument.
    values : float or ndarray
        Values to check; NaN is outside every range.
    low, high : float
        Ends of the accepted range, both included.
    expected : str
        The range in words.

    Returns
    -------
    ndarray
        The values, 0-d for a float.

    Raises
    ------
    TestbedError
        At the first value outside the range.
    """
    array = np.asarray(values, dtype=np.float64)
    good = (array >= low) & (array <= high)
    if not good.all():
        raise problem(where, expected, float(array[~good].flat[0]))
    return array
