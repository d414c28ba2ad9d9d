"""Write the lessons: one file each and a list of them, all of which open offline."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

from markupsafe import Markup

from .. import __version__
from ..models.errors import nearest, problem
from .lesson_control import hunting_lesson, windup_lesson
from .lesson_figure import lesson_figure
from .lesson_oxygen import curve_lesson, rebound_lesson, room_air_lesson
from .lesson_parts import Lesson
from .lesson_safety import gate_lesson, masked_lesson
from .page import CAUTION, page_environment
from .result_folder import write_whole
from .style import inline_svg

#: Every lesson in the order of a course, with what makes it.
LESSONS: Mapping[str, Callable[[], Lesson]] = MappingProxyType(
    {
        "saturation_curve": curve_lesson,
        "rebound": rebound_lesson,
        "lag_windup": windup_lesson,
        "signal_gate": gate_lesson,
        "masked_deterioration": masked_lesson,
        "room_air": room_air_lesson,
        "hunting": hunting_lesson,
    }
)

INDEX = "index.html"


def write_lessons(
    folder: Path,
    names: tuple[str, ...] = (),
    progress: Callable[[str], None] | None = None,
) -> Path:
    """Make lessons and write them into a new folder.

    Parameters
    ----------
    folder : Path
        Where; it must not exist yet.
    names : tuple of str, optional
        Which; all if left out.
    progress : callable, optional
        Called with the name of a lesson before it is made.

    Returns
    -------
    Path
        The list of lessons.

    Raises
    ------
    TestbedError
        If there is no such lesson, or the folder cannot be made.
    """
    for name in names:
        if name not in LESSONS:
            raise problem("lesson", "the name of a lesson", name, nearest(name, LESSONS))
    chosen = [name for name in LESSONS if not names or name in names]

    def write(place: Path) -> None:
        made = []
        for name in chosen:
            if progress:
                progress(name)
            made.append(LESSONS[name]())
        for number, lesson in enumerate(made):
            after = made[number + 1] if number + 1 < len(made) else None
            page = render_lesson(lesson, number + 1, after)
            (place / f"{lesson.name}.html").write_text(page, encoding="utf-8", newline="\n")
        (place / INDEX).write_text(render_index(made), encoding="utf-8", newline="\n")

    write_whole(folder, write)
    return folder / INDEX


def render_lesson(lesson: Lesson, number: int = 1, after: Lesson | None = None) -> str:
    """Render a lesson as one HTML file.

    Parameters
    ----------
    lesson : Lesson
        The lesson.
    number : int
        Its place in the course.
    after : Lesson, optional
        The next one.

    Returns
    -------
    str
        Needs no network; script, data and figure are inside.
    """
    caption = f"{lesson.title}. {lesson.variants[lesson.start].says}"
    figure = lesson_figure(lesson, lesson.start)
    return _render(
        "lesson.html.j2",
        lesson=lesson,
        number=number,
        after=after,
        # Drawn by this program and escaped where it holds text: safe to insert.
        svg=Markup(inline_svg(figure, prefix="lesson", label=caption)),
        data=_script_json(lesson_data(lesson)),
        start=lesson.variants[lesson.start],
        words=[_words(lesson, key) for key in lesson.variants],
    )


def render_index(lessons: list[Lesson]) -> str:
    """Render the list of lessons.

    Parameters
    ----------
    lessons : list of Lesson
        In order.

    Returns
    -------
    str
    """
    return _render("lesson_index.html.j2", lessons=lessons)


def lesson_data(lesson: Lesson) -> dict[str, Any]:
    """Gather what the script of a page draws.

    Parameters
    ----------
    lesson : Lesson
        The lesson.

    Returns
    -------
    dict
        Ready for JSON. Equal lines are kept once; a line names its values by place.
    """
    pool: dict[tuple[float | None, ...], int] = {}
    variants = {}
    for key, variant in lesson.variants.items():
        lines = [
            [line.panel, line.label, line.look, pool.setdefault(line.values, len(pool))]
            for line in variant.lines
        ]
        marks = [[round(m.start, 3), round(m.end, 3), m.label] for m in variant.marks]
        variants[key] = {"lines": lines, "says": variant.says, "marks": marks}
    return {
        "title": lesson.title,
        "x": lesson.x,
        "xTitle": lesson.x_title,
        "xTicks": lesson.x_ticks,
        "panels": [
            {
                "title": panel.title,
                "low": panel.low,
                "high": panel.high,
                "ticks": panel.ticks,
                "band": panel.band,
                "share": panel.share,
            }
            for panel in lesson.panels
        ],
        "start": lesson.start,
        "variants": variants,
        "pool": list(pool),
    }


def _words(lesson: Lesson, key: str) -> dict[str, Any]:
    """Put a variant into a row of the table: choices, numbers."""
    choices = [
        next(option.label for option in control.options if option.value == value)
        for control, value in zip(lesson.controls, key.split("|"), strict=True)
    ]
    return {"key": key, "choices": choices, "facts": lesson.variants[key].facts}


def _script_json(data: object) -> Markup:
    """Write JSON so that it can stand inside a script element."""
    text = json.dumps(data, separators=(",", ":"), allow_nan=False).replace(".0,", ",")
    # No "<" is left, so nothing in it can end the element.
    return Markup(text.replace("<", "\\u003c"))


def _render(template: str, **names: object) -> str:
    given = {"caution": CAUTION, "version": __version__, **names}
    return page_environment().get_template(template).render(given)


__all__ = ["INDEX", "LESSONS", "lesson_data", "render_index", "render_lesson", "write_lessons"]
