"""The lessons: what their texts claim holds in their runs; the pages are whole and work."""

import html
import json
import re
from pathlib import Path
from runpy import run_path

import pytest

from oxytestbed.experiments.lesson_pages import (
    LESSONS,
    lesson_data,
    render_index,
    render_lesson,
    write_lessons,
)
from oxytestbed.experiments.lesson_parts import Control, Option, keys_of
from oxytestbed.models.errors import TestbedError

#: Beside this file; the tests are no package.
DEVTOOLS = run_path(str(Path(__file__).with_name("devtools.py")))
Browser = DEVTOOLS["Browser"]
NAMES = list(LESSONS)
in_a_browser = pytest.mark.skipif(
    DEVTOOLS["chromium"]() is None, reason="needs Chromium on this machine"
)


@pytest.fixture(scope="module")
def lessons():
    return {name: make() for name, make in LESSONS.items()}


@pytest.fixture(scope="module")
def folder(lessons, tmp_path_factory):
    place = tmp_path_factory.mktemp("lessons")
    for name, lesson in lessons.items():
        (place / f"{name}.html").write_text(render_lesson(lesson), encoding="utf-8")
    (place / "index.html").write_text(render_index(list(lessons.values())), encoding="utf-8")
    return place


def number(lesson, key, fact):
    return float(re.match(r"-?[\d.]+", lesson.variants[key].facts[fact])[0])


def test_one_displayed_percent_covers_ever_more_pao2(lessons):
    lesson = lessons["saturation_curve"]
    widths = [number(lesson, f"{shown}|19|0", "Width") for shown in (85, 92, 97, 98, 99)]
    assert widths == sorted(widths) and widths[0] <= 2 < 30 < widths[-1]
    # The numbers that the answer names.
    assert "68 mmHg to 81 mmHg" in lesson.variants["98|19|0"].says
    assert "97 mmHg to 116 mmHg" in lesson.variants["98|27|0"].says
    assert "without an upper end" in lesson.variants["98|19|2"].says


def test_a_rescue_hardly_helps_the_fall_and_lasts_as_long_as_it_is_left(lessons):
    lesson = lessons["rebound"]
    falls = {number(lesson, f"{rise}|10", "Lowest true SaO2") for rise in (0, 10, 30)}
    assert max(falls) - min(falls) <= 1
    high = [number(lesson, f"30|{left}", "True SaO2 above 95 %") for left in (1, 3, 10, 20)]
    assert high == sorted(high) and high[-1] > 19
    assert number(lesson, "0|20", "True SaO2 above 95 %") == 0


def test_windup_comes_only_where_fio2_was_at_its_limit(lessons):
    lesson, fall = lessons["lag_windup"], "FiO2 begins to fall"
    for averaging in (2, 16):
        aware = number(lesson, f"pi|10|{averaging}", fall)
        unaware = number(lesson, f"pi_no_antiwindup|10|{averaging}", fall)
        assert aware < 60 < 120 < unaware
        assert number(lesson, f"pi_no_antiwindup|15|{averaging}", fall) > unaware
    assert lesson.variants["pi|2|16"].facts == lesson.variants["pi_no_antiwindup|2|16"].facts
    assert number(lesson, "pi|10|2", fall) < number(lesson, "pi|10|16", fall)


def test_without_a_gate_fio2_runs_away_with_the_length_of_the_loss(lessons):
    lesson = lessons["signal_gate"]
    top = {key: number(lesson, key, "Highest FiO2") for key in lesson.variants}
    assert top["none|1"] < top["none|4"] < top["none|8"]
    assert top["none|8"] > 45 and max(top["hold|8"], top["full|8"]) < 35


def test_good_control_masks_and_the_alert_tells_late(lessons):
    lesson = lessons["masked_deterioration"]
    low, alert = "Alarm: low SpO2", "Alert: FiO2 above baseline"
    assert lesson.variants["quiet|2.5"].facts[low] == "never"
    assert lesson.variants["quiet|2.5"].facts[alert] == "never"
    assert number(lesson, "nobody|2.5", low) < number(lesson, "alert|2.5", alert)
    assert number(lesson, "quiet|2.5", "True SaO2 at the end") >= 91
    assert number(lesson, "quiet|2.5", "FiO2 at the end") > 42
    assert lesson.variants["alert|1"].facts[alert] == "never"


def test_the_rule_of_counting_decides_in_room_air_only(lessons):
    lesson, counted = lessons["room_air"], "Time above target, so counted"
    assert number(lesson, "0|all", counted) > 80 and number(lesson, "0|air", counted) < 1
    assert lesson.variants["0|oxygen"].facts[counted] == "not defined"
    assert len({number(lesson, f"3|{rule}", counted) for rule in ("all", "oxygen", "air")}) == 1


