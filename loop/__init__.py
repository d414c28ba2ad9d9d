"""The clock, controllers, alarms, bedside staff, the recording and the outcomes."""
