"""The twin of twin.c and twin.py, as a program that knows nothing of the testbed."""

import json
import sys


class Lane:
    def __init__(self, settings):
        self.target = 0.5 * (settings["target_low_pct"] + settings["target_high_pct"])
        self.held = self.integral = None

    def act(self, spo2_pct, pulse_rate_bpm, set_fio2):
        if self.held is None:
            self.held = self.integral = set_fio2
        if spo2_pct is None:
            return self.held
        error = self.target - spo2_pct
        gain = 0.011 if spo2_pct < 85.0 else 0.0037
        if pulse_rate_bpm < 100.0:
            gain = gain / 3.0
        self.integral = self.integral + gain * error / 31.0
        self.held = self.integral + gain * error
        return self.held

    def track(self, applied_fio2, active):
        self.integral = self.integral + (applied_fio2 - self.held) / 7.0
        self.held = applied_fio2
        if not active:
            self.integral = applied_fio2


def main():
    lanes = []
    for line in sys.stdin:
        ((message, content),) = json.loads(line).items()
        if message == "reset":
            lanes = [Lane(content["settings"]) for _ in range(content["lanes"])]
            answer = {"name": "twin-program", "period_s": 2}
        elif message == "act":
            columns = (content[name] for name in ("spo2_pct", "pulse_rate_bpm", "set_fio2"))
            rows = zip(lanes, *columns, strict=True)
            answer = {"fio2": [lane.act(*row) for lane, *row in rows]}
        else:
            for lane, *row in zip(lanes, content["applied_fio2"], content["active"], strict=True):
                lane.track(*row)
            continue
        print(json.dumps(answer), flush=True)


if __name__ == "__main__":
    main()
