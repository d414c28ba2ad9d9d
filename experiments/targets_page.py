"""The report of a study of target ranges, and its folder."""

from __future__ import annotations

import json
from pathlib import Path

from . import targets_figures as figures
from .checklist import Study, methods_sections
from .page import Page, Picture, Section, Table, write_page
from .report_tables import settings_table
from .result_folder import write_table, write_whole
from .scenario import scenario_table, to_toml
from .target_evidence import CONTEXT, findings_table
from .targets import EXPOSURE, FIXED_LIMITS, MOVING_LIMITS, WORK, TargetsResult
from .targets_tables import (
    achieved_table,
    definitions,
    outcome_tables,
    setting_differences,
    targets_answer,
    targets_errors,
    targets_points,
)

_HONEST = (
    "A target moves the lines by which its own success is measured: a lower range makes the same "
    "saturation less hypoxic and more hyperoxic. So settings are compared by limits that stay "
    "where they are, below 80 % and above 95 % on oxygen, by displayed SpO2; the burdens by each "
    "target's own limits stand beside them.",
)


def targets_page(result: TargetsResult) -> Page:
    """Put the report together: figures, then tables, then methods.

    Parameters
    ----------
    result : TargetsResult
        The study.

    Returns
    -------
    Page
    """
    run = result.scenario.run
    infants = result.outcomes["infant"].nunique()
    what = " x ".join(factor.label for factor in result.factors)
    return Page(
        kind="Target ranges and settings on virtual infants",
        title=f"{what[0].upper()}{what[1:]}: the trade-off",
        facts=f"{infants} virtual infants of each stratum · {run.duration_h:g} h each, first "
        f"{run.warmup_h:g} h not counted · settings: {'; '.join(result.settings)} · arms: "
        f"{', '.join(result.arms)}",
        answer=targets_answer(result),
        points=targets_points(result),
        failures=result.failures,
        sections=[*_figure_sections(result), *_table_sections(result)],
        methods=methods_sections(_study(result), result.manifest, [targets_errors(result)]),
    )


def _figure_sections(result: TargetsResult) -> list[Section]:
    trade = Picture(
        name="trade_off",
        caption="Hypoxia burden against hyperoxia burden: a marker per setting and arm (median "
        "over infants), thin bars the quartiles; lines join the settings of an arm in order. "
        "A name is left out where another stands too close. "
        "Scales are logarithmic, and linear below 10 where they go down to zero. Lower left is "
        "less of both.",
        figure=figures.trade_off(result),
    )
    achieved = Picture(
        name="achieved_distribution",
        caption="How long each setting kept the displayed SpO2 at each value while on oxygen, all "
        "infants of the stratum together; later settings are darker.",
        figure=figures.achieved_distribution(result),
    )
    sections = [
        Section(name="trade-off", title="The trade-off", lead=_HONEST, figures=(trade,)),
        Section(name="achieved", title="What was achieved", figures=(achieved,)),
        _bars(result, "exposure", "True arterial PO2", EXPOSURE[:2],
              "Time on oxygen at a true PaO2 above 80 mmHg and below 40 mmHg: median over infants "
              "with quartiles. No bedside monitor shows this."),
        _bars(result, "work", "Alarms and work", WORK[:3],
              "Alarms and FiO2 changes by hand per 24 h: median over infants with quartiles. Alarm "
              "limits move with the target."),
    ]  # fmt: skip
    if len(result.factors) == 2:
        sections.insert(1, _crossed(result))
    sections.append(
        Section(
            name="context", title="Published findings", lead=(CONTEXT,), tables=(findings_table(),)
        )
    )
    return sections


def _bars(
    result: TargetsResult, name: str, title: str, names: tuple[str, ...], caption: str
) -> Section:
    picture = Picture(name=name, caption=caption, figure=figures.by_setting(result, names))
    return Section(name=name, title=title, figures=(picture,))


