"""Arterial saturations tell the bias of the probe: what they narrow, and which are refused."""

import numpy as np
import pytest

from oxytestbed.experiments.replay_bias import (
    BIAS_SD_PCT,
    SHOWN_WITHIN_S,
    UNKNOWN_BIAS,
    ArterialSample,
    ProbeBias,
    probe_bias,
    read_sample,
)
from oxytestbed.experiments.replay_draws import draw_candidates
from oxytestbed.experiments.replay_reader import BedsideRecording, read_recording
from oxytestbed.models.errors import TestbedError

SECONDS = 900


def recording(spo2_pct=93.0, interval_s=1.0):
    shown = np.full(SECONDS, np.nan)
    shown[:: int(interval_s)] = spo2_pct
    return BedsideRecording(
        spo2_pct=shown, fio2=np.full(SECONDS, 0.3), rows=SECONDS, interval_s=interval_s, name="a"
    )


def sample(time_s=100.0, sao2_pct=91.0):
    return ArterialSample(time_s=time_s, sao2_pct=sao2_pct)


def test_without_a_sample_nothing_is_known():
    assert probe_bias(recording(), ()) == UNKNOWN_BIAS == ProbeBias(mean_pct=0.0)
    assert UNKNOWN_BIAS.sd_pct == BIAS_SD_PCT


def test_a_probe_that_shows_too_much_has_a_positive_bias():
    told = probe_bias(recording(93.0), [sample(sao2_pct=91.0)])
    assert 0.0 < told.mean_pct < 2.0  # between what was measured and what probes have in general
    assert probe_bias(recording(89.0), [sample(sao2_pct=91.0)]).mean_pct == -told.mean_pct


def test_more_samples_never_widen_and_come_nearer():
    before = UNKNOWN_BIAS
    for count in range(1, 5):
        told = probe_bias(recording(), [sample(time_s=100.0 * n) for n in range(count)])
        assert told.sd_pct < before.sd_pct
        assert told.mean_pct > before.mean_pct
        assert told.samples == count
        before = told


def test_a_sample_counts_less_where_the_saturation_moved():
    moving = 93.0 + 4.0 * np.sin(np.arange(SECONDS) / 4.0)
    still, moved = (probe_bias(recording(x), [sample()]) for x in (93.0, moving))
    assert moved.sd_pct > still.sd_pct
    assert abs(moved.mean_pct) < abs(still.mean_pct)


def test_a_slow_recorder_is_looked_at_for_longer_and_tells_less():
    slow = recording(interval_s=60.0)
    told = probe_bias(slow, [sample(time_s=61.0)])
    assert told.samples == 1
    assert told.sd_pct > probe_bias(recording(), [sample(time_s=61.0)]).sd_pct


def test_times_count_from_the_first_line_also_where_oxygen_is_known_later(tmp_path):
    # FiO2 from 300 s on; SpO2 is 95 % until 700 s and 89 % afterwards.
    lines = [f"{t},{95 if t < 700 else 89},{'' if t < 300 else 30}" for t in range(1500)]
    path = tmp_path / "late.csv"
    path.write_text("\n".join(["time_s,spo2,fio2", *lines]), encoding="utf-8")
    late = read_recording(path)
    assert late.start_s == 300
    assert probe_bias(late, [sample(time_s=500.0, sao2_pct=93.0)]).mean_pct > 0.0
    assert probe_bias(late, [sample(time_s=1400.0, sao2_pct=91.0)]).mean_pct < 0.0
    for outside in (299.0, 1500.0):
        with pytest.raises(TestbedError, match="from 300 s to before the recording ends"):
            probe_bias(late, [sample(time_s=outside)])


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (sample(time_s=SECONDS), "before the recording ends"),
        (sample(sao2_pct=75.0), "from a vein"),
        (sample(time_s=400.0), "a reading of SpO2 in the"),
    ],
)
def test_a_sample_that_cannot_belong_to_the_recording_is_refused(given, words):
    shown = np.full(SECONDS, 93.0)
    shown[400 : 401 + SHOWN_WITHIN_S] = np.nan
    with pytest.raises(TestbedError, match=words) as told:
        probe_bias(recording(shown), [given])
    assert f"arterial sample at {given.time_s:g} s" in str(told.value)


@pytest.mark.parametrize("text", ["1800", "1800:92", "=92", "a=92", "1800=", "1800=49", "-1=92"])
def test_what_is_no_sample_is_refused(text):
    with pytest.raises(TestbedError, match=r"arterial sample|--sao2"):
        read_sample(text)


def test_a_sample_is_read_as_it_is_written():
    assert read_sample(" 1800 = 92.5 ") == ArterialSample(time_s=1800.0, sao2_pct=92.5)


def test_candidates_suppose_what_is_known():
    told = ProbeBias(mean_pct=1.5, sd_pct=0.4, samples=2)
    drawn = draw_candidates(5, 60, spo2_pct=93.0, fio2=0.3, bias=told).infants
    assert drawn.spo2_bias_pct.mean() == pytest.approx(1.5, abs=0.1)
    assert drawn.spo2_bias_pct.std() == pytest.approx(0.4, abs=0.1)
    assert np.allclose(drawn.spo2_rest_pct + drawn.spo2_bias_pct, 93.0)
    usual = draw_candidates(5, 60, spo2_pct=93.0, fio2=0.3)
    unknown = draw_candidates(5, 60, spo2_pct=93.0, fio2=0.3, bias=UNKNOWN_BIAS)
    assert np.array_equal(usual.infants.spo2_bias_pct, unknown.infants.spo2_bias_pct)
