from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from oxytestbed.experiments.figure_set import FigureEntry, figure_set, write_figures
from oxytestbed.experiments.figures import (
    infant_by_infant,
    paired_differences,
    spo2_distribution,
    time_in_range,
)
from oxytestbed.experiments.readable import core_outcomes, number, numbers_of
from oxytestbed.experiments.result import ComparisonResult
from oxytestbed.experiments.strip_chart import clock, instructive_window, strip_chart, thin_out
from oxytestbed.experiments.style import arm_styles, inline_svg, svg_document
from oxytestbed.models.errors import TestbedError


@pytest.fixture(scope="module")
def entries(comparison: ComparisonResult) -> list[FigureEntry]:
    return figure_set(comparison)


def trace_of(spo2_pct: list[float]) -> pd.DataFrame:
    return pd.DataFrame({"time_s": range(len(spo2_pct)), "spo2_pct": spo2_pct})


def test_the_bars_of_every_arm_add_up_to_100(comparison: ComparisonResult) -> None:
    bars = time_in_range(comparison).axes[0]
    widths: dict[float, float] = {}
    for patch in bars.patches:
        row = round(patch.get_y(), 6)
        widths[row] = widths.get(row, 0.0) + patch.get_width()
    # Three arms, each by displayed and by true saturation.
    assert len(widths) == 6
    assert list(widths.values()) == pytest.approx([100.0] * 6)


def test_a_bar_is_the_mean_over_infants(comparison: ComparisonResult) -> None:
    bars = time_in_range(comparison).axes[0]
    inside = bars.patches[1].get_width()
    assert inside == pytest.approx(numbers_of(comparison, "manual", "time_in_target_pct").mean())


def test_the_distribution_adds_up_and_its_tail_reaches_100(comparison: ComparisonResult) -> None:
    share, tail = spo2_distribution(comparison).axes
    for line in share.lines:
        assert np.sum(line.get_ydata()) == pytest.approx(100.0)
    for line in tail.lines:
        assert np.asarray(line.get_ydata())[-1] == pytest.approx(100.0)


def test_a_difference_is_drawn_where_the_table_has_it(comparison: ComparisonResult) -> None:
    figure = paired_differences(comparison)
    panels = {axes.get_title(loc="left"): axes for axes in figure.axes}
    rows = comparison.paired.set_index(["arm", "outcome"])
    target = panels["Time in target"].lines
    assert target[0].get_xdata() == pytest.approx(
        rows.loc[("fixed", "time_in_target_pct"), ["mean_low", "mean_high"]].astype(float)
    )


def test_every_difference_panel_names_its_unit_and_its_better_side(
    comparison: ComparisonResult,
) -> None:
    panels = {axes.get_title(loc="left"): axes for axes in paired_differences(comparison).axes}
    assert panels["Time in target"].get_xlabel().endswith("better →")
    assert panels["Time below target"].get_xlabel().endswith("← better")
    assert "better" not in panels["Mean set FiO2"].get_xlabel()
    assert all(axes.get_xlabel() for title, axes in panels.items() if title)


def test_the_scatter_counts_the_infants_that_do_worse(comparison: ComparisonResult) -> None:
    outcomes = comparison.outcomes.copy()
    pi = outcomes["arm"] == "pi"
    manual = outcomes.loc[outcomes["arm"] == "manual", "time_in_target_pct"].to_numpy()
    shift = np.array([-1.0, -2.0, -3.0, 0.0, 1.0, 1.0, 1.0, 1.0])
    outcomes.loc[pi, "time_in_target_pct"] = manual + shift
    figure = infant_by_infant(replace(comparison, outcomes=outcomes))
    assert figure.axes[1].get_title(loc="left") == "pi: 3 of 8 infants do worse"


def test_arms_differ_without_colour() -> None:
    styles = arm_styles([f"arm{place}" for place in range(7)]).values()
    assert len({str(style.dash) for style in styles}) == 7
    assert len({style.marker for style in styles}) == 7
    assert len({style.colour for style in styles}) == 7


def test_drawing_leaves_the_settings_of_matplotlib_alone(comparison: ComparisonResult) -> None:
    before = dict(mpl.rcParams)
    svg_document(time_in_range(comparison))
    assert dict(mpl.rcParams) == before


def test_the_same_figure_gives_the_same_bytes_and_no_date(comparison: ComparisonResult) -> None:
    first, second = (svg_document(time_in_range(comparison)) for _ in range(2))
    assert first == second
    assert "<dc:date>" not in first


def test_no_two_figures_on_a_page_share_an_id(entries: list[FigureEntry]) -> None:
    page = "".join(inline_svg(item.figure, prefix=item.name, label="") for item in entries)
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids)) > 0
    used = set(re.findall(r"url\(#([^)]+)\)", page)) | set(re.findall(r'href="#([^"]+)"', page))
    assert used <= set(ids)


def test_the_label_of_a_figure_is_escaped() -> None:
    svg = inline_svg(Figure(), prefix="p", label='5 < 6 & "so"')
    assert 'aria-label="5 &lt; 6 &amp; &quot;so&quot;"' in svg
    ElementTree.fromstring(svg)


def test_figures_are_written_as_valid_svg(
    comparison: ComparisonResult, entries: list[FigureEntry], tmp_path: Path
) -> None:
    files = write_figures(comparison, tmp_path / "figures", entries)
    assert [path.stem for path in files] == [
        "time_in_range",
        "spo2_distribution",
        "ranking",
        "cost_in_fio2_travel",
        "aligned_after_apnoea",
        "paired_differences",
        "infant_by_infant",
        "strip_infant_0",
        "zoom_infant_0",
    ]
    for path in files:
        assert ElementTree.parse(path).getroot().tag == "{http://www.w3.org/2000/svg}svg"


