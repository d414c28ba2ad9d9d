"""Fitted values of the staff model, with where each comes from.

This is the one place that holds them; `staff_settings` takes its defaults from
here. They were fitted by hand, by scans, to the calibration figures that the
calibration script on the top floor lists, on seeds 11 to 15 and 9001 (24 to 100 settled
infants, 12 to 24 h, by hand, target 90-95, with all activities, periodic breathing
and artefacts on). Measured afterwards on seed 7001 (60 infants, 16 h) and on seed
60601 (200 infants, 24 h), every figure was met but for the four below. The script,
``calibrate_staff``, measures them on a seed that was not used; with ``--evaluations``
it goes on fitting from here. The load was fitted with them: see `models.cohort_values`.

What cannot hold together, and what was chosen:

* Rebound to 95 % in 79 % of rescues against steps up of 5 points. At a local gain of
  0.4 to 1.4 points of saturation for each point of oxygen, a step of 5 nearly always
  brings one reading of 95 % within 15 min, and 95 % lies inside the target. The step
  size and the times in range were kept; nearly every rescue rebounds.
* Readings above the alarm limit in 22.5 % of the 9 min before a step down against time
  above the target of 28-42 %. Staff who step down mostly inside the target leave too
  little time above it. The time above was kept; about half of those readings are high.
* A spread of 10-16 points in time in target between infants against one settled infant
  in five who sits at 95-99 % in room air. Given oxygen for a fall, such an infant is above
  the target nearly all the time that it is on oxygen; once that adds up to an hour it
  counts. Among infants who need oxygen the spread was 12 to 14 points, over all 16.4 to 18.3
  (seeds 15, 9001, 7001 and 60601). The infants in room air were kept.
* 41-60 episodes below 80 % a day (10 s or more) against 0.6-2 % of time below 80 % and
  2-7 % below 85 %. The times were kept; there are about 20 such episodes a day.
"""

from __future__ import annotations

#: Low alarms met by a nurse already at the cot, and others that are answered soon
#: (fractions), to 12-20 % answered in 90 s (Joshi, PLoS One 2017, PMC5628801).
AT_COT_SHARE = 0.04
PROMPT_SHARE = 0.03
#: Median delays of the others and of high alarms (s), to the times in range and to
#: 50.8 % of the 9 min before a step up in low alarm (ADC 2012;97(S2):A502).
LATE_DELAY_S = 400.0
HIGH_DELAY_S = 200.0
#: Time between planned visits (min), to 2.4-2.98 changes of FiO2 an hour (A502; Acta
#: Paediatr 2012, PMID 22040264).
ROUND_INTERVAL_MIN = 40.0
#: High readings that are let be, and readings in the top of the target that are weaned
#: from (fractions), to the time above the target and to 1.5 steps down for each up.
TOLERATE_HIGH_SHARE = 0.2
WEAN_SHARE = 0.5
#: Median steps (points of FiO2), to +5 and -3 (medians) and 4.6 and 4.5 (means), with
#: the large steps around procedures among them (Acta Paediatr 2012; A502).
STEP_UP_PCT = 4.0
STEP_UP_SEVERE_PCT = 5.0
STEP_DOWN_PCT = -3.0
STEP_DOWN_FROM_98_PCT = -3.0
#: Hands-on care for which extra oxygen is given, and how much (points of FiO2), to 126
#: large steps in 726 h (Acta Paediatr 2012).
PREOXYGENATE_SHARE = 0.055
PREOXYGENATE_PCT = 17.0
