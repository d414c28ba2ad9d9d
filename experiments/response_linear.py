"""The loop near its operating point, as frequency responses of its two linear parts.

A plant is linearised from the lung equations and the delays around them; a
controller from its parameters where its law is known, otherwise from what
`act` answers to small pulses. Both are sampled systems: a response is given at
``z = exp(j w T)`` for the controller's period `T`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from ..loop.controller import Controller
from ..loop.controllers.pi import PI
from ..loop.signals import FloatArray, Settings
from ..models.blood import po2_from_content, saturation
from ..models.gas_delivery import GasSettings, wash_in_time_constant_s
from ..models.infants import Infants
from ..models.lung_equations import Drive, derivative, resting_drive
from ..models.lung_parameters import LungParameters, lung_parameters
from ..models.oximeter import OximeterSettings
from ..models.steady import steady_state
from .response_loop import Asker

ComplexArray = NDArray[np.complex128]

#: Frequency response: angular frequency (rad/s) in, complex gain out.
Response = Callable[[FloatArray], ComplexArray]

#: Relative step of the central differences.
_STEP = 1e-5

#: Pulses on the displayed saturation that identify a controller (points), the
#: longest answer that is followed (calls), and the share of the answer by
#: which a linear controller may miss superposition.
PULSES_PCT = (0.05, -0.05, 0.1)
ANSWER_CALLS = 900
LINEAR_TOLERANCE = 0.03
_QUIET_CALLS = 60


@dataclass(frozen=True, kw_only=True)
class LinearPlant:
    """An infant near rest, from FiO2 to the unrounded display, a step a second.

    Attributes
    ----------
    a, b, c : ndarray, shapes (4, 4), (4,), (4,)
        Lungs and blood over one second: deviation of the state, of inspired
        FiO2 (fraction) and of the saturation (percent).
    wash_in : float
        Share of the way that the circuit's gas goes in a second.
    dead_time_s, delay_s : float
        Circuit, and lung to probe.
    averaging_s : int
        Samples in the oximeter's average.
    """

    a: FloatArray
    b: FloatArray
    c: FloatArray
    wash_in: float
    dead_time_s: float
    delay_s: float
    averaging_s: int

    @property
    def gain(self) -> float:
        """SpO2 points per FiO2 point at rest."""
        settled = np.linalg.solve(np.eye(len(self.a)) - self.a, self.b)
        return 0.01 * float(self.c @ settled)

    def at(self, omega: FloatArray) -> ComplexArray:
        """Give the response at angular frequencies.

        Parameters
        ----------
        omega : ndarray
            rad/s, any shape.

        Returns
        -------
        ndarray
            Percent per fraction, same shape.
        """
        flat = np.asarray(omega, dtype=np.float64).reshape(-1)
        z = np.exp(1j * flat)
        away = z[:, np.newaxis, np.newaxis] * np.eye(len(self.a)) - self.a
        lungs = np.linalg.solve(away, self.b[np.newaxis, :, np.newaxis])[:, :, 0] @ self.c
        circuit = self.wash_in / (1.0 - (1.0 - self.wash_in) / z)
        mean = sum((z**-tap for tap in range(self.averaging_s)), np.zeros_like(z))
        found = lungs * circuit * _delay(z, self.dead_time_s) * _delay(z, self.delay_s) * mean
        return np.asarray(found / self.averaging_s).reshape(np.shape(omega))


def _delay(z: ComplexArray, seconds: float) -> ComplexArray:
    """Whole seconds, and the rest by a straight line between two samples, as in the plant."""
    whole = math.floor(seconds)
    part = seconds - whole
    return np.asarray(z**-whole * (1.0 - part + part / z))


def linear_plant(
    infants: Infants,
    place: int,
    gas: GasSettings | None = None,
    oximeter: OximeterSettings | None = None,
) -> LinearPlant:
    """Linearise one infant at rest on its own need.

    The reflex on heart rate is left out; it begins below 90 %.

    Parameters
    ----------
    infants : Infants
        As `response_plant.at_rest` gives them.
    place : int
        Place of the infant.
    gas, oximeter : GasSettings, OximeterSettings
        Circuit and averaging.

    Returns
    -------
    LinearPlant
    """
    circuit, shown = gas or GasSettings(), oximeter or OximeterSettings()
    one = infants.take(np.array([place]))
    parameters, fio2 = lung_parameters(one), one.fio2_need.astype(np.float64)
    start = steady_state(parameters, fio2)
    state = np.vstack([start.p_mmhg, start.ca, start.cv])
    drive = resting_drive(parameters, fio2)
    jacobian = np.stack([_along(state, drive, parameters, row) for row in range(4)], axis=1)
    half = _STEP * fio2
    more, less = (
        derivative(state, parameters.volume_ml, replace(drive, inspired_fio2=value), parameters)[0]
        for value in (fio2 + half, fio2 - half)
    )
    by_fio2 = (more - less) / (2.0 * half)
    output = np.array([[0.0, 0.0, _saturation_slope(state[2], parameters), 0.0]])
    held = signal.cont2discrete((jacobian, by_fio2, output, np.zeros((1, 1))), 1.0, method="zoh")
    return LinearPlant(
        a=np.asarray(held[0]),
        b=np.asarray(held[1])[:, 0],
        c=np.asarray(held[2])[0],
        wash_in=1.0 - math.exp(-1.0 / wash_in_time_constant_s(circuit)),
        dead_time_s=circuit.dead_time_s,
        delay_s=float(one.circulation_delay_s[0]),
        averaging_s=shown.averaging_s,
    )


def _along(state: FloatArray, drive: Drive, parameters: LungParameters, row: int) -> FloatArray:
    """Give a column of the Jacobian by a central difference."""
    step = np.zeros_like(state)
    step[row] = _STEP * state[row]
    more = derivative(state + step, parameters.volume_ml, drive, parameters)[0]
    less = derivative(state - step, parameters.volume_ml, drive, parameters)[0]
    return np.asarray((more - less)[:, 0] / (2.0 * step[row, 0]))


def _saturation_slope(arterial: FloatArray, parameters: LungParameters) -> float:
    """Percent of saturation per mL/mL of arterial content."""
    ends = []
    for content in (arterial * (1.0 + _STEP), arterial * (1.0 - _STEP)):
        po2 = po2_from_content(content, parameters.capacity, parameters.p50_mmhg)
        ends.append(100.0 * np.asarray(saturation(po2, parameters.p50_mmhg)))
    return float((ends[0] - ends[1])[0] / (2.0 * _STEP * arterial[0]))


def first_order_response(gain: float, lag_s: float, dead_time_s: float) -> Response:
    """Give a first-order lag with dead time in continuous time.

    Parameters
    ----------
    gain : float
        At rest; with an infinite lag the slope per second instead.
    lag_s, dead_time_s : float
        Time constant and dead time.

    Returns
    -------
    callable
        Angular frequency (rad/s) to complex gain.
    """

    def at(omega: FloatArray) -> ComplexArray:
        s = 1j * omega
        lag = s if math.isinf(lag_s) else lag_s * s + 1.0
        return np.asarray(gain * np.exp(-dead_time_s * s) / lag)

    return at


def sampled_every(plant: Response, period_s: int) -> Response:
    """See a plant with steps of a second through a controller with a longer period.

    The request is held over the period and the display is seen once in it, so
    the response is the mean over the frequencies that look alike at that period.

    Parameters
    ----------
    plant : callable
        Response with steps of a second.
    period_s : int
        Whole seconds between two calls of the controller.

    Returns
    -------
    callable
        Response with steps of that period.
    """
    if period_s == 1:
        return plant

    def at(omega: FloatArray) -> ComplexArray:
        found = np.zeros(np.shape(omega), dtype=np.complex128)
        for image in range(period_s):
            seen = omega + 2.0 * math.pi * image / period_s
            hold = sum((np.exp(-1j * seen * tap) for tap in range(period_s)), np.zeros_like(found))
            found += plant(seen) * hold
        return found / period_s

    return at


@dataclass(frozen=True, kw_only=True)
class LinearController:
    """A controller near mid-target, from error to FiO2.

    Attributes
    ----------
    response : callable
        Angular frequency (rad/s) to fraction per percent.
    integrators : int
        Poles at z = 1.
    origin : str
        How it was found.
    """

    response: Response
    integrators: int
    origin: str


def pi_response(controller: PI, *, inside: bool) -> LinearController:
    """Give a PI from its parameters.

    Parameters
    ----------
    controller : PI
        The built-in.
    inside : bool
        With the gain inside the target; otherwise with the full gain.

    Returns
    -------
    LinearController
        ``kp + ki / (1 - 1/z)`` with ``ki = gain period / integral time``.
    """
    share = controller.gain_share_in_target if inside else 1.0
    kp = share * controller.gain_per_pct
    ki = controller.gain_per_pct * controller.period_s / controller.integral_time_s

    def at(omega: FloatArray) -> ComplexArray:
        return np.asarray(kp + ki / (1.0 - np.exp(-1j * omega * controller.period_s)))

    return LinearController(response=at, integrators=1, origin="from its parameters")


def identified_response(
    make: Callable[[], Controller], settings: Settings, rest_fio2: float
) -> LinearController | str:
    """Identify a controller by small pulses of the displayed saturation.

    The change of its request from call to call after a pulse must die out, be
    in proportion to the pulse, and be the sum of the answers to two pulses.

    Parameters
    ----------
    make : callable
        Gives a new controller.
    settings : Settings
        Target and limits.
    rest_fio2 : float
        FiO2 around which it is tried (fraction).

    Returns
    -------
    LinearController or str
        Or the reason why it does not behave as a linear one.
    """
    period_s = make().period_s
    answers = _answers(make(), settings, rest_fio2)
    unit = answers[:, 0] / PULSES_PCT[0]
    scale = float(np.abs(unit).max())
    if scale == 0.0:
        return "does not react to small deviations"
    for lane, pulse in enumerate(PULSES_PCT):
        if np.abs(answers[:, lane] / pulse - unit).max() > LINEAR_TOLERANCE * scale:
            return "not linear: its answer is not in proportion to the deviation"
    late = 40
    both = answers[:, 0].copy()
    both[late:] += answers[:-late, 2]
    if np.abs(answers[:, 3] - both).max() > LINEAR_TOLERANCE * PULSES_PCT[2] * scale:
        return "not linear: its answers do not add up"
    if np.abs(unit[-100:]).max() > 1e-3 * scale:
        return f"not settled {ANSWER_CALLS * period_s} s after a pulse"
    total = float(unit.sum())
    integrates = abs(total) > 1e-3 * float(np.abs(unit).sum())

    def at(omega: FloatArray) -> ComplexArray:
        turn = np.exp(-1j * omega * period_s)
        # An error is the target minus the display, so a pulse up is an error down.
        return np.asarray(-np.polynomial.polynomial.polyval(turn, unit) / (1.0 - turn))

    return LinearController(
        response=at, integrators=int(integrates), origin="identified by small pulses"
    )


def _answers(controller: Controller, settings: Settings, rest_fio2: float) -> FloatArray:
    """Give the changes of the request after a pulse, less what an undisturbed lane does."""
    lanes = len(PULSES_PCT) + 2  # each pulse alone, two pulses one after the other, none
    ask = Asker(controller, settings, lanes)
    command = np.full(lanes, rest_fio2)
    calls = _QUIET_CALLS + ANSWER_CALLS
    requests = np.empty((calls, lanes))
    for call in range(calls):
        shown = np.full(lanes, settings.target_mid_pct)
        if call == _QUIET_CALLS:
            shown[: len(PULSES_PCT)] += PULSES_PCT
            shown[-2] += PULSES_PCT[0]
        if call == _QUIET_CALLS + 40:
            shown[-2] += PULSES_PCT[2]
        command = ask(call * controller.period_s, shown, command)
        requests[call] = command
    ask.close()
    changes = np.diff(requests, axis=0)[_QUIET_CALLS - 1 :]
    return np.asarray(changes[:, :-1] - changes[:, -1:])


__all__ = [
    "LinearController",
    "LinearPlant",
    "Response",
    "first_order_response",
    "identified_response",
    "linear_plant",
    "pi_response",
    "sampled_every",
]
