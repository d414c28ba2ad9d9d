"""Oxygen in blood: the default dissociation curve, its inverse, content and its inverse.

The curve is that of Severinghaus 1979 (J Appl Physiol 46:599-602, eq 1,
doi:10.1152/jappl.1979.46.3.599), moved along the PO2 axis to the blood's own
P50. With x = PO2 * 26.857 / P50 and y = x*x*x + 150 x it reads S = y / (y + 23400).
The equation differs from its own paper's table by up to 0.55 points.

`curve_into` and `ContentInverse` serve the per-tick path: only + - * / on
preallocated arrays, so that a lane's bits do not depend on its neighbours.
"""

from __future__ import annotations

import math
from typing import overload

import numpy as np
from numpy import (
    absolute,
    add,
    divide,
    greater,
    greater_equal,
    less_equal,
    logical_not,
    maximum,
    multiply,
    subtract,
)

from .errors import problem
from .infants import FloatArray
from .lung_parameters import DISSOLVED_ML_ML_MMHG, HB_CAPACITY_ML_G
from .operands import Value, number, values_within

#: P50 of the unscaled curve (mmHg), to the digits used for scaling; the root
#: of x*x*x + 150 x = 23400 is 26.85684.
STANDARD_P50_MMHG = 26.857

#: The two constants of Severinghaus 1979 eq 1.
LINEAR = 150.0
HALF = 23400.0

#: Highest PO2 the public functions take (mmHg); there S still rounds below 1.
PO2_MAX_MMHG = 1e5

#: A Newton step this small (in x) leaves an error below 0.11 * step * step, see `ContentInverse`.
_LAST_STEP = number(1e-5)

_LINEAR, _HALF, _THREE = number(LINEAR), number(HALF), number(3.0)
_THREE_PER_HALF, _LINEAR_PER_HALF = number(3.0 / HALF), number(LINEAR / HALF)
_MAX_STEPS = 80


def _po2(where: str, po2_mmhg: Value) -> FloatArray:
    return values_within(where, po2_mmhg, 0.0, PO2_MAX_MMHG, "a PO2 from 0 to 1e5 mmHg")


def _p50(where: str, p50_mmhg: Value) -> FloatArray:
    return values_within(where, p50_mmhg, 1.0, 200.0, "a P50 from 1 to 200 mmHg")


def _plain(result: FloatArray) -> Value:
    """Hand back a float where every argument was a scalar."""
    return float(result) if result.ndim == 0 else result


@overload
def saturation(po2_mmhg: float, p50_mmhg: float = ...) -> float: ...
@overload
def saturation(po2_mmhg: FloatArray, p50_mmhg: Value = ...) -> FloatArray: ...
@overload
def saturation(po2_mmhg: float, p50_mmhg: FloatArray) -> FloatArray: ...
def saturation(po2_mmhg: Value, p50_mmhg: Value = STANDARD_P50_MMHG) -> Value:
    """Oxygen saturation of haemoglobin at a PO2: Severinghaus 1979 eq 1, scaled to P50.

    Parameters
    ----------
    po2_mmhg : float or ndarray
        PO2 (mmHg), 0 to 1e5.
    p50_mmhg : float or ndarray
        PO2 at half saturation (mmHg), 1 to 200; broadcast against `po2_mmhg`.

    Returns
    -------
    float or ndarray
        Saturation, fraction in [0, 1).

    Raises
    ------
    TestbedError
        If a value is out of range or NaN.
    """
    po2 = _po2("saturation: po2_mmhg", po2_mmhg)
    x = po2 * STANDARD_P50_MMHG / _p50("saturation: p50_mmhg", p50_mmhg)
    y = (x * x + LINEAR) * x
    return _plain(y / (y + HALF))


