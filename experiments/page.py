"""The base of every page: one look, one order, one way to write it.

How to use it, with nothing but this module and `style`:

1. Draw figures (functions under `style.styled`) and wrap each in `Picture`;
   make tables of `Row` in `Table`. Cells and captions are escaped for you.
2. Fill a `Page`. `answer` is one paragraph of three to five short sentences;
   `points` is a list below it, a line for each arm or finding. Then `sections`
   in this order: figures first, then tables. Then `methods`, which
   `checklist.methods_sections` makes: checklist, estimand, versions, seeds.
3. `write_page(page, folder)` writes ``report.html``, ``figures/NAME.svg`` and
   ``tables/NAME.csv``; `render_page(page)` gives the HTML alone.

A page that needs parts of its own has a template that begins with
``{% extends "page.html.j2" %}``, fills the blocks `more_style`, `more_answer` or
`body`, and calls ``{{ table(...) }}``, ``{{ picture(...) }}`` and ``{{ part(...) }}``
of ``page_macros.html.j2``; render it with
``render_page(page, template="mine.html.j2", own=...)``.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from matplotlib.figure import Figure

from .. import __version__
from .style import inline_svg, svg_document

CAUTION = (
    "Teaching and engineering software, not a medical device. It simulates virtual infants and "
    "gives no advice for any real one: local protocols and licensed clinicians decide."
)

_TEMPLATES = Path(__file__).with_name("templates")


@dataclass(frozen=True, kw_only=True)
class Row:
    """One row of a table.

    Attributes
    ----------
    cells : tuple of str
        As many as the table has columns.
    kind : str
        Class of the row in the style sheet; empty for an ordinary one.
    """

    cells: tuple[str, ...]
    kind: str = ""


@dataclass(frozen=True, kw_only=True)
class Table:
    """A table of text.

    Attributes
    ----------
    caption : str
        What it shows and how to read it.
    head : tuple of str
        Column titles.
    rows : tuple of Row
        The rows.
    kind : str
        Class of the table in the style sheet: "numbers" or "words".
    name : str
        Name of its CSV file without the ending; made of the section's name if
        empty.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[Row, ...]
    kind: str = "numbers"
    name: str = ""


@dataclass(frozen=True, kw_only=True)
class Picture:
    """One figure of a page.

    Attributes
    ----------
    name : str
        File name without its ending; unique on a page.
    caption : str
        What it shows and how to read it; also read out to who cannot see it.
    figure : matplotlib.figure.Figure
        The figure.
    """

    name: str
    caption: str
    figure: Figure

    @property
    def prefix(self) -> str:
        """Name as it stands in ids of the page."""
        return self.name.replace("_", "-")

    @property
    def svg(self) -> Markup:
        """The figure as an element of the page."""
        # Drawn by this program and escaped where it holds text: safe to insert.
        return Markup(inline_svg(self.figure, prefix=self.prefix, label=self.caption))


@dataclass(frozen=True, kw_only=True)
class Section:
    """One part of a page, with a heading and a line in the contents.

    Attributes
    ----------
    name : str
        Anchor: a-z, 0-9 and -; unique on a page.
    title : str
        Heading.
    lead : sequence of str
        Paragraphs before figures and tables; `markupsafe.Markup` is inserted
        as it is.
    figures : sequence of Picture
        Figures.
    tables : sequence of Table
        Tables, after the figures.
    folded : sequence of (str, Table)
        Tables that open on a click, with the words to click on.
    notes : sequence of str
        Small print at the end.
    """

    name: str
    title: str
    lead: Sequence[str] = ()
    figures: Sequence[Picture] = ()
    tables: Sequence[Table] = ()
    folded: Sequence[tuple[str, Table]] = ()
    notes: Sequence[str] = ()


