"""Cohort files: an exact round trip, and an error with its place for every fault."""

import csv
from dataclasses import fields

import numpy as np
import pytest

from oxytestbed.experiments.cohort_files import infants_frame, read_infants, write_infants
from oxytestbed.models.cohort import CohortSettings, draw_infants
from oxytestbed.models.errors import TestbedError
from oxytestbed.models.infants import Infants


@pytest.fixture(scope="module")
def infants():
    return draw_infants(5, CohortSettings(infants=6, stratum="unstable"), 92.5).infants


@pytest.fixture
def table(infants, tmp_path):
    """The written file as a list of rows, to be spoilt."""
    path = tmp_path / "good.csv"
    write_infants(infants, path)
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.reader(file))


@pytest.fixture
def save(tmp_path):
    def saved(rows):
        path = tmp_path / "cohort.csv"
        path.write_text("\n".join(",".join(row) for row in rows) + "\n", encoding="utf-8")
        return path

    return saved


def column(table, name):
    return table[0].index(name)


def refused(path, *parts):
    with pytest.raises(TestbedError) as caught:
        read_infants(path)
    for part in parts:
        assert part in str(caught.value), str(caught.value)


def test_round_trip_is_exact(infants, tmp_path):
    path = tmp_path / "cohort.csv"
    write_infants(infants, path)
    back = read_infants(path)
    for item in fields(Infants):
        written, read = getattr(infants, item.name), getattr(back, item.name)
        assert np.array_equal(written, read), item.name
        assert read.dtype.kind == written.dtype.kind, item.name


def test_frame_has_the_columns_and_numbers_of_a_file(infants, table):
    frame = infants_frame(infants)
    assert list(frame.columns) == table[0]
    assert len(frame) == len(infants)
    assert np.array_equal(frame["hb_g_dl"].to_numpy(), infants.hb_g_dl)
    assert frame["stratum"].tolist() == ["unstable"] * 6


def test_columns_may_stand_in_any_order(infants, table, save):
    back = read_infants(save([row[::-1] for row in table]))
    assert np.array_equal(back.hb_g_dl, infants.hb_g_dl)


def test_a_spreadsheets_file_is_read(infants, table, tmp_path):
    path = tmp_path / "cohort.csv"
    text = "\r\n".join(" , ".join(row) for row in table) + "\r\n\r\n"
    path.write_bytes(b"\xef\xbb\xbf" + text.encode())
    assert np.array_equal(read_infants(path).hb_g_dl, infants.hb_g_dl)


def test_share_of_ventilation_is_solved_where_it_is_left_out(infants, table, save):
    place = column(table, "ventilation_share_poor")
    without = [row[:place] + row[place + 1 :] for row in table]
    back = read_infants(save(without))
    np.testing.assert_allclose(
        back.ventilation_share_poor, infants.ventilation_share_poor, rtol=1e-9
    )


def test_share_of_ventilation_is_solved_only_in_empty_cells(infants, table, save):
    place = column(table, "ventilation_share_poor")
    table[2][place] = ""
    table[3][place] = "0.125"
    back = read_infants(save(table)).ventilation_share_poor
    assert back[1] == pytest.approx(infants.ventilation_share_poor[1], rel=1e-9)
    assert back[2] == 0.125
    assert back[0] == infants.ventilation_share_poor[0]


@pytest.mark.parametrize("rest", ["99.9", "100"])
def test_share_that_cannot_be_solved_names_its_line(table, save, rest):
    table[4][column(table, "ventilation_share_poor")] = ""
    table[4][column(table, "spo2_rest_pct")] = rest
    path = save(table)
    refused(path, f"{path}, line 5, column ventilation_share_poor", f"{rest} %", "Change fio2_need")


def test_missing_column(table, save):
    place = column(table, "hb_g_dl")
    path = save([row[:place] + row[place + 1 :] for row in table])
    refused(path, "line 1", "a column hb_g_dl", "none of that name")


def test_unknown_column_names_the_nearest(table, save):
    table[0][column(table, "hb_g_dl")] = "hb_gdl"
    refused(save(table), "line 1", "'hb_gdl'", "Did you mean 'hb_g_dl'?")


def test_doubled_column(table, save):
    path = save([[*row, row[4]] for row in table])
    refused(path, "line 1", table[0][4], "each column once")


@pytest.mark.parametrize(
    ("name", "text", "message"),
    [
        ("hb_g_dl", "twelve", "a number with a decimal point, got 'twelve'"),
        ("hb_g_dl", "", "a number with a decimal point, got ''"),
        ("hb_g_dl", "nan", "a value from 5 to 25 (g/dL)"),
        ("hb_g_dl", "120", "a value from 5 to 25 (g/dL), got 120.0"),
        ("fio2_need", "30", "a value from 0.21 to 1 (fraction), got 30.0"),
        ("ventilation_share_poor", "nan", "a value from 0 to 1 (fraction)"),
        ("infant", "1.5", "a whole number, got '1.5'"),
        ("infant", "-1", "a value from 0"),
        ("stratum", "stable", "one of settled, unstable, got 'stable'"),
    ],
)
def test_bad_cell_is_named_with_its_place(table, save, name, text, message):
    table[3][column(table, name)] = text
    path = save(table)
    refused(path, f"{path}, line 4, column {name}: expected {message}")


def test_line_numbers_count_blank_lines(table, save):
    table[3][column(table, "hb_g_dl")] = "x"
    refused(save([*table[:2], [], *table[2:]]), "line 5, column hb_g_dl")


def test_row_of_the_wrong_length(table, save):
    table[2].append("7")
    refused(save(table), "line 3", f"{len(table[0])} cells", f"{len(table[0]) + 1} cells")


def test_two_infants_of_one_number(table, save):
    table[5][column(table, "infant")] = table[2][column(table, "infant")]
    refused(save(table), "line 6, column infant", "line 3 has it")


def test_empty_file(tmp_path):
    path = tmp_path / "empty.csv"
    path.write_text("\n\n")
    refused(path, str(path), "names of the columns", "an empty file")


def test_names_without_infants(table, save):
    refused(save(table[:1]), "at least one infant")


def test_file_that_is_not_there(tmp_path):
    refused(tmp_path / "none.csv", "none.csv", "a cohort file that can be read")


def test_file_that_is_no_text(tmp_path):
    path = tmp_path / "cohort.csv"
    path.write_bytes(b"infant\n\xff\xfe\n")
    refused(path, "UTF-8")


def test_broken_quotes(tmp_path):
    path = tmp_path / "cohort.csv"
    path.write_text('infant,"stratum\n')
    refused(path, "line 1", "cells parted by commas")