@overload
def saturation_slope(po2_mmhg: float, p50_mmhg: float = ...) -> float: ...
@overload
def saturation_slope(po2_mmhg: FloatArray, p50_mmhg: Value = ...) -> FloatArray: ...
@overload
def saturation_slope(po2_mmhg: float, p50_mmhg: FloatArray) -> FloatArray: ...
def saturation_slope(po2_mmhg: Value, p50_mmhg: Value = STANDARD_P50_MMHG) -> Value:
    """Slope dS/dPO2 of the dissociation curve.

    Parameters
    ----------
    po2_mmhg : float or ndarray
        PO2 (mmHg), 0 to 1e5.
    p50_mmhg : float or ndarray
        PO2 at half saturation (mmHg), 1 to 200.

    Returns
    -------
    float or ndarray
        Slope (fraction per mmHg).

    Raises
    ------
    TestbedError
        If a value is out of range or NaN.
    """
    po2 = _po2("saturation_slope: po2_mmhg", po2_mmhg)
    stretch = STANDARD_P50_MMHG / _p50("saturation_slope: p50_mmhg", p50_mmhg)
    x = np.atleast_1d(po2 * stretch)
    fraction, slope, work = np.empty_like(x), np.empty_like(x), np.empty_like(x)
    curve_into(x, fraction, slope, work)
    shape = np.broadcast_shapes(po2.shape, stretch.shape)
    return _plain((slope * stretch).reshape(shape))


@overload
def po2_at(saturation: float, p50_mmhg: float = ...) -> float: ...
@overload
def po2_at(saturation: FloatArray, p50_mmhg: Value = ...) -> FloatArray: ...
@overload
def po2_at(saturation: float, p50_mmhg: FloatArray) -> FloatArray: ...
def po2_at(saturation: Value, p50_mmhg: Value = STANDARD_P50_MMHG) -> Value:
    """PO2 at an oxygen saturation: the exact inverse of `saturation`.

    Parameters
    ----------
    saturation : float or ndarray
        Saturation, fraction in [0, 1).
    p50_mmhg : float or ndarray
        PO2 at half saturation (mmHg), 1 to 200; broadcast against `saturation`.

    Returns
    -------
    float or ndarray
        PO2 (mmHg).

    Raises
    ------
    TestbedError
        If a value is out of range or NaN; a saturation of 1 belongs to no PO2.

    Notes
    -----
    The one real root of x*x*x + 150 x = 23400 S / (1 - S), as inverted by Ellis
    1989, here in the hyperbolic form, which loses no digits at low saturation.
    """
    below_one = math.nextafter(1.0, 0.0)
    fraction = values_within(
        "po2_at: saturation", saturation, 0.0, below_one, "a fraction of at least 0 and below 1"
    )
    p50 = _p50("po2_at: p50_mmhg", p50_mmhg)
    target = np.atleast_1d(HALF * fraction / (1.0 - fraction))
    radius = math.sqrt(LINEAR / 3.0)
    x = 2.0 * radius * np.sinh(np.arcsinh(target / (2.0 * radius * radius * radius)) / 3.0)
    return _plain(x.reshape(fraction.shape) * p50 / STANDARD_P50_MMHG)


@overload
def content(po2_mmhg: float, hb_g_dl: float, p50_mmhg: float = ...) -> float: ...
@overload
def content(po2_mmhg: FloatArray, hb_g_dl: Value, p50_mmhg: Value = ...) -> FloatArray: ...
@overload
def content(po2_mmhg: float, hb_g_dl: FloatArray, p50_mmhg: Value = ...) -> FloatArray: ...
@overload
def content(po2_mmhg: float, hb_g_dl: float, p50_mmhg: FloatArray) -> FloatArray: ...
def content(po2_mmhg: Value, hb_g_dl: Value, p50_mmhg: Value = STANDARD_P50_MMHG) -> Value:
    """Oxygen content of blood, bound and dissolved.

    Parameters
    ----------
    po2_mmhg : float or ndarray
        PO2 (mmHg), 0 to 1e5.
    hb_g_dl : float or ndarray
        Haemoglobin (g/dL), 0 to 40; the three arguments are broadcast.
    p50_mmhg : float or ndarray
        PO2 at half saturation (mmHg), 1 to 200.

    Returns
    -------
    float or ndarray
        Content (mL O2 STPD per dL of blood): 1.34 Hb S + 0.003 PO2.

    Raises
    ------
    TestbedError
        If a value is out of range or NaN.
    """
    po2 = _po2("content: po2_mmhg", po2_mmhg)
    hb = values_within("content: hb_g_dl", hb_g_dl, 0.0, 40.0, "haemoglobin from 0 to 40 g/dL")
    p50 = _p50("content: p50_mmhg", p50_mmhg)
    bound = HB_CAPACITY_ML_G * hb * np.asarray(saturation(po2, p50))
    return _plain(np.asarray(bound + 100.0 * DISSOLVED_ML_ML_MMHG * po2))