def test_one_arm_alone_still_has_its_own_figures(comparison: ComparisonResult) -> None:
    alone = replace(
        comparison,
        outcomes=comparison.outcomes[comparison.outcomes["arm"] == "manual"],
        paired=comparison.paired.iloc[:0],
        traces={},
    )
    assert [item.name for item in figure_set(alone)] == ["time_in_range", "spo2_distribution"]


def test_thinning_keeps_every_extreme_and_every_long_gap() -> None:
    times = np.arange(10_000.0)
    values = np.full(10_000, 92.0)
    values[4321], values[7777] = 41.0, 99.0
    values[5000:5200] = np.nan
    kept_times, kept = thin_out(times, values, columns=100)
    assert len(kept) <= 200
    assert kept_times[np.nanargmin(kept)] == 4321
    assert kept_times[np.nanargmax(kept)] == 7777
    assert np.isnan(kept[(kept_times >= 5000) & (kept_times < 5200)]).any()
    assert np.all(np.diff(kept_times) > 0)


def test_a_short_curve_is_not_thinned() -> None:
    times, values = np.arange(5.0), np.array([1.0, 9.0, 2.0, 8.0, 3.0])
    assert thin_out(times, values, columns=10)[1].tolist() == values.tolist()


def test_the_window_holds_the_fall_and_its_overshoot() -> None:
    spo2 = [92.0] * 5000
    spo2[1000:1100] = [60.0] * 100  # a fall alone: the largest area under the target
    spo2[3000:3040] = [80.0] * 40  # a fall ...
    spo2[3100:3300] = [98.0] * 200  # ... and an overshoot
    start, end = instructive_window(
        trace_of(spo2), low_pct=90, high_pct=95, warmup_s=0, length_s=500
    )
    assert start <= 3000
    assert end >= 3300
    assert end - start == 500


def test_without_overshoot_the_window_holds_the_deepest_fall_after_the_warmup() -> None:
    spo2 = [92.0] * 4000
    spo2[100:200] = [40.0] * 100
    spo2[2000:2030] = [85.0] * 30
    start, end = instructive_window(
        trace_of(spo2), low_pct=90, high_pct=95, warmup_s=600, length_s=300
    )
    assert 600 <= start <= 2000
    assert end >= 2030


def test_a_strip_chart_stacks_the_arms_on_one_time_axis(comparison: ComparisonResult) -> None:
    figure = strip_chart(comparison, 0)
    titles = [axes.get_title(loc="left") for axes in figure.axes if axes.get_title(loc="left")]
    assert titles == ["manual", "fixed", "pi"]
    assert {axes.get_xlim() for axes in figure.axes} == {(0.0, 10_800.0)}


def test_missing_signal_is_a_gap_with_a_mark(comparison: ComparisonResult) -> None:
    saturation, rows = strip_chart(comparison, 0).axes[:2]
    assert np.isnan(np.asarray(saturation.lines[1].get_ydata())).any()
    labels = [label.get_text() for label in rows.get_yticklabels()]
    lost = rows.collections[labels.index("no signal")]
    # The toy loses its first 8 samples and three stretches of 150 s.
    assert len(lost.get_paths()) == 4


def test_alarms_and_visits_are_drawn_from_the_events(comparison: ComparisonResult) -> None:
    rows = strip_chart(comparison, 0, (2000.0, 2200.0)).axes[1]
    labels = [label.get_text() for label in rows.get_yticklabels()]
    alarm = rows.collections[labels.index("alarm sounds")].get_paths()[0].get_extents()
    # The alarm of the toy sounds from 2000 to 2090 s.
    assert (alarm.x0, alarm.x1) == (2000.0, 2090.0)


def test_an_alarm_that_never_ends_lasts_to_the_edge(comparison: ComparisonResult) -> None:
    events = comparison.events[comparison.events["event"] != "alarm_end"].iloc[:1]
    rows = strip_chart(replace(comparison, events=events), 0).axes[1]
    labels = [label.get_text() for label in rows.get_yticklabels()]
    alarm = rows.collections[labels.index("alarm sounds")].get_paths()[0].get_extents()
    assert (alarm.x0, alarm.x1) == (900.0, 10_800.0)


def test_a_strip_chart_of_an_unknown_infant_is_refused(comparison: ComparisonResult) -> None:
    with pytest.raises(TestbedError, match=r"99/manual.*Valid: 0/fixed, 0/manual, 0/pi"):
        strip_chart(comparison, 99)


@pytest.mark.parametrize(("time_s", "text"), [(0, "0:00"), (3900, "1:05"), (90_000, "25:00")])
def test_clock(time_s: float, text: str) -> None:
    assert clock(time_s) == text


@pytest.mark.parametrize(
    ("value", "decimals", "signed", "text"),
    [
        (1.25, 1, True, "+1.2"),
        (-3.0, 1, False, "\u22123.0"),
        (-0.01, 1, True, "0.0"),
        (float("nan"), 1, False, "\u2013"),
    ],
)
def test_number(value: float, decimals: int, signed: bool, text: str) -> None:
    assert number(value, decimals, signed=signed) == text


def test_core_outcomes_are_those_of_displayed_saturation(comparison: ComparisonResult) -> None:
    names = [item.name for item in core_outcomes(comparison)]
    assert names[0] == "time_in_target_pct"
    assert not any(name.endswith("_sao2") for name in names)


def test_a_result_without_a_needed_column_is_refused(comparison: ComparisonResult) -> None:
    with pytest.raises(TestbedError, match=r"ComparisonResult\.summary: .*Missing: q3"):
        replace(comparison, summary=comparison.summary.drop(columns="q3"))
