"""What the credibility report says in words; the sentences of its answer are computed."""

from __future__ import annotations

from collections.abc import Sequence

from .experiment import Credibility
from .grading import UNSTATED_SHARE, Tally
from .rows import Evidence

#: Shares of counted rows that the project aims at; a target, not a rule of grading.
AIMS_PCT = {"calibration": 80.0, "validation": 60.0}

CONTEXT = (
    "Question of interest: on virtual preterm infants with breathing support, how do ways of "
    "adjusting inspired oxygen compare with adjustment by hand, in time in the target range and "
    "in the burden of hypoxaemia and hyperoxaemia?",
    "Context of use: teaching, and engineering comparison of controllers, target ranges and "
    "staffing before any study in infants. Comparisons are within the same virtual infants. No "
    "figure of the testbed may be used to treat an infant, to choose a target range for a unit, "
    "or in place of a clinical study.",
    "Model influence and consequence: a wrong answer here costs engineering or teaching time. "
    "Rows that miss are shown and explained.",
)

RULES = (
    "Fixed before the first comparison was run. Pass: the simulated median lies inside the "
    "published quartiles or 95 % interval, ends included (mean with SD: inside mean ± 0.674 SD, "
    f"the quartiles of a normal distribution). With no interval given: within "
    f"{100 * UNSTATED_SHARE:.0f} %, with the right sign. A full range over infants is no interval.",
    "Near: inside an interval twice as wide on each side. Miss: anything else. A direction passes "
    "only with the right sign.",
    "Rows flagged memory or derived are graded and shown, but not counted. Calibration, "
    "validation and other rows are counted apart; other rows are mostly inputs.",
    "No validation row was in what load and staff were fitted to, but they are no blind test: the "
    "same runs show them, and mechanisms were looked for where they missed (lung units that "
    "support holds open, noise that widens), with sizes from elsewhere. No row is dropped for "
    "missing.",
)

LIMITS = (
    "Any absolute effect in a real unit: staff, alarms and infants differ between units by more "
    "than the published intervals used here.",
    "Outcomes beyond oxygenation: no retinopathy, bronchopulmonary dysplasia, necrotising "
    "enterocolitis, brain injury or death is modelled.",
    "Carbon dioxide, breaths, tidal volumes and work of breathing: PaCO2 of an infant is constant "
    "and there is only alveolar ventilation. What a pause leaves of CO2 is kept as missing breath, "
    "which the infant makes up for.",
    "Growth and ageing: an infant keeps the age that it was drawn with.",
    "Rare faults of real devices that nobody has published rates for.",
    "What infants would do under a controller that has never been tried in any: the model was "
    "checked against care by hand only.",
)


def answer(found: Credibility) -> list[str]:
    """Say in a few sentences how the evidence came out.

    Parameters
    ----------
    found : Credibility
        All evidence.

    Returns
    -------
    list of str
    """
    sentences = [_tally_sentence(name, found.tallies[name], AIMS_PCT[name]) for name in AIMS_PCT]
    other = found.tallies["other"]
    sentences.append(
        f"Of {other.counted} other rows, mostly inputs and tables, {other.passed} pass."
    )
    missed = [item for item in found.evidence if _unexplained(item)]
    if missed:
        sentences.append(f"{len(missed)} rows that do not pass have no explanation yet.")
    failed = [check for check in found.checks if not check.passed]
    sentences.append(
        f"{len(failed)} of {len(found.checks)} checks of code and calculation are outside their "
        f"limit."
        if failed
        else f"All {len(found.checks)} checks of code and calculation are within their limits."
    )
    silent = sum(item.published.status != "simulated" for item in found.evidence)
    sentences.append(f"On {silent} published rows the model has nothing to show, or not yet.")
    return sentences


def _tally_sentence(name: str, tally: Tally, aim_pct: float) -> str:
    if not tally.counted:
        return f"No {name} row could be graded."
    reached = "reached" if tally.passed_pct >= aim_pct else "not reached"
    return (
        f"{tally.passed} of {tally.counted} {name} rows pass ({tally.passed_pct:.0f} %; the aim of "
        f"{aim_pct:.0f} % is {reached}), {tally.near} are near and {tally.missed} miss."
    )


def _unexplained(item: Evidence) -> bool:
    counted = item.published.flag == "read" and item.published.set in AIMS_PCT
    return (
        counted and item.grade is not None and item.grade.value != "pass" and not item.explanation
    )


def ungraded(evidence: Sequence[Evidence]) -> list[str]:
    """List simulated rows for which the runs were too small to give a figure.

    Parameters
    ----------
    evidence : sequence of Evidence
        All rows.

    Returns
    -------
    list of str
        Their ids.
    """
    return [
        item.published.id
        for item in evidence
        if item.published.status == "simulated" and item.grade is None
    ]


__all__ = ["AIMS_PCT", "CONTEXT", "LIMITS", "RULES", "answer", "ungraded"]
