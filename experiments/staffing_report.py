"""The page of the staffing study: figure, tables, and the day of one nurse."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from .checklist import Study, methods_sections
from .nurse_day import day_of, group_of, nurse_day
from .page import Page, Picture, Row, Section, Table, write_page
from .readable import number
from .result import MANUAL_ARM
from .result_folder import refuse_taken, write_table
from .staffing import ALARM_PART, STAFF_PART, STUDIED, StaffingResult, label_of
from .style import WIDTH_IN, arm_styles, styled

#: Panels of the figure.
DRAWN = (
    "time_in_target_pct",
    "time_above_98_pct",
    "episodes_above_98_180s_per_24h",
    "alarms_high_priority_per_24h",
    "alarms_unseen_pct",
    "staff_min_per_24h",
)
TITLES = {
    STAFF_PART: "Infants per nurse",
    ALARM_PART: "Alarm limits and delays",
}
#: At most so much of a run is shown of one nurse (s).
LONGEST_DAY_S = 86_400


@styled
def staffing_figure(table: pd.DataFrame, part: str) -> Figure:
    """Draw the outcomes of one part of the study over its cases.

    Parameters
    ----------
    table : pandas.DataFrame
        `StaffingResult.table`.
    part : str
        Which part.

    Returns
    -------
    matplotlib.figure.Figure
        A panel for each outcome; marks are medians over infants, bars quartiles.
    """
    chosen = table[table["part"] == part]
    cases = chosen["case"].drop_duplicates().tolist()
    names = [name for name in DRAWN if (chosen["outcome"] == name).any()]
    figure = Figure(figsize=(WIDTH_IN, 5.4 if part == STAFF_PART else 6.6))
    panels = figure.subplots(3, 2, sharex=True).ravel().tolist()
    for axes, name in zip(panels, names, strict=False):
        _panel(axes, chosen[chosen["outcome"] == name], cases, name)
    for axes in panels[len(names) :]:
        axes.set_visible(False)
    handles, labels = panels[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside upper center", ncols=2)
    if part == STAFF_PART:
        figure.supxlabel(TITLES[part], fontsize=9)
    return figure


def _panel(axes: Axes, rows: pd.DataFrame, cases: Sequence[str], name: str) -> None:
    label, unit, _ = label_of(name)
    arms = rows["arm"].drop_duplicates().tolist()
    for shift, (arm, style) in enumerate(arm_styles(arms).items()):
        of_arm = rows[rows["arm"] == arm].set_index("case").reindex(list(cases))
        middle = of_arm["median"].to_numpy(dtype=float)
        low, high = (of_arm[key].to_numpy(dtype=float) for key in ("q1", "q3"))
        places = [place + 0.12 * (shift - 0.5) for place in range(len(cases))]
        axes.errorbar(
            places,
            middle,
            yerr=np.stack([middle - low, high - middle]),
            color=style.colour,
            linestyle=style.dash,
            marker=style.marker,
            markersize=4,
            linewidth=1.0,
            label=arm,
        )
    axes.set_title(f"{label} ({unit})", fontsize=8)
    axes.set_ylim(bottom=0)
    long = max(len(case) for case in cases) > 3
    axes.set_xticks(
        range(len(cases)), cases, rotation=35 if long else 0, ha="right" if long else "center"
    )
    axes.grid(axis="y")


def outcome_table(result: StaffingResult, part: str) -> Table:
    """Lay out medians and quartiles of one part.

    Parameters
    ----------
    result : StaffingResult
        The study.
    part : str
        Which part.

    Returns
    -------
    Table
        A row for each case and arm.
    """
    chosen = result.table[result.table["part"] == part]
    rows = []
    for (case, arm), group in chosen.groupby(["case", "arm"], sort=False):
        found = group.set_index("outcome")
        cells = [
            _spread(found.loc[[name]].iloc[0], name) if name in found.index else ""
            for name in STUDIED
        ]
        rows.append(Row(cells=(str(case), str(arm), *cells)))
    head = (TITLES[part], "Arm", *(f"{label_of(n)[0]} ({label_of(n)[1]})" for n in STUDIED))
    caption = "Median (quartiles) over infants. The same infants in every case."
    return Table(caption=caption, head=head, rows=tuple(rows), name=f"outcomes_{part}")


def _spread(row: pd.Series, name: str) -> str:
    decimals = label_of(name)[2]
    low, high = (number(float(row[key]), decimals) for key in ("q1", "q3"))
    return f"{number(float(row['median']), decimals)} ({low} to {high})"


def saved_table(result: StaffingResult) -> Table:
    """Lay out what the controller changes in each case, within infants.

    Parameters
    ----------
    result : StaffingResult
        The study.

    Returns
    -------
    Table
        Mean difference controller minus manual with its 95 % interval.
    """
    names = ("time_in_target_pct", "time_above_98_pct", "staff_min_per_24h")
    rows = []
    for (part, case), group in result.saved.groupby(["part", "case"], sort=False):
        found = group.set_index("outcome")
        cells = [
            _difference(found.loc[[name]].iloc[0], name) if name in found.index else ""
            for name in names
        ]
        rows.append(Row(cells=(f"{TITLES[str(part)]}: {case}", *cells)))
    head = ("Case", *(f"{label_of(name)[0]} ({label_of(name)[1]})" for name in names))
    caption = (
        "Controller minus adjustment by hand in the same infants: mean difference and 95 % "
        "interval, whole nursing groups resampled. Staff minutes below zero are minutes saved."
    )
    return Table(caption=caption, head=head, rows=tuple(rows), name="controller_minus_manual")


def _difference(row: pd.Series, name: str) -> str:
    decimals = label_of(name)[2]
    middle, low, high = (
        number(float(row[key]), decimals, signed=True)
        for key in ("mean_difference", "mean_low", "mean_high")
    )
    return f"{middle} ({low} to {high})"


def staffing_page(result: StaffingResult, command: str = "") -> Page:
    """Make the page of a study.

    Parameters
    ----------
    result : StaffingResult
        The study.
    command : str, optional
        How to make it again.

    Returns
    -------
    Page
    """
    settings = result.settings
    parts = [part for part in TITLES if (result.table["part"] == part).any()]
    sections = [
        Section(
            name=part,
            title=TITLES[part],
            figures=(
                Picture(
                    name=f"staffing_{part}",
                    caption=f"{TITLES[part]}: outcomes by hand and with {settings.controller}; "
                    "marks are medians over infants, bars quartiles.",
                    figure=staffing_figure(result.table, part),
                ),
            ),
            tables=(outcome_table(result, part),),
        )
        for part in parts
    ]
    sections.insert(1, _day_section(result)) if result.example is not None else None
    sections.append(
        Section(name="saved", title="What the controller changes", tables=(saved_table(result),))
    )
    return Page(
        kind="Study of staffing and alarms on virtual infants",
        title="Staffing, alarms and oxygen",
        facts=f"{settings.infants} infants x {settings.duration_h:g} h in every case, "
        f"first {settings.warmup_h:g} h not counted · by hand and with {settings.controller}",
        answer=answer(result),
        sections=sections,
        methods=methods_sections(_study(result, command), result.manifest),
    )


def answer(result: StaffingResult) -> list[str]:
    """Say in sentences what the study found.

    Parameters
    ----------
    result : StaffingResult
        The study.

    Returns
    -------
    list of str
        Computed from the tables; short where a part was not run.
    """
    found = []
    chosen = result.table[result.table["part"] == STAFF_PART]
    for name in ("time_in_target_pct", "staff_min_per_24h"):
        for arm in chosen["arm"].drop_duplicates():
            rows = chosen[(chosen["arm"] == arm) & (chosen["outcome"] == name)]
            label, unit, decimals = label_of(name)
            first, last = rows.iloc[0], rows.iloc[-1]
            how = "by hand" if arm == MANUAL_ARM else "with the controller"
            found.append(
                f"{label} {how}: {number(float(first['median']), decimals)} {unit} with "
                f"{first['case']} to a nurse, {number(float(last['median']), decimals)} with "
                f"{last['case']}."
            )
    return found or ["This run held no case on the number of infants per nurse."]


def _day_section(result: StaffingResult) -> Section:
    example = result.example
    assert example is not None
    infants = group_of(example)
    end_s = min(round(3600 * result.settings.duration_h), LONGEST_DAY_S)
    hour_h = float(example.scenario.activities.start_hour_h)
    day = day_of(example.events, infants, MANUAL_ARM, 0, end_s)
    answered = day.alarms["wait_s"].dropna()
    late = f"{answered.max() / 60:.0f} min" if len(answered) else "no time"
    caption = (
        f"One nurse with {len(infants)} infants, adjustment by hand: visits above, alarms below "
        f"the line, thin lines from an alarm to somebody's coming. {len(day.alarms)} alarms; "
        f"{len(answered)} were seen by somebody while they sounded, the longest waited {late}."
    )
    picture = Picture(
        name="nurse_day", caption=caption, figure=nurse_day(day, infants, 0, end_s, hour_h)
    )
    return Section(name="nurse-day", title="One nurse, hour by hour", figures=(picture,))


def _study(result: StaffingResult, command: str) -> Study:
    settings = result.settings
    return Study(
        purpose="How do the number of infants per nurse, and alarm limits and delays, change the "
        "oxygenation of infants and the work of staff, by hand and with a controller?",
        outputs="Time in target, time below 80 % and above 98 %, prolonged hyperoxia, alarms, "
        "share of alarms that nobody came to, changes by hand, staff minutes.",
        aims="One thing is changed at a time; every case has the same infants and both arms.",
        scenario_logic=f"Scenario {settings.scenario}; only what a case names differs.",
        inputs="Staff as fitted to published bedside figures, in loop/staff_values.py.",
        initialisation="Infants start at rest on the oxygen they need; the warm-up is not counted.",
        run_length=f"{settings.infants} infants, {settings.duration_h:g} h in every case and arm.",
        estimation="Median and quartiles over infants; paired differences with a bootstrap over "
        "nursing groups.",
        estimand=(
            "The difference that a way of staffing or of setting alarms makes to the same virtual "
            "infants, all else alike.",
        ),
        seed=settings.seed,
        command=command,
    )


def save_staffing(result: StaffingResult, folder: Path | str, command: str = "") -> Path:
    """Write the page, its figures, and the tables in full.

    Parameters
    ----------
    result : StaffingResult
        The study.
    folder : Path or str
        Where; it must not exist yet.
    command : str, optional
        How to make it again.

    Returns
    -------
    Path
        The page.
    """
    wanted = Path(folder)
    refuse_taken(wanted)
    path = write_page(staffing_page(result, command), wanted)
    write_table(result.table, wanted / "staffing.csv")
    write_table(result.saved, wanted / "controller_minus_manual.csv")
    return path