def curve_into(x: FloatArray, saturation: FloatArray, slope: FloatArray, work: FloatArray) -> None:
    """Write saturation and its slope into given arrays; the kernel's form of the curve.

    Parameters
    ----------
    x : ndarray
        PO2 * 26.857 / P50, at least 0; not changed. No argument is checked.
    saturation : ndarray, same shape
        Receives S, fraction.
    slope : ndarray, same shape
        Receives dS/dx; multiply by 26.857 / P50 for dS/dPO2 (1/mmHg).
    work : ndarray, same shape
        Scratch; its content is lost.
    """
    multiply(x, x, work)
    add(work, _LINEAR, saturation)
    multiply(saturation, x, saturation)  # y
    multiply(work, _THREE_PER_HALF, work)
    add(work, _LINEAR_PER_HALF, work)  # (dy/dx) / 23400
    add(saturation, _HALF, slope)
    divide(saturation, slope, saturation)
    divide(_HALF, slope, slope)  # 1 - S, without cancellation
    multiply(slope, slope, slope)
    multiply(slope, work, slope)


class ContentInverse:
    """PO2 of blood of a given oxygen content, for many lanes, without allocation.

    Content C = cap S(x) + d x, with S = y / (y + 23400), is multiplied out to

        g(x) = (cap - C + d x) y - 23400 (C - d x) = 0.

    For x >= max(0, (C - cap) / d) this polynomial rises and is convex, and its
    root lies there. Newton's method therefore cannot fail from any start: a step
    from the left lands on the right of the root, and from the right the
    iterates fall towards it. As g'' / (2 g') < 0.11, a last step of at most 1e-5
    leaves an error below 1.2e-11 in x. A lane is frozen once it has converged, so its
    bits do not depend on how long the others take.

    Parameters
    ----------
    capacity_ml_ml : ndarray
        Oxygen that saturated haemoglobin binds, 0.0134 Hb (mL/mL), at least 0.
    p50_mmhg : ndarray, same shape
        PO2 at half saturation (mmHg), 1 to 200.

    Raises
    ------
    TestbedError
        If a parameter is out of range or NaN, or if the shapes differ.
    """

    def __init__(self, capacity_ml_ml: FloatArray, p50_mmhg: FloatArray) -> None:
        where = "ContentInverse"
        self._capacity = values_within(
            f"{where}: capacity_ml_ml", capacity_ml_ml, 0.0, 1.0, "a capacity from 0 to 1 mL/mL"
        )
        p50 = _p50(f"{where}: p50_mmhg", p50_mmhg)
        if p50.shape != self._capacity.shape or p50.ndim == 0:
            raise problem(f"{where}: p50_mmhg", "an array of the shape of capacity_ml_ml", p50)
        self._mmhg = p50 / STANDARD_P50_MMHG
        self._dissolved = DISSOLVED_ML_ML_MMHG * self._mmhg
        self._nought = np.zeros_like(p50)
        self._x, self._free, self._work = (np.empty_like(p50) for _ in range(3))
        self._value, self._slope, self._step = (np.empty_like(p50) for _ in range(3))
        self._square, self._spare = np.empty_like(p50), np.empty_like(p50)
        self._active, self._done = (np.empty(p50.shape, dtype=np.bool_) for _ in range(2))
        self._frozen = np.empty(p50.shape, dtype=np.bool_)

    def solve(self, content_ml_ml: FloatArray, po2_mmhg: FloatArray) -> None:
        """Replace guesses of PO2 by the PO2 at which blood holds the content.

        Parameters
        ----------
        content_ml_ml : ndarray
            Oxygen content (mL/mL), at least 0.
        po2_mmhg : ndarray, same shape
            Guess on entry, result on return (mmHg); a good guess saves steps.

        Raises
        ------
        TestbedError
            If a content is negative or NaN, or a guess is NaN.
        """
        greater_equal(content_ml_ml, self._nought, self._done)
        if np.count_nonzero(self._done) < self._done.size:
            lowest = float(content_ml_ml.min())
            raise problem("ContentInverse.solve: content_ml_ml", "at least 0 mL/mL", lowest)
        self._start(content_ml_ml, po2_mmhg)
        x, active, step = self._x, self._active, self._step
        for turn in range(_MAX_STEPS):
            self._newton()
            if turn:
                logical_not(active, self._frozen)
                np.copyto(step, self._nought, where=self._frozen)
            subtract(x, step, x)
            absolute(step, self._value)
            less_equal(self._value, _LAST_STEP, self._done)  # NaN has not converged
            greater(active, self._done, active)  # active and not done
            if not np.count_nonzero(active):
                multiply(x, self._mmhg, po2_mmhg)
                return
        bad = float(po2_mmhg[active].flat[0])
        raise problem("ContentInverse.solve: po2_mmhg", "a finite content and guess (mmHg)", bad)

    def _start(self, content: FloatArray, po2: FloatArray) -> None:
        """Set cap - C, and x to the guess or to the end of the convex part."""
        subtract(self._capacity, content, self._free)
        divide(po2, self._mmhg, self._x)
        subtract(content, self._capacity, self._spare)
        divide(self._spare, self._dissolved, self._work)
        maximum(self._x, self._work, out=self._spare)
        maximum(self._spare, self._nought, out=self._x)
        self._active.fill(True)

    def _newton(self) -> None:
        """Write g / g' at x into the step."""
        # Each result goes elsewhere: NumPy takes thrice as long in place on a single lane.
        x, square, work, spare = self._x, self._square, self._work, self._spare
        value, slope, step = self._value, self._slope, self._step
        multiply(x, x, square)
        add(square, _LINEAR, work)
        multiply(work, x, value)  # y
        add(value, _HALF, work)
        multiply(work, self._dissolved, spare)
        multiply(square, _THREE, work)
        add(work, _LINEAR, square)  # dy/dx
        multiply(x, self._dissolved, work)
        add(work, self._free, step)  # cap - C + d x
        multiply(square, step, work)
        add(spare, work, slope)  # g'
        multiply(value, step, work)
        subtract(self._capacity, step, spare)  # C - d x
        multiply(spare, _HALF, step)
        subtract(work, step, value)  # g
        divide(value, slope, step)


