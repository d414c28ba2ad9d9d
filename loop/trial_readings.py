"""Made-up readings on which a controller can be tried without a simulation."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
from numpy.typing import NDArray

from .controller import make_reading
from .signals import Reading, Settings

#: How long the made-up readings last.
TRIAL_S = 600

DEFAULT_SETTINGS = Settings(target_low_pct=91.0, target_high_pct=95.0, fio2_min=0.21, fio2_max=1.0)


def plausible_readings(
    lanes: int,
    *,
    period_s: int = 1,
    settings: Settings = DEFAULT_SETTINGS,
    kind: int = 0,
    start_s: int = 0,
) -> list[Reading]:
    """Make up ten minutes of readings with steps, dropouts and desaturations.

    Parameters
    ----------
    lanes : int
        How many lanes; each gets signals of its own.
    period_s : int
        Seconds from one reading to the next.
    settings : Settings
        Target and limits.
    kind : int
        Another number gives other signals.
    start_s : int
        Time of the first reading.

    Returns
    -------
    list of Reading
        The same for the same arguments.
    """
    draw = np.random.Generator(np.random.PCG64([20, kind]))
    steps = TRIAL_S // period_s + 1
    seconds = np.arange(steps)[:, np.newaxis] * period_s
    phase = draw.uniform(0.0, 60.0, size=lanes)
    spo2 = 92.0 + 4.0 * np.sin((seconds + phase) / 40.0)
    spo2 = spo2 - np.where((seconds + phase) % 170.0 < 30.0, 15.0, 0.0)
    spo2 = spo2 + draw.normal(0.0, 1.0, size=spo2.shape)
    spo2 = np.clip(np.rint(spo2), 40.0, 100.0)
    lost = (seconds + 2.0 * phase) % 130.0 < 12.0
    spo2 = np.where(lost, np.nan, spo2)
    start = np.linspace(0.25, 0.60, lanes)
    set_fio2 = start + np.where(seconds % 300 < 150, 0.0, 0.05)
    return [
        make_reading(
            lanes,
            time_s=start_s + step * period_s,
            spo2_pct=spo2[step],
            set_fio2=np.rint(100.0 * set_fio2[step]) / 100.0,
            **limits_of(settings),
        )
        for step in range(steps)
    ]


def limits_of(settings: Settings) -> dict[str, float]:
    """Return the target range and the FiO2 limits under their names in `Reading`.

    Parameters
    ----------
    settings : Settings
        Target and limits.

    Returns
    -------
    dict of str to float
        Keyword arguments for `make_reading`.
    """
    return {item.name: getattr(settings, item.name) for item in fields(Settings)}


def choose_lanes(reading: Reading, places: NDArray[np.int64]) -> Reading:
    """Choose lanes of a reading, in the order given.

    Parameters
    ----------
    reading : Reading
        Of all lanes.
    places : ndarray of int
        Lanes to take.

    Returns
    -------
    Reading
    """
    chosen = {
        item.name: getattr(reading, item.name)[places]
        for item in fields(Reading)
        if item.name != "time_s"
    }
    return make_reading(len(places), time_s=reading.time_s, **chosen)
