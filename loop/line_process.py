"""A child process that answers lines with lines, and cannot hang or outlive its owner.

Threads of its own read and write each pipe, so that neither side can block the
other for ever: what is waited for here always has a time limit.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import threading
import weakref
from collections import deque
from collections.abc import Sequence
from queue import Empty, SimpleQueue
from typing import IO, Any

from ..models.errors import problem

#: How long a process may take to end when its input has ended, and when it is
#: asked to (s); then it is killed.
GRACE_S, TERMINATE_S = 2.0, 1.0

#: A process that has closed a pipe is given this long to end (s).
LAST_WORDS_S = 0.5

#: No answer is longer (bytes).
LONGEST_LINE = 2**24

#: How much of standard error is kept: lines, and characters of each.
KEPT_LINES, KEPT_CHARACTERS = 3, 300

#: Reading stops at so many answers that nobody has taken.
UNTAKEN_LINES = 3

_OUTPUT_ENDED, _INPUT_CLOSED, _TOO_LONG = object(), object(), object()


class LineProcess:
    """A running program to which one line is written for each line that it answers.

    It ends with `end`, at the latest when this object is collected or Python
    exits.

    Parameters
    ----------
    command : sequence of str
        Program and arguments.

    Raises
    ------
    TestbedError
        If it cannot be started.
    """

    def __init__(self, command: Sequence[str]) -> None:
        self._process = _started(command)
        self._answers: SimpleQueue[Any] = SimpleQueue()
        self._lines: SimpleQueue[bytes | None] = SimpleQueue()
        self._heard: deque[str] = deque(maxlen=KEPT_LINES)
        self._threads = [
            threading.Thread(target=target, args=arguments, daemon=True)
            for target, arguments in (
                (_write, (self._process.stdin, self._lines, self._answers)),
                (_read, (self._process.stdout, self._answers)),
                (_listen, (self._process.stderr, self._heard)),
            )
        ]
        # It must not know `self`, or this object would never be collected.
        self._finish = weakref.finalize(self, _end, self._process, self._lines, self._threads)
        for thread in self._threads:
            thread.start()

    def tell(self, line: str) -> None:
        """Write a line that is not answered; never waits.

        Parameters
        ----------
        line : str
            Without its end.
        """
        self._lines.put(line.encode() + b"\n")

    def ask(self, line: str, timeout_s: float, where: str) -> str:
        """Write a line and wait for the answer.

        Parameters
        ----------
        line : str
            Without its end.
        timeout_s : float
            How long to wait (s).
        where : str
            How errors name this call.

        Returns
        -------
        str
            The answer, without its end.

        Raises
        ------
        TestbedError
            If the process has ended, wrote a line that nobody asked for, or
            gives no line of text in time.
        """
        self._refuse_unasked(where)
        self.tell(line)
        try:
            answer = self._answers.get(timeout=timeout_s)
        except Empty:
            hint = "Flush standard output after each line, or raise `timeout_s`."
            expected = f"an answer within {timeout_s:g} s"
            raise problem(where, expected, "nothing", hint) from None
        return self._text(answer, where)

    def last_words(self) -> str:
        """Say what stood last on standard error.

        Returns
        -------
        str
            A sentence with the last lines, or empty if there were none.
        """
        self._threads[2].join(LAST_WORDS_S if self._process.poll() is not None else 0.0)
        lines = " | ".join(self._heard)
        return f"Last on its standard error: {lines}" if lines else ""

    def end(self, patiently: bool = True) -> None:
        """End the process and wait for it; may be called again.

        Parameters
        ----------
        patiently : bool
            Whether it may end by itself, now that its input ends, before it
            is terminated.
        """
        if not patiently:
            _signal(self._process, "SIGTERM")
        self._finish()

    def _refuse_unasked(self, where: str) -> None:
        try:
            answer = self._answers.get_nowait()
        except Empty:
            return
        text = self._text(answer, where)
        hint = "Standard output is for answers only; write all else to standard error."
        raise problem(where, "one line for each that is asked for", shortened(text), hint)

    def _text(self, answer: Any, where: str) -> str:
        if answer is _TOO_LONG:
            raise problem(where, f"a line of at most {LONGEST_LINE} bytes", "a longer one")
        if not isinstance(answer, bytes):
            raise problem(where, "an answer", self._why_silent(answer))
        try:
            return answer.decode().rstrip("\r\n")
        except UnicodeDecodeError:
            raise problem(where, "text in UTF-8", shortened(repr(answer))) from None

    def _why_silent(self, mark: object) -> str:
        with contextlib.suppress(subprocess.TimeoutExpired):
            status = self._process.wait(LAST_WORDS_S)
            if status >= 0:
                return f"the end of the program with exit status {status}"
            return f"the end of the program by {_signal_name(-status)}"
        pipe = "input" if mark is _INPUT_CLOSED else "output"
        return f"a program that closed its standard {pipe}"


def shortened(text: str, longest: int = 120) -> str:
    """Cut a text for a message.

    Parameters
    ----------
    text : str
        Any text.
    longest : int
        Number of characters to keep.

    Returns
    -------
    str
    """
    return text if len(text) <= longest else f"{text[:longest]}..."


def _started(command: Sequence[str]) -> subprocess.Popen[bytes]:
    pipe = subprocess.PIPE
    # A session of its own: Ctrl-C reaches the owner only, and what the program
    # starts in turn can be ended with it.
    apart = os.name == "posix"
    # To forget to flush is the commonest slip; this spares Python programs from it.
    variables = {**os.environ, "PYTHONUNBUFFERED": "1"}
    try:
        return subprocess.Popen(
            list(command),
            stdin=pipe,
            stdout=pipe,
            stderr=pipe,
            start_new_session=apart,
            env=variables,
        )
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        hint = f"It cannot be started: {reason}."
        raise problem("program", "a program that can be started", command[0], hint) from error


def _write(pipe: IO[bytes], lines: SimpleQueue[bytes | None], answers: SimpleQueue[Any]) -> None:
    """Write lines until None comes or the reader has gone."""
    try:
        while (line := lines.get()) is not None:
            pipe.write(line)
            pipe.flush()
    except OSError:
        answers.put(_INPUT_CLOSED)
    finally:
        with contextlib.suppress(OSError):
            pipe.close()


def _read(pipe: IO[bytes], answers: SimpleQueue[Any]) -> None:
    """Hand on lines until the pipe ends; stop reading what nobody takes."""
    with pipe:
        while answers.qsize() < UNTAKEN_LINES:
            line = pipe.readline(LONGEST_LINE + 1)
            if not line:
                answers.put(_OUTPUT_ENDED)
                return
            answers.put(line if len(line) <= LONGEST_LINE else _TOO_LONG)


def _listen(pipe: IO[bytes], heard: deque[str]) -> None:
    with pipe:
        while line := pipe.readline(2**16):
            text = line.decode(errors="replace").strip()
            if text:
                heard.append(shortened(text, KEPT_CHARACTERS))


def _end(
    process: subprocess.Popen[bytes],
    lines: SimpleQueue[bytes | None],
    threads: Sequence[threading.Thread],
) -> None:
    """Close its input and wait; then terminate; then kill."""
    lines.put(None)
    for patience_s, then in ((GRACE_S, "SIGTERM"), (TERMINATE_S, "SIGKILL")):
        try:
            process.wait(patience_s)
            break
        except subprocess.TimeoutExpired:
            _signal(process, then)
    process.wait()
    for thread in threads:  # what the program started may hold the pipes: do not wait for that
        thread.join(LAST_WORDS_S)


def _signal(process: subprocess.Popen[bytes], name: str) -> None:
    """Send a signal to the program and all that it started."""
    if process.poll() is not None:
        return
    with contextlib.suppress(ProcessLookupError):
        if os.name == "posix":
            os.killpg(process.pid, getattr(signal, name))
        else:
            process.kill()


def _signal_name(number: int) -> str:
    try:
        return signal.Signals(number).name
    except ValueError:
        return f"signal {number}"
