"""Published findings about target ranges, as context beside a simulation and no more."""

from __future__ import annotations

from dataclasses import dataclass

from .page import Row, Table


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One published finding.

    Attributes
    ----------
    what : str
        What was found.
    source : str
        Where.
    flag : str
        "read" in the source's abstract or table, or "from memory".
    """

    what: str
    source: str
    flag: str = "read"


#: None of these is a prediction for simulated infants, or a recommendation.
FINDINGS = (
    Finding(
        what="A lower target range went with more intermittent hypoxaemia.",
        source="Di Fiore, J Pediatr 2012;161:1047",
    ),
    Finding(
        what="Target 85-95, manual care: 48.0 (19.6-63.9) % of the time in range, 61.9 "
        "(48.5-72.3) % after staff training.",
        source="van Zanten, Eur J Pediatr 2017;176(1)",
    ),
    Finding(
        what="Target 90-95, manual care, on oxygen, under 30 weeks: in range 48.4 (41.5-56.4) %, "
        "above 41.9 (30.6-49.4) %, below 8.6 (7.2-11.7) %.",
        source="van Zanten, Arch Dis Child Fetal Neonatal Ed 2017;102:F395, n=21",
    ),
    Finding(
        what="Target 87-93, manual care, ventilated infants with frequent desaturation: in range "
        "32±13 %, above 37±12 %, below 23±9 %.",
        source="Claure, Pediatrics 2011;127:e76, n=32",
    ),
    Finding(
        what="Arterial PO2 was 63 (54-73) mmHg at SpO2 95 % and 80 (63-100) mmHg at 98 %.",
        source="BMC Pediatr 2020, doi 10.1186/s12887-020-02225-3",
    ),
    Finding(
        what="The upper alarm limit was set as the protocol said in 23 % of checks, and at 100 % "
        "in 24 %.",
        source="Clucas, Pediatrics 2007;119:1056",
    ),
    Finding(
        what="Pooled trials that randomised infants to 85-89 or 91-95 %: more deaths and more "
        "necrotising enterocolitis with the lower range, more treated retinopathy with the higher.",
        source="Askie and others, JAMA 2018;319:2190",
        flag="from memory",
    ),
)

CONTEXT = (
    "What was published about target ranges in real infants stands here as context. Some of it "
    "also served to fit the staff and the load of disturbances, which `oxytestbed credibility` "
    "reports. Nothing in it predicts anything for the simulated infants, who have no survival, "
    "bowel, eyes or development."
)


def findings_table() -> Table:
    """Show the published findings with their sources.

    Returns
    -------
    Table
        A row per finding.
    """
    return Table(
        caption="Read: seen in the source's abstract or table. From memory: recalled, so look it "
        "up before you use it. Ranges belong to the units and trials that published them.",
        head=("Finding", "Source", "How known"),
        rows=tuple(Row(cells=(item.what, item.source, item.flag)) for item in FINDINGS),
        kind="words",
        name="published_findings",
    )


__all__ = ["CONTEXT", "FINDINGS", "Finding", "findings_table"]
