"""Random streams: one generator for each infant and each cause.

Infant *i* meets the same noise and the same events in every arm, however many
infants, arms or workers there are, because nothing is drawn from a stream that
two causes or two infants share.
"""

from __future__ import annotations

from enum import IntEnum

import numpy as np

#: Exogenous signals are drawn in blocks of this many ticks. Part of the
#: promise of equal bits: block functions always see arrays of this length.
BLOCK_TICKS = 1800


class Cause(IntEnum):
    """What a stream is for. A number, once given, is never used again."""

    PARAMETERS = 1
    APNOEA = 2
    SHUNT_DRIFT = 3
    VENTILATION_DRIFT = 4
    OXIMETER_NOISE = 5
    OXIMETER_DROPOUT = 6
    HEART_RATE = 7
    STAFF_ROUNDS = 8
    STAFF_ALARMS = 9
    STAFF_STEPS = 10
    BLENDER = 11
    BOOTSTRAP = 12
    ACTIVITIES = 21
    PERIODIC_BREATHING = 22
    MOTION = 23
    PROBE_EVENTS = 24
    TUNING = 31
    STAFF_DAY = 41
    STAFF_OVERRIDES = 42
    ALARM_LIMITS = 43
    FAULTS = 51
    REPLAY = 61
    REPLAY_COURSES = 62
    REPLAY_TRIAL = 63
    REPLAY_SAMPLE = 64


def stream(seed: int, infant: int, cause: Cause) -> np.random.Generator:
    """Open the generator of one infant and one cause at its beginning.

    Parameters
    ----------
    seed : int
        Seed of the run.
    infant : int
        The infant's own number, which does not depend on its place in a run.
    cause : Cause
        What the numbers are for.

    Returns
    -------
    numpy.random.Generator
    """
    sequence = np.random.SeedSequence(seed, spawn_key=(int(infant), int(cause)))
    return np.random.Generator(np.random.PCG64(sequence))
