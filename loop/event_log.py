"""What happened during a run, as flat records with a type."""

from __future__ import annotations

from typing import NamedTuple


class EventRecord(NamedTuple):
    """One thing that happened to one infant in one arm.

    Attributes
    ----------
    time_s : int
        Tick at which it happened.
    infant : int
        The infant's own number.
    arm : str
        Name of the arm.
    event : str
        What happened, such as ``apnoea_start`` or ``fio2_by_hand``.
    value : float
        A number that goes with it; its meaning depends on `event`.
    detail : str
        A word that goes with it.
    """

    time_s: int
    infant: int
    arm: str
    event: str
    value: float
    detail: str


#: Every type of event, with the meaning of its value and detail.
EVENT_TYPES = {
    "breathing_start": "a breathing event begins; value: its length in s, detail: its kind",
    "breathing_end": "a breathing event ends; detail: its kind",
    "activity_start": "care, a feed, crying or the like begins; value: its length in s",
    "activity_end": "it ends",
    "probe_start": "something happens to the probe; detail: what",
    "probe_end": "it is over",
    "alarm_start": "an alarm begins; value: displayed SpO2, detail: which alarm",
    "alarm_end": "an alarm ends; value: how long it lasted in s, detail: which alarm",
    "alarm_unseen": "an alarm ended before anyone came; value: how long it lasted in s",
    "alarm_escalated": "nobody came to an alarm and others are called; value: its wait in s",
    "override_start": "staff take over from a controller; value: displayed SpO2, detail: why",
    "override_end": "staff give control back; value: how long they held it in s",
    "visit_start": "a nurse comes to the cot; value: wait in s since the need, detail: why",
    "visit_end": "the nurse leaves; value: length of the visit in s, detail: why",
    "fio2_by_hand": "FiO2 is changed by hand; value: the new set FiO2, detail: why",
    "script_start": "a scripted event begins; value: its strength, detail: its name",
    "script_end": "a scripted event ends",
    "mode_change": "a lane changes its mode; value: the new `Mode`, detail: its name",
    "alert_start": "a safeguard calls staff; value: displayed SpO2, detail: which safeguard",
    "alert_end": "that call ends; detail: which safeguard",
    "limit_start": "safeguards keep FiO2 below the request; value: where",
    "limit_end": "they do so no more",
    "controller_failed": "a controller gave no usable output and is out of the loop",
    "controller_no_value": "a controller gave NaN for this infant; the FiO2 is held",
}
