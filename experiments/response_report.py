"""Report of a trial of responses: one HTML page, figures and CSV files."""

from __future__ import annotations

import math
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from matplotlib.figure import Figure

from .. import __version__
from ..models.errors import problem
from . import response_figures as figures
from .readable import NO_VALUE, number
from .report import CAUTION
from .report_tables import Row, Table
from .response import MEASURES
from .response_trial import ResponseResult, stimuli
from .result_folder import refuse_taken, write_table
from .scenario import to_toml
from .style import inline_svg, svg_document

_TEMPLATES = Path(__file__).with_name("templates")

#: Columns of the margins with their titles, decimals and which end is bad.
_MARGINS = (
    ("gain_margin", "Gain margin (times)", 2, min),
    ("phase_margin_deg", "Phase margin (°)", 0, min),
    ("delay_margin_s", "Delay margin (s)", 0, min),
    ("peak_sensitivity", "Peak sensitivity", 2, max),
    ("gain_factor_by_trial", "Gain factor by trial (times)", 2, min),
    ("added_delay_by_trial_s", "Added delay by trial (s)", 0, min),
)

#: Words for the margins, under the same names.
_MEANINGS = (
    ("Gain margin", "How many times more strongly the infant could answer to FiO2 before the "
     "linearised loop swings for good."),
    ("Phase margin", "How much more phase lag the linearised loop bears at the frequency where its "
     "gain is 1."),
    ("Delay margin", "How many seconds of further delay the linearised loop bears."),
    ("Peak sensitivity", "By how much the loop amplifies the disturbance that suits it least; its "
     "inverse is the distance of the Nyquist plot from -1."),
    ("By trial", "The least factor on the infant's answer to FiO2, and the least added delay, with "
     "which the simulated loop keeps swinging after a reading 5 points low for 30 s; without "
     "rounding. Keeps swinging: half a point or more from peak to peak in the last third of the "
     "time watched (45 min for the gain, 90 for the delay), nine tenths or more of the middle "
     "third, and three changes of side or more. A larger knock may find less. "
     "Above 16 times or 255 s: not found."),
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """A figure with its words.

    Attributes
    ----------
    name : str
        File name without its ending.
    caption : str
        How to read it.
    figure : matplotlib.figure.Figure
        The figure.
    """

    name: str
    caption: str
    figure: Figure


def draw_all(result: ResponseResult) -> list[Drawn]:
    """Draw every figure that there are numbers for.

    Parameters
    ----------
    result : ResponseResult
        What was found.

    Returns
    -------
    list of Drawn
        nominal_steps, cohort_fan, sensitivity (with a linear loop), plant_gains.
    """
    drawn = [
        Drawn(
            name="nominal_steps",
            caption=f"Infant {result.nominal}, whose answer to FiO2 is nearest to the median. Left "
            "the saturation before the display rounds it, with the target shaded, right the FiO2 "
            "asked for.",
            figure=figures.nominal_steps(result),
        ),
        Drawn(
            name="cohort_fan",
            caption="All infants: median line, quartiles dark, 5 to 95 % light; in orange the "
            "middle of the target.",
            figure=figures.cohort_fan(result),
        ),
    ]
    if result.loops:
        drawn.append(
            Drawn(
                name="sensitivity",
                caption=f"Infant {result.nominal}, linearised at mid-target. Left: what the loop "
                "leaves of a regular disturbance; above 1 it makes it larger. Right: the closer "
                "a line passes by the cross, the nearer the loop is to swinging for good.",
                figure=figures.sensitivity_and_nyquist(result),
            )
        )
    drawn.append(
        Drawn(
            name="plant_gains",
            caption="A dot is an infant: how strongly it answers to FiO2 at 95 % (across) and at "
            "88 % (upwards). The dissociation curve alone would put it on the line 3.03 : 1 "
            "(Severinghaus equation); shunt and uneven ventilation flatten this.",
            figure=figures.plant_gains(result),
        )
    )
    return drawn


def margin_table(result: ResponseResult) -> Table:
    """Show the margins: nominal infant, and worst infant in brackets.

    Parameters
    ----------
    result : ResponseResult
        What was found.

    Returns
    -------
    Table
    """
    rows = []
    for name in result.controllers:
        mine = result.margins[result.margins["controller"] == name]
        for region, table in mine.groupby("region", sort=False):
            cells = [_nominal_and_worst(result, table, *column) for column in _MARGINS]
            words = f"{name}, {region}"
            rows.append(Row(cells=(words, *cells, str(table["law"].iloc[0]))))
    return Table(
        caption=f"Infant {result.nominal} (worst infant). The first four from the loop linearised "
        "at mid-target, the others by trial on the simulated infants.",
        head=("Controller", *(title for _, title, _, _ in _MARGINS), "Law"),
        rows=tuple(rows),
    )


def _nominal_and_worst(
    result: ResponseResult, table: pd.DataFrame, column: str, _: str, decimals: int, bad: object
) -> str:
    values = table[column].to_numpy(dtype=float)
    if np.isnan(values).all():
        return NO_VALUE
    nominal = float(values[table["infant"].to_numpy() == result.nominal][0])
    worst = float(np.nanmin(values) if bad is min else np.nanmax(values))
    return f"{_finite(nominal, decimals)} ({_finite(worst, decimals)})"


def _finite(value: float, decimals: int) -> str:
    return "∞" if math.isinf(value) else number(value, decimals)


def measure_table(result: ResponseResult, stimulus: str) -> Table:
    """Show what followed one stimulus: nominal infant, and median and quartiles.

    Parameters
    ----------
    result : ResponseResult
        What was found.
    stimulus : str
        target, need or shunt.

    Returns
    -------
    Table
    """
    rows = []
    for name in result.controllers:
        mine = result.measures
        mine = mine[(mine["controller"] == name) & (mine["stimulus"] == stimulus)]
        cells = [_nominal_and_spread(result, mine, column) for column in MEASURES]
        rows.append(Row(cells=(name, *cells)))
    heads = [f"{item.label} ({item.unit})" for item in MEASURES.values()]
    return Table(
        caption=f"{figures.title_of(result, stimulus)}. Infant {result.nominal}; in brackets the "
        "quartiles and, where some have none, how many infants have a value.",
        head=("Controller", *heads),
        rows=tuple(rows),
    )


def _nominal_and_spread(result: ResponseResult, table: pd.DataFrame, column: str) -> str:
    decimals = MEASURES[column].decimals
    values = table[column].to_numpy(dtype=float)
    nominal = float(values[table["infant"].to_numpy() == result.nominal][0])
    known = values[np.isfinite(values)]
    if not len(known):
        return f"{NO_VALUE} (none)"
    q1, q3 = np.quantile(known, (0.25, 0.75))
    count = "" if len(known) == len(values) else f"; {len(known)} of {len(values)}"
    spread = f"{number(float(q1), decimals)} to {number(float(q3), decimals)}{count}"
    return f"{number(nominal, decimals)} ({spread})"


def answer(result: ResponseResult) -> list[str]:
    """Say in sentences what the numbers say.

    Parameters
    ----------
    result : ResponseResult
        What was found.

    Returns
    -------
    list of str
    """
    sentences = []
    for name in result.controllers:
        table = result.margins[result.margins["controller"] == name].drop_duplicates("infant")
        factor = table["gain_factor_by_trial"].to_numpy(dtype=float)
        if np.isnan(factor).all():
            continue
        swinging, least = int((factor <= 1.0).sum()), float(np.nanmin(factor))
        if swinging:
            sentences.append(
                f"Under {name} {swinging} of {len(factor)} infants swing for good by themselves."
            )
        elif math.isinf(least):
            sentences.append(f"No infant was brought to swing for good under {name}.")
        else:
            sentences.append(
                f"Under {name} the infant with the least room could answer {least:.1f} times as "
                "strongly before it swings for good."
            )
    ratio = result.plants["gain_ratio_88_to_95"].dropna()
    if len(ratio):
        sentences.append(
            f"At 88 % the infants answer to FiO2 {ratio.median():.2f} times as strongly as at 95 % "
            f"(median; {ratio.min():.2f} to {ratio.max():.2f})."
        )
    return sentences


def definition_table() -> Table:
    """Define every number of the report.

    Returns
    -------
    Table
    """
    rows = [Row(cells=(item.label, item.definition)) for item in MEASURES.values()]
    rows += [Row(cells=pair) for pair in _MEANINGS]
    return Table(
        caption="Words of IEC 60601-1-10 where it has them. Feedback variable: the saturation "
        "before the display rounds it. Reference variable: the middle of the target.",
        head=("Number", "What it is"),
        rows=tuple(rows),
        kind="words",
    )


def render_response(
    result: ResponseResult, drawn: Sequence[Drawn] | None = None, command: str = ""
) -> str:
    """Render the page.

    Parameters
    ----------
    result : ResponseResult
        What was found.
    drawn : sequence of Drawn, optional
        Figures that are already drawn.
    command : str
        How to make it again.

    Returns
    -------
    str
        A whole HTML page that needs no network.
    """
    pictures = {
        item.name: {
            "name": item.name.replace("_", "-"),
            "caption": item.caption,
            # Drawn by this program and escaped where it holds text: safe to insert.
            "svg": Markup(
                inline_svg(item.figure, prefix=item.name.replace("_", "-"), label=item.caption)
            ),
        }
        for item in (draw_all(result) if drawn is None else drawn)
    }
    steps = [measure_table(result, name) for name in stimuli(result.settings)]
    layout: tuple[tuple[str, str, tuple[str, ...], list[Table]], ...] = (
        ("steps", "Steps", ("nominal_steps", "cohort_fan"), steps),
        ("margins", "Margins", ("sensitivity",), [margin_table(result)]),
        ("plants", "The infants' own gain", ("plant_gains",), []),
        ("definitions", "Definitions", (), [definition_table()]),
    )
    parts = [
        {
            "name": name,
            "title": title,
            "figures": [pictures[key] for key in keys if key in pictures],
            "tables": tables,
        }
        for name, title, keys, tables in layout
    ]
    target, count = result.scenario.target, len(result.plants)
    facts = (
        f"{count} virtual infant{'' if count == 1 else 's'} at rest in mid-target "
        f"({0.5 * (target.low_pct + target.high_pct):g} %), {result.left_out} left out who have no "
        f"room for a loop · controllers: {', '.join(result.controllers)} · no noise, no events"
    )
    environment = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    return environment.get_template("response.html.j2").render(
        title=result.scenario.title,
        facts=facts,
        answer=answer(result),
        caution=CAUTION,
        parts=parts,
        version=__version__,
        command=command,
    )


def save_response(result: ResponseResult, folder: Path, command: str = "") -> Path:
    """Write page, figures and tables; all of it or nothing.

    Parameters
    ----------
    result : ResponseResult
        What was found.
    folder : Path
        Where; it must not exist yet.
    command : str
        How to make it again.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    TestbedError
        If the folder exists or cannot be made.
    """
    refuse_taken(folder)
    partial = folder.with_name(f".{folder.name}.partial")
    try:
        shutil.rmtree(partial, ignore_errors=True)
        (partial / "figures").mkdir(parents=True)
        for name in ("plants", "measures", "margins"):
            write_table(getattr(result, name), partial / f"{name}.csv")
        (partial / "scenario.toml").write_text(to_toml(result.scenario), encoding="utf-8")
        drawn = draw_all(result)
        for item in drawn:
            path = partial / "figures" / f"{item.name}.svg"
            path.write_text(svg_document(item.figure), encoding="utf-8", newline="\n")
        page = render_response(result, drawn, command)
        (partial / "response.html").write_text(page, encoding="utf-8")
        partial.rename(folder)
    except OSError as error:
        raise problem("result folder", "a place to write to", str(folder), str(error)) from error
    finally:
        shutil.rmtree(partial, ignore_errors=True)
    return folder / "response.html"


__all__ = [
    "Drawn",
    "answer",
    "definition_table",
    "draw_all",
    "margin_table",
    "measure_table",
    "render_response",
    "save_response",
]
