"""What a search for the worst case leaves: a scenario that replays it, and how far it looked."""

from __future__ import annotations

import hashlib
from dataclasses import fields
from pathlib import Path

import numpy as np

from ..loop.bench import Bench
from ..loop.trace import Trace
from .cohort_files import read_infants, write_infants
from .compare import bench_spec
from .scenario import load_scenario, override, to_toml
from .worst_case import WorstCase
from .worst_cases import DIMENSIONS


def coverage(result: WorstCase, bins: int = 5) -> dict[str, float]:
    """Say how much of the search space was looked at.

    Parameters
    ----------
    result : WorstCase
        What was found.
    bins : int
        Each dimension is cut into so many.

    Returns
    -------
    dict of str to float
        Share of each dimension's parts with a candidate, and under ``pairs``
        the share of all parts of all pairs of dimensions (fractions).
    """
    points = np.array([item.point for item in result.tried])
    cells = np.minimum((points * bins).astype(int), bins - 1)
    found = {
        name: len(set(cells[:, column].tolist())) / bins for column, name in enumerate(DIMENSIONS)
    }
    seen = total = 0
    for one in range(len(DIMENSIONS)):
        for other in range(one):
            seen += len({(int(a), int(b)) for a, b in cells[:, [one, other]]})
            total += bins * bins
    return {**found, "pairs": seen / total}


def record_digest(trace: Trace) -> str:
    """Sum a record up, so that a replay can be compared bit for bit.

    Parameters
    ----------
    trace : Trace
        The record.

    Returns
    -------
    str
        SHA-256 over every signal.
    """
    digest = hashlib.sha256()
    for item in fields(Trace):
        value = getattr(trace, item.name)
        if isinstance(value, np.ndarray):
            digest.update(np.ascontiguousarray(value).tobytes())
    return digest.hexdigest()


def save_counterexample(result: WorstCase, folder: Path) -> Path:
    """Write the scenario and the cohort file of the worst case.

    Parameters
    ----------
    result : WorstCase
        What was found.
    folder : Path
        Where; it must exist.

    Returns
    -------
    Path
        The scenario.
    """
    write_infants(result.infants, folder / "worst_case_cohort.csv")
    written = override(
        result.scenario, {"cohort.csv": str((folder / "worst_case_cohort.csv").resolve())}
    )
    text = to_toml(written).replace(str(folder.resolve()) + "/", "")  # beside it, wherever it goes
    path = folder / "worst_case.toml"
    path.write_text(text, encoding="utf-8")
    return path


def replay(path: Path) -> str:
    """Run a saved worst case again.

    Parameters
    ----------
    path : Path
        The scenario; its cohort file lies beside it.

    Returns
    -------
    str
        `record_digest` of what came.
    """
    scenario = load_scenario(path)
    infants = read_infants(scenario.cohort.csv)
    run = Bench(bench_spec(scenario, infants, np.zeros(1, dtype=np.int64))).run()
    return record_digest(run.trace(0, "tried"))


__all__ = ["coverage", "record_digest", "replay", "save_counterexample"]