def test_hunting_grows_with_the_gain_and_never_ends(lessons):
    lesson, swing = lessons["hunting"], "Swing of FiO2 after 10 min"
    for averaging in (2, 8, 16):
        swings = [number(lesson, f"{gain}|{averaging}", swing) for gain in (0.004, 0.02, 0.05, 0.1)]
        assert swings == sorted(swings) and swings[0] >= 1 and swings[-1] >= 8
    spread = "Swing of true SaO2"
    assert number(lesson, "0.1|2", spread) < number(lesson, "0.1|16", spread)


@pytest.mark.parametrize("name", NAMES)
def test_a_page_is_small_whole_and_asks_for_nothing(lessons, folder, name):
    text = (folder / f"{name}.html").read_text(encoding="utf-8")
    lesson = lessons[name]
    assert len(text.encode()) < 500_000
    assert "not a medical device" in text
    assert not re.search(r"(src|href|url\()=?[\"']?(https?:)?//", text)
    plain = html.unescape(text)
    assert lesson.question in plain and all(part in plain for part in lesson.answer)
    assert text.count("<tr data-key=") == len(lesson.variants) and "<figure id=" in text
    data = json.loads(re.search(r'id="data">(.*?)</script>', text)[1])
    assert data["start"] in data["variants"]
    assert {line[3] for v in data["variants"].values() for line in v["lines"]} == set(
        range(len(data["pool"]))
    )


def test_the_list_names_every_lesson(folder):
    text = (folder / "index.html").read_text(encoding="utf-8")
    assert re.findall(r'<a href="(\w+)\.html"', text) == NAMES


def test_equal_lines_are_kept_once(lessons):
    data = lesson_data(lessons["room_air"])
    assert len(data["variants"]) == 9 and len(data["pool"]) == 6


def test_chosen_lessons_are_written_and_a_wrong_name_is_refused(tmp_path):
    said = []
    index = write_lessons(tmp_path / "class", ("saturation_curve",), said.append)
    assert said == ["saturation_curve"]
    assert {path.name for path in index.parent.iterdir()} == {"index.html", "saturation_curve.html"}
    with pytest.raises(TestbedError, match="rebound"):
        write_lessons(tmp_path / "other", ("rebount",))
    assert not (tmp_path / "other").exists()


def test_keys_go_through_all_choices_in_order():
    options = (Option(value="a", label="A"), Option(value="b", label="B"))
    controls = [Control(name=name, legend=name, options=options) for name in ("one", "two")]
    assert keys_of(controls) == ["a|a", "a|b", "b|a", "b|b"]


@in_a_browser
def test_lessons_work_by_keyboard_offline_and_without_complaint(folder, lessons):
    with Browser() as tab:
        for name in NAMES:
            tab.open((folder / f"{name}.html").as_uri())
            assert tab.run("document.getElementById('still').hidden")
            assert tab.run("document.querySelectorAll('#chart path').length") >= 2
            assert tab.run("document.documentElement.scrollWidth <= innerWidth")
        tab.open((folder / "rebound.html").as_uri())
        tab.run("document.querySelector('#controls input[type=range]').focus()")
        tab.press("ArrowRight")
        says = "document.getElementById('says').textContent"
        assert tab.run(says) == lessons["rebound"].variants["30|20"].says
        tab.press("Tab")
        tab.press("Enter", text="\r")  # "Start again" is next
        assert tab.run(says) == lessons["rebound"].variants["30|10"].says
        tab.press("Tab")
        tab.press(" ", text=" ")
        tab.run("document.querySelector('#controls input[value=\"0\"]').focus()")
        tab.press(" ", text=" ")
        assert tab.run(says) == lessons["rebound"].variants["0|10"].says
        assert tab.run("document.getElementById('keys').textContent").endswith("kept from before")
        assert {url.split(":")[0] for url in tab.requested()} <= {"file", "data"}
        assert tab.complaints() == []


@in_a_browser
def test_without_javascript_the_figure_and_the_numbers_remain(folder):
    with Browser(width=420) as tab:
        tab.call("Emulation.setScriptExecutionDisabled", value=True)
        tab.call("Page.navigate", url=(folder / "signal_gate.html").as_uri())
        tab.wait("document.readyState === 'complete' && document.getElementById('still')")
        assert not tab.run("document.getElementById('still').hidden")
        assert tab.run("document.getElementById('numbers').open")
        assert tab.run("document.getElementById('live').hidden")
