"""How every figure looks: colours, line styles, sizes, and one way to write SVG.

The colours are those of Okabe and Ito (2008), which people with any common
colour vision tell apart; every arm also has its own line style, marker and
shade of grey, so that a black and white print can be read too.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import wraps
from io import StringIO
from typing import Any, ParamSpec

import matplotlib as mpl
from matplotlib.figure import Figure

P = ParamSpec("P")

#: Width of an ordinary figure and of a strip chart (inch). Narrow on purpose:
#: scaled to the width of a telephone the labels stay readable.
WIDTH_IN = 6.4
STRIP_WIDTH_IN = 7.4

BELOW = "#0072B2"
INSIDE = "#D9E4DD"
ABOVE = "#E69F00"
TARGET = "#BFE3D4"
INK = "#222222"
FAINT = "#8A8A8A"
SHADE = "#ECECEC"

#: Any, because the type of matplotlib lists every key that a mapping may have.
RC: Any = {
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "axes.titlesize": 9.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": 9.0,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "axes.grid": False,
    "grid.color": "#DDDDDD",
    "grid.linewidth": 0.6,
    "xtick.labelsize": 8.5,
    "ytick.labelsize": 8.5,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.color": INK,
    "legend.frameon": False,
    "legend.fontsize": 8.5,
    "hatch.linewidth": 0.6,
    "lines.linewidth": 1.4,
    "figure.facecolor": "white",
    "figure.constrained_layout.use": True,
    # Text as outlines: labels keep their place on a machine without the font.
    "svg.fonttype": "path",
    "svg.hashsalt": "oxytestbed",
    "path.simplify": True,
}


@dataclass(frozen=True, kw_only=True)
class ArmStyle:
    """How one arm is drawn wherever it appears.

    Attributes
    ----------
    colour : str
        Hexadecimal colour.
    dash : tuple
        Matplotlib line style.
    marker : str
        Matplotlib marker.
    """

    colour: str
    dash: Any
    marker: str


_ARM_STYLES = (
    ArmStyle(colour="#000000", dash="-", marker="o"),
    ArmStyle(colour="#E69F00", dash=(0, (5, 1.5)), marker="s"),
    ArmStyle(colour="#0072B2", dash=(0, (1.2, 1.2)), marker="^"),
    ArmStyle(colour="#D55E00", dash=(0, (6, 1.5, 1.2, 1.5)), marker="D"),
    ArmStyle(colour="#009E73", dash=(0, (9, 2)), marker="v"),
    ArmStyle(colour="#CC79A7", dash=(0, (3, 1, 1, 1, 1, 1)), marker="P"),
    ArmStyle(colour="#56B4E9", dash=(0, (2, 3)), marker="X"),
)


def arm_styles(arms: Iterable[str]) -> dict[str, ArmStyle]:
    """Give each arm a colour, a line style and a marker of its own.

    Parameters
    ----------
    arms : iterable of str
        Names of the arms, in the order of the comparison.

    Returns
    -------
    dict of str to ArmStyle
        After seven arms the styles repeat; the labels still tell them apart.
    """
    return {arm: _ARM_STYLES[place % len(_ARM_STYLES)] for place, arm in enumerate(arms)}


def styled(make: Callable[P, Figure]) -> Callable[P, Figure]:
    """Wrap a figure function so that it draws in the common style.

    Parameters
    ----------
    make : callable
        Function that returns a Figure.

    Returns
    -------
    callable
        The same function; matplotlib's settings are as before when it returns.
    """

    @wraps(make)
    def drawn(*args: P.args, **kwargs: P.kwargs) -> Figure:
        with mpl.rc_context(RC):
            return make(*args, **kwargs)

    return drawn


def svg_document(figure: Figure) -> str:
    """Write a figure as an SVG file, the same bytes for the same figure.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The figure.

    Returns
    -------
    str
        A whole SVG document, without a date; coordinates in 0.01 point.
    """
    sink = StringIO()
    with mpl.rc_context(RC):
        figure.savefig(sink, format="svg", metadata={"Date": None, "Creator": None})
    return _PATH_DATA.sub(_round_path, _number_clips(sink.getvalue()))


def _number_clips(text: str) -> str:
    """Name clip paths by their order; Matplotlib's names depend on what was drawn before."""
    names = dict.fromkeys(re.findall(r'<clipPath id="(\w+)"', text))
    for number, name in enumerate(names):
        text = text.replace(f'"{name}"', f'"clip{number}"').replace(f"#{name})", f"#clip{number})")
    return text


def inline_svg(figure: Figure, *, prefix: str, label: str) -> str:
    """Write a figure as an SVG element to stand inside an HTML page.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The figure.
    prefix : str
        Put before every id, so that no two figures of a page share one.
    label : str
        Plain description for readers who do not see the figure.

    Returns
    -------
    str
        An ``<svg>`` element that scales with its container.
    """
    text = svg_document(figure)
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text, flags=re.DOTALL)
    # The page's own style sheet says this once, without touching the page around.
    text = re.sub(r"<style type=\"text/css\">.*?</style>", "", text, flags=re.DOTALL)
    text = re.sub(r"\bid=\"([^\"]+)\"", rf'id="{prefix}-\1"', text)
    text = re.sub(r"url\(#([^)]+)\)", rf"url(#{prefix}-\1)", text)
    text = re.sub(r"href=\"#([^\"]+)\"", rf'href="#{prefix}-\1"', text)
    head, body = text.split(">", 1)
    head = re.sub(r"\s(width|height|version|xmlns:xlink|xmlns)=\"[^\"]*\"", "", head)
    return f'{head} role="img" aria-label="{_attribute(label)}">{body}'.strip()


_PATH_DATA = re.compile(r'(?<= d=")[^"]+(?=")')
_LONG_NUMBER = re.compile(r"-?\d+\.\d{3,}")


def _round_path(match: re.Match[str]) -> str:
    rounded = _LONG_NUMBER.sub(lambda number: f"{float(number[0]):.2f}", match[0])
    return rounded.replace("\n", "")


def _attribute(text: str) -> str:
    return (
        text.replace("&", "&amp;").replace('"', "&quot;").replace("<", "&lt;").replace(">", "&gt;")
    )


__all__ = [
    "ABOVE",
    "BELOW",
    "FAINT",
    "INK",
    "INSIDE",
    "RC",
    "SHADE",
    "STRIP_WIDTH_IN",
    "TARGET",
    "WIDTH_IN",
    "ArmStyle",
    "arm_styles",
    "inline_svg",
    "styled",
    "svg_document",
]
