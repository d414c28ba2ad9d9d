import io

import pytest

from oxytestbed.experiments import progress as module
from oxytestbed.experiments.progress import ProgressLine

HOUR_S = 3600


class Terminal(io.StringIO):
    def isatty(self):
        return True


@pytest.fixture
def clock(monkeypatch):
    """A clock that a test sets by hand."""
    now = [100.0]
    monkeypatch.setattr(module.time, "monotonic", lambda: now[0])
    return now


def test_without_a_terminal_there_is_a_plain_line_for_each_tenth(clock):
    out = io.StringIO()
    line = ProgressLine(out)
    for done in range(0, 1001):
        clock[0] += 0.01
        line(done * HOUR_S, 1000 * HOUR_S)
    line.close()
    text = out.getvalue()
    lines = text.splitlines()
    assert len(lines) == 11
    assert "\r" not in text and "\x1b" not in text
    assert lines[0].startswith("simulated 0 of 1,000 infant-hours (0 %)")
    assert "(10 %)" in lines[1] and "(50 %)" in lines[5]
    assert lines[10].startswith("simulated 1,000 of 1,000 infant-hours (100 %)")


def test_a_long_step_gives_one_line_and_not_several(clock):
    out = io.StringIO()
    line = ProgressLine(out)
    for done in (0, 95, 100):
        clock[0] += 1.0
        line(done, 100)
    assert len(out.getvalue().splitlines()) == 3


def test_on_a_terminal_the_line_is_drawn_in_place(clock):
    out = Terminal()
    line = ProgressLine(out)
    for done in range(101):
        clock[0] += 0.05  # twenty calls a second, but at most five are drawn
        line(done, 100)
    assert "\n" not in out.getvalue()
    drawn = out.getvalue().split("\r\x1b[K")[1:]
    assert 20 <= len(drawn) <= 30
    assert "(100 %)" in drawn[-1]
    line.close()
    assert out.getvalue().endswith("\n")


def test_rate_and_time_left_follow_the_clock(clock):
    out = Terminal()
    line = ProgressLine(out)
    line(0, 100 * HOUR_S)
    clock[0] += 10.0
    line(25 * HOUR_S, 100 * HOUR_S)
    assert out.getvalue().endswith("simulated 25 of 100 infant-hours (25 %), 2 per s, 30 s left")
    clock[0] += 30.0
    line(100 * HOUR_S, 100 * HOUR_S)
    assert out.getvalue().endswith("simulated 100 of 100 infant-hours (100 %), 2 per s")


def test_what_was_found_finished_says_nothing_about_the_rate(clock):
    out = Terminal()
    line = ProgressLine(out)
    line(50 * HOUR_S, 100 * HOUR_S)
    clock[0] += 10.0
    line(75 * HOUR_S, 100 * HOUR_S)
    assert out.getvalue().endswith("simulated 75 of 100 infant-hours (75 %), 2 per s, 10 s left")


def test_nothing_to_do_is_done(clock):
    out = io.StringIO()
    ProgressLine(out)(0, 0)
    assert "(100 %)" in out.getvalue()
