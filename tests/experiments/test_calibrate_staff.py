"""The calibration script, at a tiny size, and its measure of misfit."""

import pytest

from oxytestbed.experiments.calibrate_staff import (
    FREE,
    TARGETS,
    calibration_scenario,
    fit,
    main,
    misfit,
    report,
)
from oxytestbed.experiments.calibration_sample import measured, sample

MIDDLE = {item.name: 0.5 * (item.low + item.high) for item in TARGETS}


def test_the_middle_of_every_band_fits_best():
    assert misfit(MIDDLE) == 0.0
    for item in TARGETS:
        outside = misfit({**MIDDLE, item.name: item.high + (item.high - item.low)})
        edge = misfit({**MIDDLE, item.name: item.low})
        if item.fitted:
            assert outside > 3.9 and edge == pytest.approx(0.1)
        else:
            assert outside == edge == 0.0


def test_a_figure_that_is_missing_counts_as_a_miss():
    assert misfit({**MIDDLE, "in_target_pct": float("nan")}) > 1.0


def test_the_report_names_every_target_and_what_is_missed():
    text = report({**MIDDLE, "above_pct": 60.0})
    assert all(item.name in text and item.source in text for item in TARGETS)
    assert text.count("MISSED") == 1


@pytest.fixture(scope="module")
def tiny():
    return calibration_scenario(4, 1.5, 5)


def test_parts_of_a_run_add_up_to_the_whole(tiny):
    whole = measured([sample(tiny, 0, 1)])
    parts = measured([sample(tiny, 0, 2), sample(tiny, 1, 2)])
    assert whole.keys() == parts.keys() == MIDDLE.keys()
    assert whole == pytest.approx(parts, nan_ok=True)


def test_the_fit_stays_in_its_ranges(tiny):
    best = fit(tiny, 2, 1)
    assert best.keys() == {item.key for item in FREE}
    assert all(item.low <= best[item.key] <= item.high for item in FREE)


def test_the_start_of_the_fit_lies_in_its_ranges(tiny):
    for item in FREE:
        section, name = item.key.split(".")
        assert item.low <= getattr(getattr(tiny, section), name) <= item.high


def test_the_command_prints_the_report(capsys):
    words = ["--infants", "2", "--hours", "0.4", "--workers", "1"]
    assert main(words) in (0, 1)
    assert "in_target_pct" in capsys.readouterr().out
