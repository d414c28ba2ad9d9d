import csv
import math
from pathlib import Path

import pytest

from oxytestbed.experiments.evidence.grading import Grade, grade
from oxytestbed.experiments.evidence.rows import (
    Simulated,
    put_beside,
    read_explanations,
    read_published,
    spread_over,
)
from oxytestbed.models.errors import TestbedError

REFERENCE = Path(__file__).parents[1] / "reference" / "data"


@pytest.fixture(scope="module")
def rows():
    return {row.id: row for row in read_published()}


def test_every_simulated_row_can_be_graded(rows):
    for row in rows.values():
        if row.status == "simulated":
            assert grade(row.spread, row.value, row.low, row.high, 1.0) is not None, row.id


def test_every_row_names_its_source_and_how_or_why_not(rows):
    for row in rows.values():
        assert row.source and row.how and row.quantity, row.id


@pytest.mark.parametrize(
    ("name", "value", "low", "high", "where"),
    [
        # van Zanten, Arch Dis Child Fetal Neonatal Ed 2017;102:F395
        ("manual_in", 48.4, 41.5, 56.4, "calibration"),
        ("manual_below80", 1.1, 0.4, 1.7, "calibration"),
        # Claure, Pediatrics 2011;127:e76
        ("unstable_in", 32.0, 19.0, 45.0, "validation"),
        ("unstable_above98", 5.6, 2.7, 11.2, "validation"),
        # BMC Pediatr 2020, doi 10.1186/s12887-020-02225-3
        ("pao2_98", 80.0, 63.0, 100.0, "validation"),
        # Dassios 2015 Neonatology 107:283
        ("shift_bpd", 14.5, 10.9, 19.4, "other"),
    ],
)
def test_some_rows_are_as_published(rows, name, value, low, high, where):
    row = rows[name]
    assert (row.value, row.low, row.high, row.set) == (value, low, high, where)


def test_the_whole_severinghaus_table_is_there(rows):
    # Severinghaus 1979 J Appl Physiol 46:599, Table 1
    with (REFERENCE / "severinghaus.csv").open(encoding="utf-8") as file:
        table = list(csv.reader(line for line in file if not line.startswith("#")))[1:]
    assert len(table) > 40
    for po2, saturation, *_ in table:
        assert rows[f"severinghaus_{po2}"].value == float(saturation)


def test_both_published_sets_are_read_and_large_enough(rows):
    for name, least in (("calibration", 30), ("validation", 12)):
        counted = [
            row
            for row in rows.values()
            if row.set == name and row.flag == "read" and row.status == "simulated"
        ]
        assert len(counted) >= least


def test_explanations_belong_to_rows(rows):
    assert set(read_explanations()) <= set(rows)


def test_no_row_is_dropped_and_the_explanation_stands_with_a_miss_only(rows):
    found = {
        "manual_in": Simulated(value=48.0),
        "manual_above": Simulated(value=10.0),
        "manual_below": Simulated(value=math.nan),
    }
    texts = {"manual_in": "not shown", "manual_above": "why"}
    evidence = {item.published.id: item for item in put_beside(rows.values(), found, texts)}
    assert set(evidence) == set(rows)
    assert evidence["manual_in"].grade is Grade.PASS
    assert evidence["manual_in"].explanation == ""
    assert evidence["manual_above"].grade is Grade.MISS
    assert evidence["manual_above"].explanation == "why"
    assert evidence["manual_below"].grade is None
    assert evidence["wide_trained"].simulated is None


@pytest.mark.parametrize("name", ["no_such_row", "wide_trained"])
def test_a_figure_for_no_row_is_refused(rows, name):
    with pytest.raises(TestbedError, match="id of a simulated row"):
        put_beside(rows.values(), {name: Simulated(value=1.0)}, {})


def test_spread_leaves_out_what_is_missing():
    summary = spread_over([1.0, math.nan, 2.0, 3.0, 4.0, 5.0])
    assert (summary.value, summary.low, summary.high, summary.count) == (3.0, 2.0, 4.0, 5)
    assert math.isnan(spread_over([math.nan]).value)
