import numpy as np
import pytest

from oxytestbed.loop.recording import Recording

FLOATS = ("sao2", "pao2_mmhg", "set_fio2", "inspired_fio2", "heart_rate_bpm")


def written(samples=3, lanes=2, warmup_s=1):
    recording = Recording(samples, lanes, warmup_s)
    for tick in range(samples):
        spo2 = np.array([90.0 + tick, 100.0])
        valid = np.array([tick != 1, True])
        recording.write(
            tick,
            spo2_pct=np.where(valid, spo2, np.nan),
            valid=valid,
            apnoea=np.array([tick, 0]),
            sao2=np.array([0.9, 0.95]) + 0.001 * tick,
            pao2_mmhg=np.array([50.0, 60.0]) + tick,
            set_fio2=np.array([0.21, 0.30]),
            inspired_fio2=np.array([0.215, 0.305]),
            heart_rate_bpm=np.array([150.0, 160.0]) - tick,
        )
    return recording


def test_a_lane_comes_back_in_the_units_of_a_trace():
    trace = written().trace(0)
    np.testing.assert_array_equal(trace.spo2_pct, [90, np.nan, 92])
    np.testing.assert_allclose(trace.sao2_pct, [90.0, 90.1, 90.2], atol=1e-4)
    np.testing.assert_array_equal(trace.pao2_mmhg, [50, 51, 52])
    np.testing.assert_allclose(trace.set_fio2, 0.21, atol=1e-7)
    np.testing.assert_allclose(trace.inspired_fio2, 0.215, atol=1e-7)
    np.testing.assert_array_equal(trace.heart_rate_bpm, [150, 149, 148])
    np.testing.assert_array_equal(trace.apnoea, [0, 1, 2])
    assert trace.warmup_s == 1 and len(trace) == 3


def test_a_full_display_is_a_reading():
    np.testing.assert_array_equal(written().trace(1).spo2_pct, [100, 100, 100])


def test_what_was_never_written_has_no_reading():
    assert np.isnan(Recording(4, 1, 0).trace(0).spo2_pct).all()


def test_a_trace_is_a_copy():
    recording = written()
    recording.trace(0).spo2_pct[:] = 0.0
    assert recording.trace(0).spo2_pct[0] == 90.0


def test_an_invalid_reading_is_not_kept_even_if_it_has_a_number():
    recording = Recording(1, 1, 0)
    recording.write(0, spo2_pct=np.array([88.0]), valid=np.array([False]), apnoea=np.zeros(1))
    assert np.isnan(recording.trace(0).spo2_pct[0])


def test_an_unknown_signal_is_refused():
    with pytest.raises(KeyError, match="spo3"):
        Recording(1, 1, 0).write(
            0,
            spo2_pct=np.ones(1),
            valid=np.ones(1, dtype=bool),
            apnoea=np.zeros(1),
            spo3=np.ones(1),
        )


def test_whole_percents_of_fio2_survive_the_compact_form():
    """A set FiO2 is compared with whole percents, so it must not slip below one."""
    percents = np.arange(21, 101)
    recording = Recording(1, 80, 0)
    recording.write(
        0,
        spo2_pct=np.full(80, 93.0),
        valid=np.ones(80, dtype=bool),
        apnoea=np.zeros(80, dtype=np.int64),
        **dict.fromkeys(FLOATS, percents / 100.0),
    )
    back = np.array([recording.trace(lane).set_fio2[0] for lane in range(80)])
    np.testing.assert_array_equal(np.floor(100.0 * back + 0.5), percents)