def po2_from_content(
    content_ml_ml: FloatArray,
    capacity_ml_ml: FloatArray,
    p50_mmhg: FloatArray,
    start_mmhg: FloatArray | None = None,
) -> FloatArray:
    """PO2 at which blood holds an oxygen content; see `ContentInverse`.

    Parameters
    ----------
    content_ml_ml : ndarray
        Oxygen content (mL/mL), at least 0.
    capacity_ml_ml : ndarray, same shape
        Oxygen that saturated haemoglobin binds, 0.0134 Hb (mL/mL).
    p50_mmhg : ndarray, same shape
        PO2 at half saturation (mmHg), 1 to 200.
    start_mmhg : ndarray, same shape, optional
        Warm start (mmHg); P50 where none is given.

    Returns
    -------
    ndarray
        PO2 (mmHg), within 1e-9 mmHg.

    Raises
    ------
    TestbedError
        If a value is out of range or NaN.
    """
    content_ml_ml = np.asarray(content_ml_ml, dtype=np.float64)
    inverse = ContentInverse(capacity_ml_ml, p50_mmhg)
    start = p50_mmhg if start_mmhg is None else start_mmhg
    po2 = np.array(start, dtype=np.float64)
    if content_ml_ml.shape != po2.shape:
        raise problem("po2_from_content", "arrays of one shape", content_ml_ml.shape)
    inverse.solve(content_ml_ml, po2)
    return po2
