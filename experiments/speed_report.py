"""The page and the figure of `oxytestbed speed`."""

from __future__ import annotations

import os
import platform
from collections.abc import Sequence
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from .. import __version__
from .compare import LANE_HOURS_WITH_EVENTS, LANES_A_CHUNK
from .speed import DAY_S, Measured, SpeedResult
from .style import ABOVE, BELOW, FAINT, WIDTH_IN, styled, svg_document
from .workers import samples_a_chunk

#: The study whose memory is worked out: infants, hours, arms, processes.
LARGE = (10_000, 24, 3, 2)


def save_speed(result: SpeedResult, folder: Path, command: str) -> Path:
    """Write ``speed.md`` and ``speed/growth.svg``, over older ones.

    Parameters
    ----------
    result : SpeedResult
        What was measured.
    folder : Path
        Where; made if missing.
    command : str
        How to measure again.

    Returns
    -------
    Path
        The page.
    """
    (folder / "speed").mkdir(parents=True, exist_ok=True)
    growth = svg_document(growth_figure(result))
    (folder / "speed" / "growth.svg").write_text(growth, encoding="utf-8")
    page = folder / "speed.md"
    page.write_text(speed_page(result, command), encoding="utf-8")
    return page


def speed_page(result: SpeedResult, command: str) -> str:
    """Write the page.

    Parameters
    ----------
    result : SpeedResult
        What was measured.
    command : str
        How to measure again.

    Returns
    -------
    str
        Markdown.
    """
    libraries = ", ".join(f"{name} {version(name)}" for name in ("numpy", "scipy", "simpy"))
    parts = [
        "# Speed",
        f"Made by `{command}` with oxytestbed {__version__}, Python {platform.python_version()}, "
        f"{libraries}, on {platform.machine()} with {os.cpu_count()} cores, "
        f"{datetime.now(UTC):%Y-%m-%d}. CPU time of one process, the best of the repeats; "
        "everything on, outcomes included, setting up apart.",
        "## By number of lanes",
        _table(("lanes", *_HEAD), [(f"{m.timing.lanes}", *_cells(m)) for m in result.by_lanes]),
        _findings(result),
        "![Growth with lanes, hours and processes](speed/growth.svg)",
        "## By arm",
        _table(("arm", *_HEAD), [(m.what, *_cells(m)) for m in result.by_arm]),
        "## Against slow ways to do the same",
        "Fixed FiO2 and PI control, without care, safeguards or staff: what all three can do.",
        _slow_table(result.slow),
        "## By part",
        "Shares as a profiler sees them; bedside staff are part of the last row.",
        _parts_table(result),
        "## Processes",
        f"{result.long_hours:g} simulated hours; the start of the processes counts.",
        _workers_table(result.by_workers),
        "## Memory",
        f"Measured on {result.long_hours:g} simulated hours. " + _memory_text(result.memory),
    ]
    return "\n\n".join(parts) + "\n"


_HEAD = ("us per lane and tick", "infant-days per second", "setting up, ms per lane")


def _cells(found: Measured) -> tuple[str, ...]:
    setup_ms = 1000.0 * found.setup_s / found.timing.lanes
    per_s = f"{found.infant_days_per_s:.3g}"
    return f"{found.timing.per_lane_tick_us:.2f}", per_s, f"{setup_ms:.2f}"


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    lines = [head, ["---"] + ["---:"] * (len(head) - 1), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def _findings(result: SpeedResult) -> str:
    few, most = result.by_lanes[0].timing, result.by_lanes[-1].timing
    best = min(result.by_lanes, key=lambda m: m.timing.per_lane_tick_us).timing
    day_s = few.per_lane_tick_us * few.lanes * DAY_S / 1e6
    ratio = most.per_lane_tick_us / best.per_lane_tick_us
    return (
        f"{few.lanes} {'lane' if few.lanes == 1 else 'lanes'} for 24 h would take {day_s:.0f} s "
        f"at this pace. A lane costs least with {best.lanes} lanes; with {most.lanes} it costs "
        f"{ratio:.2f} times as much. More than {LANES_A_CHUNK} lanes go in blocks."
    )


def _slow_table(slow: Sequence[Measured]) -> str:
    best_us = slow[0].timing.per_lane_tick_us
    rows = []
    for item in slow:
        each_us = item.timing.per_lane_tick_us
        ratio = f"{each_us / best_us:.1f}"
        rows.append((item.what, f"{item.timing.lanes}", f"{each_us:.2f}", ratio))
    return _table(("way", "lanes", "us per lane and tick", "times the bench"), rows)


def _parts_table(result: SpeedResult) -> str:
    whole_us = sum(part.per_lane_tick_us for part in result.parts.values())
    rows = [
        (name, f"{part.per_lane_tick_us:.3f}", f"{100 * part.per_lane_tick_us / whole_us:.0f}")
        for name, part in result.parts.items()
    ]
    return _table(("part", "us per lane and tick", "% of the whole"), rows)


def _workers_table(wall_s: dict[int, float]) -> str:
    alone_s = wall_s[min(wall_s)]
    rows = [(f"{n}", f"{s:.1f}", f"{alone_s / s:.2f}") for n, s in wall_s.items()]
    return _table(("processes", "wall time, s", "times as fast"), rows)


def _memory_text(memory: tuple[float, float]) -> str:
    base_mib, each = memory
    infants, hours, arms, workers = LARGE
    most = samples_a_chunk(workers)
    chunk_mib = base_mib + each * most / 2**20
    return (
        f"A worker needs {base_mib:.0f} MiB, and {each:.0f} bytes for each lane and tick of its "
        f"chunk, which has {most:,} of them at most: {chunk_mib:.0f} MiB, however "
        f"large the study. {infants:,} infants x {hours} h x {arms} arms on {workers} processes: "
        f"{workers * chunk_mib:.0f} MiB in these, and in the one that gathers a row of outcomes "
        f"for each infant and arm and the events of {LANE_HOURS_WITH_EVENTS:,} lane-hours."
    )


@styled
def growth_figure(result: SpeedResult) -> Figure:
    """Draw how cost grows with lanes, with the length of a run and with processes.

    Parameters
    ----------
    result : SpeedResult
        What was measured.

    Returns
    -------
    matplotlib.figure.Figure
    """
    figure = Figure(figsize=(WIDTH_IN, 2.4))
    lanes, hours, workers = figure.subplots(1, 3)
    _line(lanes, [(m.timing.lanes, m.timing.per_lane_tick_us) for m in result.by_lanes])
    lanes.set(xscale="log", yscale="log", xlabel="lanes", title="Cost of a lane")
    lanes.set_ylabel("us per lane and tick")
    _line(hours, [(m.timing.ticks / 3600.0, m.timing.cpu_s) for m in result.by_hours])
    hours.set(xlabel="hours simulated", ylabel="CPU time, s", title="Length", xlim=0, ylim=0)
    alone_s = result.by_workers[min(result.by_workers)]
    _line(workers, [(n, alone_s / s) for n, s in result.by_workers.items()], ABOVE)
    ends = [1, max(result.by_workers)]
    workers.plot(ends, ends, color=FAINT, linestyle=":", label="ideal")
    workers.set(xlabel="processes", ylabel="times as fast", title="Processes", ylim=0)
    workers.set_xticks(list(result.by_workers))
    workers.legend()
    return figure


def _line(axes: Axes, points: Sequence[tuple[float, float]], colour: str = BELOW) -> None:
    across, up = zip(*points, strict=True)
    axes.plot(across, up, color=colour, marker="o", markersize=4)


__all__ = ["growth_figure", "save_speed", "speed_page"]
