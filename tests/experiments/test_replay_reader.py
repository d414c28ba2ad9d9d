"""Reading bedside recordings: units, times, gaps, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest

from oxytestbed.experiments.replay_reader import HEADINGS, read_recording
from oxytestbed.models.errors import TestbedError


def rows(count=700, spo2=92, fio2=30, step=1):
    return [f"{step * k},{spo2},{fio2}" for k in range(count)]


def write(tmp_path, lines, head="time_s,spo2,fio2"):
    path = tmp_path / "bed.csv"
    path.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
    return path


def test_percent_and_fraction_give_the_same(tmp_path):
    percent = read_recording(write(tmp_path, rows()))
    fraction = read_recording(write(tmp_path, rows(spo2=0.92, fio2=0.30)))
    np.testing.assert_allclose(percent.spo2_pct, 92.0)
    np.testing.assert_allclose(fraction.spo2_pct, 92.0)
    np.testing.assert_allclose(percent.fio2, 0.30)
    np.testing.assert_allclose(fraction.fio2, 0.30)


def test_saturation_in_percent_beside_oxygen_as_a_fraction_is_read(tmp_path):
    recording = read_recording(write(tmp_path, rows(fio2=0.3)))
    assert recording.spo2_pct[0] == 92.0
    assert recording.fio2[0] == pytest.approx(0.3)


def test_iso_times_and_gaps(tmp_path):
    lines = [f"2030-01-01T00:{k // 2:02d}:{30 * (k % 2):02d},92,30" for k in range(60)]
    lines[10] = lines[10].replace(",92,", ",,")
    recording = read_recording(write(tmp_path, lines, head="Timestamp, SpO2 (%), FiO2 (%)"))
    assert recording.interval_s == 30.0
    assert len(recording) == 59 * 30 + 1
    assert np.isnan(recording.spo2_pct[300])
    assert np.isfinite(recording.spo2_pct).sum() == 59


def test_irregular_times_and_faster_than_1_hz_are_thinned_to_1_hz(tmp_path):
    lines = [f"{0.25 * k},{90 + k % 4},30" for k in range(4 * 700)]
    recording = read_recording(write(tmp_path, lines), piece_rows=333)
    assert len(recording) == 700
    np.testing.assert_array_equal(recording.spo2_pct, 93.0)  # the last of each second


def test_oxygen_is_held_and_begins_the_recording(tmp_path):
    lines = [f"{k},92,{30 if k == 50 else ''}" for k in range(800)]
    recording = read_recording(write(tmp_path, lines))
    assert len(recording) == 750
    np.testing.assert_allclose(recording.fio2, 0.30)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"head": "time_s,sp02,fio2"}, "a column spo2.*Did you mean"),
        ({"head": "time_s,spo2,fio2,FiO2 pct"}, "one column for fio2"),
        ({"lines": [*rows(), "800,0.92,30"]}, "percent and fractions mixed"),
        ({"lines": [*rows(), "800,92,0.3"]}, "percent and fractions mixed"),
        ({"lines": [*rows(), "699,92,30"]}, "line 702.*the same time again"),
        ({"lines": [*rows(), "5,92,30"]}, "line 702.*an earlier one"),
        ({"lines": [*rows(), "800,0,30"]}, "never 0"),
        ({"lines": [*rows(), "800,120,30"]}, "line 702.*column spo2"),
        ({"lines": [*rows(), "800,92,18"]}, "line 702.*column fio2.*21 to 100"),
        ({"lines": [*rows(), "later,92,30"]}, "a time in seconds"),
        ({"lines": [*rows(), "800,high,30"]}, "'high'"),
        ({"lines": []}, "lines with numbers"),
        ({"lines": rows(20)}, "at least 10 min"),
        ({"lines": rows(700, spo2="")}, "at least one value"),
        ({"head": "time_s,spo2_fraction,fio2"}, "fraction, as headed"),
        ({"lines": [*rows(), "5000,92,"]}, "no FiO2 for"),
    ],
)
def test_bad_input_is_named(tmp_path, change, words):
    path = write(tmp_path, change.get("lines", rows()), change.get("head", "time_s,spo2,fio2"))
    with pytest.raises(TestbedError, match=words):
        read_recording(path)


def test_a_folder_an_empty_file_and_another_encoding(tmp_path):
    with pytest.raises(TestbedError, match="can be read"):
        read_recording(tmp_path)
    empty = tmp_path / "empty.csv"
    empty.write_text("", encoding="utf-8")
    with pytest.raises(TestbedError, match="an empty file"):
        read_recording(empty)
    strange = tmp_path / "strange.csv"
    strange.write_bytes("time_s,spo2,fio2\n".encode("utf-16"))
    with pytest.raises(TestbedError, match="UTF-8"):
        read_recording(strange)
    late = tmp_path / "late.csv"
    late.write_bytes(b"time_s,spo2,fio2,note\n0,92,30,ok\n1,92,30,\xff\xfe\n")
    with pytest.raises(TestbedError, match="UTF-8"):
        read_recording(late)


def test_a_file_that_is_too_long_is_refused_after_the_piece_that_goes_beyond(tmp_path):
    path = write(tmp_path, rows(5000))
    with pytest.raises(TestbedError, match="at most 2000 lines"):
        read_recording(path, most_rows=2000, piece_rows=500)
    with pytest.raises(TestbedError, match="a recording of at most 1 h"):
        read_recording(path, longest_s=3600, piece_rows=500)


def test_no_heading_serves_two_columns():
    every = [heading for spellings in HEADINGS.values() for heading in spellings]
    assert len(every) == len(set(every))
