"""The twin of twin.c and twin_program.py, in Python for one infant."""

from oxytestbed.loop.controller import PerInfant


class Twin:
    name, period_s = "twin in Python", 2

    def reset(self, settings):
        self.target = 0.5 * (settings.target_low_pct + settings.target_high_pct)
        self.held = self.integral = None

    def act(self, reading):
        if self.held is None:
            self.held = self.integral = reading.set_fio2
        if not reading.valid:
            return self.held
        error = self.target - reading.spo2_pct
        gain = 0.011 if reading.spo2_pct < 85.0 else 0.0037
        if reading.pulse_rate_bpm < 100.0:
            gain = gain / 3.0
        self.integral = self.integral + gain * error / 31.0
        self.held = self.integral + gain * error
        return self.held

    def track(self, applied_fio2, active):
        self.integral = self.integral + (applied_fio2 - self.held) / 7.0
        self.held = applied_fio2
        if not active:
            self.integral = applied_fio2


def per_infant():
    return PerInfant(Twin)