@dataclass(frozen=True, kw_only=True)
class Page:
    """All that a page shows, from top to bottom.

    Attributes
    ----------
    kind : str
        What kind of page it is, above the title.
    title : str
        Title.
    facts : str
        One line below the title: how many infants, how long, which arms.
    answer : sequence of str
        Three to five short sentences, set as one paragraph.
    points : sequence of str
        A line for each arm or finding.
    failures : sequence of (str, str)
        What did not finish, with its error.
    sections : sequence of Section
        Figures first, then tables.
    methods : sequence of Section
        Checklist, estimand, errors, versions, seeds; at the end.
    """

    kind: str
    title: str
    facts: str
    answer: Sequence[str]
    points: Sequence[str] = ()
    failures: Sequence[tuple[str, str]] = ()
    sections: Sequence[Section] = ()
    methods: Sequence[Section] = ()


def render_page(page: Page, *, template: str = "page.html.j2", **own: object) -> str:
    """Render a page as one HTML file.

    Parameters
    ----------
    page : Page
        What it shows.
    template : str, optional
        File in ``templates``; one that extends ``page.html.j2``.
    **own : object
        Further names for that template.

    Returns
    -------
    str
        Needs no network; figures and styles are inside.
    """
    names = {"page": page, "caution": CAUTION, "version": __version__, **own}
    return page_environment().get_template(template).render(names)


def page_environment() -> Environment:
    """Make the environment in which every page is rendered.

    Returns
    -------
    jinja2.Environment
        Escapes text; an unknown name is an error.
    """
    return Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )


def write_page(
    page: Page, folder: Path, *, name: str = "report.html", html: str | None = None
) -> Path:
    """Write a page, its figures as SVG files and its tables as CSV files.

    Parameters
    ----------
    page : Page
        What it shows.
    folder : Path
        Folder to write into; made if it is not there.
    name : str, optional
        File name of the page.
    html : str, optional
        The page, where it is already rendered.

    Returns
    -------
    Path
        The page.
    """
    folder.mkdir(parents=True, exist_ok=True)
    write_pictures(page, folder / "figures")
    write_tables(page, folder / "tables")
    path = folder / name
    path.write_text(render_page(page) if html is None else html, encoding="utf-8")
    return path


def write_pictures(page: Page, folder: Path) -> list[Path]:
    """Write every figure of a page as an SVG file.

    Parameters
    ----------
    page : Page
        The page.
    folder : Path
        Folder to write into; made if there is a figure.

    Returns
    -------
    list of Path
        The files, in the order of the page.
    """
    files = []
    for section in (*page.sections, *page.methods):
        for picture in section.figures:
            folder.mkdir(parents=True, exist_ok=True)
            path = folder / f"{picture.name}.svg"
            path.write_text(svg_document(picture.figure), encoding="utf-8", newline="\n")
            files.append(path)
    return files


def write_tables(page: Page, folder: Path) -> list[Path]:
    """Write every table of a page as a CSV file, cells as they are shown.

    Parameters
    ----------
    page : Page
        The page.
    folder : Path
        Folder to write into; made if there is a table.

    Returns
    -------
    list of Path
        The files, in the order of the page.
    """
    files = []
    for section in (*page.sections, *page.methods):
        tables = [*section.tables, *(table for _, table in section.folded)]
        for place, table in enumerate(tables, start=1):
            folder.mkdir(parents=True, exist_ok=True)
            number = f"_{place}" if len(tables) > 1 else ""
            stem = table.name or section.name.replace("-", "_") + number
            path = folder / f"{stem}.csv"
            with path.open("w", encoding="utf-8", newline="") as file:
                writer = csv.writer(file, lineterminator="\n")
                writer.writerow(table.head)
                writer.writerows(_plain(row.cells) for row in table.rows)
            files.append(path)
    return files


def _plain(cells: Sequence[str]) -> list[str]:
    """Take the tags out of cells that hold some, such as links."""
    return [cell.striptags() if isinstance(cell, Markup) else cell for cell in cells]


__all__ = [
    "CAUTION",
    "Page",
    "Picture",
    "Row",
    "Section",
    "Table",
    "page_environment",
    "render_page",
    "write_page",
    "write_pictures",
    "write_tables",
]
