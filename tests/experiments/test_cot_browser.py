"""A session at the cot in a real browser: keyboard, both outcomes, two browsers, no other host."""

import threading
import time
from pathlib import Path
from runpy import run_path
from urllib.parse import urlsplit

import pytest

from oxytestbed.experiments.cot_house import CotHouse
from oxytestbed.experiments.cot_server import CotServer
from oxytestbed.experiments.scenario import load_scenario

#: Beside this file; the tests are no package.
DEVTOOLS = run_path(str(Path(__file__).with_name("devtools.py")))
Browser = DEVTOOLS["Browser"]

pytestmark = pytest.mark.skipif(
    DEVTOOLS["chromium"]() is None, reason="needs Chromium on this machine"
)

TEXT = "document.getElementById({!r}).textContent"


@pytest.fixture
def url(tmp_path):
    house = CotHouse(load_scenario("single_infant"), 20.0, tmp_path)
    server = CotServer(house)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    yield server.url
    server.shutdown()
    thread.join()
    server.server_close()
    house.close()


def start(tab, url):
    tab.open(url)
    tab.wait("document.querySelector('#speed option')")
    tab.run("document.querySelector('#start button').focus()")
    tab.press("Enter", text="\r")
    tab.wait(TEXT.format("fio2") + " !== '--'")
    return int(tab.run(TEXT.format("fio2")))


#: The first order that is sent takes half a second longer than those after it.
SLOW_FIRST_ORDER = """
(() => {
  const plain = window.fetch;
  let held = false;
  window.fetch = (...given) => {
    if (held || !String(given[0]).endsWith("/orders")) return plain(...given);
    held = true;
    return new Promise((go) => setTimeout(() => go(plain(...given)), 500));
  };
})()
"""


def test_orders_arrive_in_the_order_in_which_they_were_given(url):
    with Browser() as tab:
        before = start(tab, url)
        tab.run(SLOW_FIRST_ORDER)
        for _ in range(3):
            tab.press("ArrowUp")
        given = "[...document.querySelectorAll('#log li')].map((item) => item.textContent)"
        wanted = [f"FiO2 {before + more} %" for more in (3, 2, 1)]  # the latest comes first
        tab.wait(f"{given}.filter((text) => text.includes('you set FiO2')).length === 3")
        lines = [text for text in tab.run(given) if "you set FiO2" in text]
        assert [text[text.index("FiO2") :] for text in lines] == wanted


def test_a_person_plays_by_keyboard_and_gets_both_outcomes(url):
    with Browser() as tab:
        before = start(tab, url)
        for _ in range(3):
            tab.press("ArrowUp")
        tab.wait(f"{TEXT.format('fio2')} === '{before + 3}'")
        tab.press("PageUp")
        tab.wait(f"{TEXT.format('fio2')} === '{before + 8}'")
        tab.press("a", text="a")
        tab.press("h", text="h")
        tab.wait(TEXT.format("mode") + " === 'controller'")
        tab.wait("document.getElementById('log').textContent.includes('central apnoea')")
        tab.run("document.querySelector('#guard-list input[value=rate_limit]').click()")
        tab.wait("document.getElementById('off-count').textContent.includes('1')")
        tab.press("p", text="p")
        tab.wait(TEXT.format("pause") + " === 'Go on'")
        tab.press("p", text="p")
        tab.press("h", text="h")
        tab.wait(TEXT.format("mode") + " === 'you'")
        tab.run("document.getElementById('finish').click()")
        tab.wait("!document.getElementById('result').hidden")
        cells = tab.run("[...document.querySelectorAll('#outcomes td')].map((c) => c.textContent)")
        assert len(cells) == 22 and all(cells)
        assert "kept in" in tab.run(TEXT.format("kept"))
        assert {urlsplit(address).netloc for address in tab.requested()} <= {
            urlsplit(url).netloc,
            "",
        }
        assert tab.complaints() == []


def test_two_browsers_have_a_cot_each_and_one_may_leave(url):
    with Browser() as stays:
        before = start(stays, url)
        with Browser(width=420) as leaves:
            assert start(leaves, url) == before
            leaves.press("PageUp")
            leaves.wait(f"{TEXT.format('fio2')} === '{before + 5}'")
            assert leaves.run("document.documentElement.scrollWidth <= innerWidth")
        assert int(stays.run(TEXT.format("fio2"))) == before
        clock = stays.run(TEXT.format("clock"))
        time.sleep(0.6)
        assert stays.run(TEXT.format("clock")) != clock


def test_a_page_that_is_loaded_again_finds_its_session(url):
    with Browser() as tab:
        before = start(tab, url)
        tab.press("ArrowUp")
        tab.wait(f"{TEXT.format('fio2')} === '{before + 1}'")
        tab.open(url)
        tab.wait(f"{TEXT.format('fio2')} === '{before + 1}'")
