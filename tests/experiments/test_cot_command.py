"""The commands `oxytestbed cot` and `oxytestbed lesson`, as a teacher types them."""

import argparse
import json
import re
import signal
import subprocess
import sys
from urllib.request import Request, urlopen

from oxytestbed.experiments.cli_cot import add_cot
from oxytestbed.experiments.cli_lesson import add_lesson
from oxytestbed.experiments.lesson_pages import LESSONS

START = """
import argparse, sys
from oxytestbed.experiments.cli_cot import add_cot
parser = argparse.ArgumentParser()
add_cot(parser.add_subparsers())
given = parser.parse_args(["cot", "--port", "0", "--speed", "60", "--out", sys.argv[1]])
sys.exit(given.run(given))
"""


def parsed(*words):
    parser = argparse.ArgumentParser()
    commands = parser.add_subparsers()
    add_cot(commands)
    add_lesson(commands)
    return parser.parse_args(words)


def test_the_cot_starts_with_an_address_and_ends_by_ctrl_c_with_all_kept(tmp_path):
    with subprocess.Popen(
        [sys.executable, "-c", START, str(tmp_path)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as server:
        url = re.search(r"http://127\.0\.0\.1:\d+/", server.stdout.readline())[0]
        begin = Request(f"{url}api/sessions", b"{}", {"Content-Type": "application/json"})
        with urlopen(begin, timeout=20) as answer:
            key = json.load(answer)["key"]
        tick = 0
        while tick < 5:
            with urlopen(f"{url}api/sessions/{key}", timeout=20) as answer:
                tick = json.load(answer)["tick"]
        server.send_signal(signal.SIGINT)
        said, complained = server.communicate(timeout=30)
    assert server.returncode == 0 and complained == ""
    assert "kept" in said
    assert (tmp_path / "single_infant" / "trace_you.csv").is_file()


def test_lessons_are_listed_and_written(tmp_path, capsys):
    given = parsed("lesson", "--list")
    assert given.run(given) == 0
    assert capsys.readouterr().out.split() == list(LESSONS)
    given = parsed("lesson", "saturation_curve", "--out", str(tmp_path / "class"))
    assert given.run(given) == 0
    assert (tmp_path / "class" / "index.html").is_file()
    assert "index.html" in capsys.readouterr().out


def test_the_cot_has_the_usual_defaults():
    given = parsed("cot")
    assert (given.scenario, given.port, given.speed) == ("single_infant", 0, 20.0)