def _crossed(result: TargetsResult) -> Section:
    wanted = {
        "crossed_hypoxia": (FIXED_LIMITS[0], "Mean hypoxia burden below 80 %"),
        "crossed_hyperoxia": (FIXED_LIMITS[1], "Mean hyperoxia burden above 95 %"),
        "crossed_alarms": (WORK[0], "Mean number of alarms of high priority"),
    }
    pictures = [
        Picture(
            name=name,
            caption=f"{text} for every pair of values; darker is more.",
            figure=figures.crossed(result, outcome),
        )
        for name, (outcome, text) in wanted.items()
    ]
    return Section(name="crossed", title="Both factors", figures=pictures)


def _table_sections(result: TargetsResult) -> list[Section]:
    fixed = outcome_tables(result, FIXED_LIMITS, "fixed limits, the same for all settings")
    moving = outcome_tables(result, MOVING_LIMITS, "own limits, which move with the target")
    rest = outcome_tables(result, (*EXPOSURE, *WORK), "exposure and work")
    return [
        Section(name="differences", title="Differences", tables=(setting_differences(result),)),
        Section(name="fixed", title="Outcomes by fixed limits", tables=fixed),
        Section(name="moving", title="Outcomes by own limits", tables=moving),
        Section(name="rest", title="Exposure and work", tables=(achieved_table(result), *rest)),
        Section(name="settings", title="Scenario settings", tables=(_settings(result),)),
        Section(name="definitions", title="Definitions", tables=(definitions(),)),
    ]


def _settings(result: TargetsResult) -> Table:
    return settings_table(scenario_table(result.scenario))


def _study(result: TargetsResult) -> Study:
    scenario, what = result.scenario, ", ".join(factor.label for factor in result.factors)
    values = "; ".join(f"{item.key}: {', '.join(item.values)}" for item in result.factors)
    target = scenario.target
    own = f"{target.low_pct:g} to {target.high_pct:g} %"
    return Study(
        purpose=f"What does a change of {what} do to hypoxia, hyperoxia, PaO2, alarms and work?",
        outputs="Burdens and times by limits that are the same for all settings, the same by each "
        "target's own limits, PaO2, alarms, changes by hand.",
        aims=f"Varied: {values}. Every value meets every arm and every stratum.",
        scenario_logic="Settings differ only in what is varied; infants, candidate disturbances, "
        "noise and staffing are the same. Alarm limits are margins around the target. Arms with a "
        "fixed FiO2 are left out, because no target moves them.",
        inputs="Every setting of the scenario that was varied is in the table of settings.",
        initialisation=f"Infants are drawn for the target {own} and start at rest at the FiO2 that "
        f"they need there, in every setting; the first {scenario.run.warmup_h:g} h do not count.",
        run_length=f"{result.outcomes['infant'].nunique()} infants of each stratum, "
        f"{scenario.run.duration_h:g} h each, in every setting and arm.",
        estimation="95 % percentile intervals of a bootstrap that draws whole nursing groups.",
        estimand=(
            f"For each stratum and arm, the mean over the simulated population of infants of the "
            f"difference between a setting and {result.settings[0]} in the same infant, after the "
            "warm-up. The figures show medians and quartiles over infants.",
            "The population is that from which the virtual infants are drawn. Nothing is estimated "
            "about real infants.",
        ),
        seed=scenario.seed,
        command=str(result.manifest.get("command", "")),
    )


def save_targets(result: TargetsResult, folder: Path) -> Path:
    """Write tables, figures and the report into a new folder.

    Parameters
    ----------
    result : TargetsResult
        The study.
    folder : Path
        Where; it must not exist yet.

    Returns
    -------
    Path
        The report.

    Raises
    ------
    TestbedError
        If the folder exists or cannot be made.
    """
    write_whole(folder, lambda made: _write(result, made))
    return folder / "report.html"


def _write(result: TargetsResult, folder: Path) -> None:
    (folder / "scenario.toml").write_text(to_toml(result.scenario), encoding="utf-8")
    manifest = json.dumps(dict(result.manifest), indent=2) + "\n"
    (folder / "manifest.json").write_text(manifest, encoding="utf-8")
    for name in ("outcomes", "summary", "paired", "histogram"):
        write_table(getattr(result, name), folder / f"{name}.csv")
    write_page(targets_page(result), folder)


__all__ = ["save_targets", "targets_page"]
