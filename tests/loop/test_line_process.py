import sys

import pytest

from oxytestbed.loop.line_process import LineProcess, shortened
from oxytestbed.models.errors import TestbedError


def python(code):
    return LineProcess([sys.executable, "-c", code])


def test_lines_go_out_and_come_back():
    process = python("import sys\nfor line in sys.stdin: print('heard', line, end='')")
    assert process.ask("Grüße", 20, "here") == "heard Grüße"
    process.tell("not answered by name")
    process.end()
    process.end()


def test_a_line_longer_than_a_pipe_goes_through_both_ways():
    process = python("import sys\nfor line in sys.stdin: print(line, end='')")
    text = "x" * 1_000_000
    assert process.ask(text, 20, "here") == text
    process.end()


def test_last_words_are_few_and_short():
    process = python("import sys\nfor n in range(9): sys.stderr.write(f'{n}' * 999 + '\\n\\n')")
    with pytest.raises(TestbedError, match="here: expected an answer, got 'the end of the program"):
        process.ask("anything", 20, "here")
    words = process.last_words()
    process.end()
    assert words.startswith("Last on its standard error: 666")
    assert words.count(" | ") == 2 and len(words) < 1000
    assert "\n" not in words


def test_no_words_give_no_sentence():
    process = python("")
    with pytest.raises(TestbedError, match="exit status 0"):
        process.ask("anything", 20, "here")
    assert process.last_words() == ""
    process.end()


def test_a_program_that_is_missing_is_named():
    with pytest.raises(TestbedError, match=r"'no-such-program'\. It cannot be started"):
        LineProcess(["no-such-program"])


def test_a_long_text_is_cut():
    assert shortened("abc", 3) == "abc"
    assert shortened("abcd", 3) == "abc..."
