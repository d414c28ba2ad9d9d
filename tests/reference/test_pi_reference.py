"""The PI against the closed loop as two other libraries compute it.

Plant: first order with dead time, sampled with a zero-order hold; no noise,
no whole percents. scipy.signal 1.11+ and python-control 0.10+ are the
references; both get the transfer functions of the documented law, never the
controller's code.
"""

import control
import numpy as np
import pytest
from scipy import signal

from oxytestbed.loop.controller import make_reading
from oxytestbed.loop.controllers.pi import PI
from oxytestbed.loop.signals import Settings

SETTINGS = Settings(target_low_pct=91, target_high_pct=95, fio2_min=0.0, fio2_max=2.0)
STEPS = 600
#: Both sides use double precision; what differs is the order of rounding.
#: Measured up to 4e-12 SpO2 points, so 1e-9 leaves room for other builds.
TOLERANCE = 1e-9


def plant(gain_pct_per_pct, tau_s, dead_time_s, period_s):
    """Numerator, denominator and dead time in periods, from FiO2 fraction to SpO2 points."""
    continuous = ([100.0 * gain_pct_per_pct], [tau_s, 1.0])
    num, den, _ = signal.cont2discrete(continuous, period_s, method="zoh")
    return num.ravel()[-1], -den[1], dead_time_s // period_s


def closed_loop(controller, disturbance_pct, target_step_pct, gain, tau_s, dead_time_s):
    """Run the controller on the plant; SpO2 starts in mid-target at rest."""
    b, a, delay = plant(gain, tau_s, dead_time_s, controller.period_s)
    controller.reset(1, SETTINGS)
    low, high = 91.0, 95.0
    waiting = [0.0] * (delay + 1)
    state, spo2, fio2 = 0.0, [], []
    for step in range(STEPS):
        if step == 1:
            low, high = low + target_step_pct, high + target_step_pct
        state = a * state + b * waiting[0]
        value = 93.0 + state + (disturbance_pct if step >= 1 else 0.0)
        reading = make_reading(
            1,
            spo2_pct=value,
            set_fio2=0.5,
            target_low_pct=low,
            target_high_pct=high,
            fio2_min=0.0,
            fio2_max=2.0,
        )
        request = controller.act(reading)[0]
        waiting = [*waiting[1:], request - 0.5]
        spo2.append(value - 93.0)
        fio2.append(request - 0.5)
    return np.array(spo2), np.array(fio2)


def transfer_functions(controller, gain, tau_s, dead_time_s):
    """Build error to FiO2 and FiO2 to SpO2 in python-control, from the documented law."""
    period_s = controller.period_s
    b, a, delay = plant(gain, tau_s, dead_time_s, period_s)
    kp = controller.gain_per_pct
    ki = kp * period_s / controller.integral_time_s
    law = control.tf([kp + ki, -kp], [1.0, -1.0], period_s)
    process = control.tf([b], [1.0, -a] + [0.0] * delay, period_s)
    return law, process


@pytest.mark.parametrize(
    ("gain", "tau_s", "dead_time_s", "period_s"),
    [(1.0, 40, 20, 1), (2.0, 20, 20, 1), (4.0, 40, 20, 1), (0.4, 60, 20, 5)],
)
def test_target_step_agrees_with_python_control(gain, tau_s, dead_time_s, period_s):
    controller = PI(gain_share_in_target=1.0, period_s=period_s)
    spo2, fio2 = closed_loop(controller, 0.0, 2.0, gain, tau_s, dead_time_s)
    law, process = transfer_functions(controller, gain, tau_s, dead_time_s)
    step = np.where(np.arange(STEPS) >= 1, 2.0, 0.0)
    times = np.arange(STEPS) * period_s
    expected = control.forced_response(control.feedback(law * process, 1), times, step).outputs
    np.testing.assert_allclose(spo2, expected, atol=TOLERANCE)
    expected = control.forced_response(control.feedback(law, process), times, step).outputs
    np.testing.assert_allclose(fio2, expected, atol=TOLERANCE)
    assert spo2.max() > 1.0  # the step is really seen


@pytest.mark.parametrize(("gain", "tau_s"), [(1.0, 40), (2.0, 60)])
def test_disturbance_step_agrees_with_scipy(gain, tau_s):
    controller = PI(gain_share_in_target=1.0)
    spo2, _ = closed_loop(controller, -10.0, 0.0, gain, tau_s, 20)
    law, process = transfer_functions(controller, gain, tau_s, 20)
    loop_num = np.polymul(law.num[0][0], process.num[0][0])
    loop_den = np.polymul(law.den[0][0], process.den[0][0])
    sensitivity = (loop_den, np.polyadd(loop_den, loop_num), 1.0)
    step = np.where(np.arange(STEPS) >= 1, -10.0, 0.0)
    _, expected = signal.dlsim(sensitivity, step)
    np.testing.assert_allclose(spo2, expected.ravel(), atol=TOLERANCE)
    assert spo2.min() == -10.0


def test_inside_the_target_the_loop_is_linear_with_the_shared_gain():
    controller = PI()
    spo2, _ = closed_loop(controller, -1.5, 0.0, 1.0, 40, 20)
    share = controller.gain_share_in_target
    inside = PI(
        gain_per_pct=share * controller.gain_per_pct,
        integral_time_s=share * controller.integral_time_s,
        gain_share_in_target=1.0,
    )
    law, process = transfer_functions(inside, 1.0, 40, 20)
    step = np.where(np.arange(STEPS) >= 1, -1.5, 0.0)
    expected = control.forced_response(control.feedback(1, law * process), inputs=step).outputs
    np.testing.assert_allclose(spo2, expected, atol=TOLERANCE)


@pytest.mark.parametrize("share", [1.0, 0.5])
def test_default_tuning_is_stable_over_the_whole_range_of_infants(share):
    """Gain 0.4-4 and time constant 20-60 s, dead time 20 s: the range the tuning is for."""
    default = PI()
    controller = PI(
        gain_per_pct=share * default.gain_per_pct,
        integral_time_s=share * default.integral_time_s,
    )
    for gain in (0.4, 1.0, 2.0, 4.0):
        for tau_s in (20, 40, 60):
            law, process = transfer_functions(controller, gain, tau_s, 20)
            # A gain margin of m means: still stable with m times the gain.
            margin = 1.85 if (gain, tau_s) == (4.0, 40) else 1.2
            poles = control.feedback(margin * law * process, 1).poles()
            assert np.abs(poles).max() < 1.0, (gain, tau_s)


def test_the_next_larger_round_gain_is_unstable_in_the_worst_corner():
    """Why the default is not 0.005."""
    law, process = transfer_functions(PI(gain_per_pct=0.005), 4.0, 20, 20)
    assert np.abs(control.feedback(law * process, 1).poles()).max() > 1.0
