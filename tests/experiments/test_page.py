"""The base of every page: what it shows, what it escapes, what it writes."""

import csv

import pytest
from markupsafe import Markup
from matplotlib.figure import Figure

from oxytestbed.experiments.page import (
    CAUTION,
    Page,
    Picture,
    Row,
    Section,
    Table,
    render_page,
    write_page,
)


def figure():
    made = Figure(figsize=(2, 2))
    made.subplots().plot([0, 1])
    return made


@pytest.fixture
def page():
    link = Markup('<a href="#two">two</a>')
    table = Table(caption="A <table>", head=("One", "Two"), rows=(Row(cells=(link, "2 < 3")),))
    named = Table(
        caption="Other", head=("X",), rows=(Row(cells=("y",), kind="given"),), name="other"
    )
    picture = Picture(name="a_line", caption="A <line>", figure=figure())
    return Page(
        kind="A kind",
        title="A <title>",
        facts="Some facts",
        answer=("First.", "Second."),
        points=(Markup("<strong>arm</strong>: better"),),
        failures=(("arm", "<error>"),),
        sections=(
            Section(name="one", title="One", lead=("Lead.",), figures=(picture,)),
            Section(name="two", title="Two", tables=(table,), notes=("Small.",)),
        ),
        methods=(Section(name="methods", title="Methods", folded=(("Open me", named),)),),
    )


def test_the_parts_stand_in_order(page):
    text = render_page(page)
    wanted = [
        "A kind",
        "A &lt;title&gt;</h1>",
        "Some facts",
        "First. Second.",
        "<strong>arm</strong>",
    ]
    wanted += [
        CAUTION,
        "&lt;error&gt;",
        'href="#one"',
        'href="#methods"',
        'id="one"',
        "<svg",
        'id="two"',
    ]
    wanted += ["2 &lt; 3", "Small.", 'id="methods"', "Open me", "<footer>", CAUTION]
    at = -1
    for words in wanted:
        found = text.find(words, at + 1)
        assert found > at, words
        at = found
    assert "<title>A &lt;title&gt;</title>" in text


def test_nothing_comes_from_the_network(page):
    text = render_page(page)
    assert "http" not in text and "<script" not in text and "@import" not in text


def test_figures_and_tables_are_files_too(page, tmp_path):
    assert write_page(page, tmp_path / "deep" / "run") == tmp_path / "deep" / "run" / "report.html"
    folder = tmp_path / "deep" / "run"
    assert (folder / "figures" / "a_line.svg").read_text().startswith("<?xml")
    with (folder / "tables" / "two.csv").open(newline="") as file:
        assert list(csv.reader(file)) == [["One", "Two"], ["two", "2 < 3"]]
    assert (folder / "tables" / "other.csv").read_text() == "X\ny\n"


def test_a_page_without_points_and_failures_says_nothing_of_them():
    text = render_page(Page(kind="k", title="t", facts="f", answer=("a",)))
    assert "did not finish" not in text and "<ul" not in text


def test_a_template_of_its_own_gets_its_own_names(page, tmp_path, monkeypatch):
    from oxytestbed.experiments import page as module

    for path in module._TEMPLATES.glob("*"):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    body = '{% extends "page.html.j2" %}{% block body %}<p>{{ mine }}</p>{% endblock %}'
    (tmp_path / "mine.html.j2").write_text(body)
    monkeypatch.setattr(module, "_TEMPLATES", tmp_path)
    text = render_page(page, template="mine.html.j2", mine="<mine>")
    assert "<p>&lt;mine&gt;</p>" in text and 'id="one"' not in text and 'id="methods"' in text
