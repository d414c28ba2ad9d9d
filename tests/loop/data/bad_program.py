"""An external program that goes wrong in the way that its first argument names.

A second argument names a file to which it adds its process number.
"""

import json
import os
import signal
import sys
import time
from pathlib import Path

INTRODUCTION = '{"name": "bad", "period_s": 1}'

ANSWERS = {
    "garbage": "hello",
    "half": '{"fio2": [0.3',
    "nan": '{"fio2": [NaN, 0.3]}',
    "infinite": '{"fio2": [1e999, 0.3]}',
    "text": '{"fio2": ["0.3", 0.3]}',
    "boolean": '{"fio2": [true, 0.3]}',
    "short": '{"fio2": [0.3]}',
    "number": '{"fio2": 0.3}',
    "list": "[0.3, 0.3]",
    "other key": '{"fi02": [0.3, 0.3]}',
    "more keys": '{"fio2": [0.3, 0.3], "note": 1}',
    "deep": "[" * 100_000,
    "twice": '{"fio2": [0.3, 0.3]}\n{"fio2": [0.3, 0.3]}',
    "reports": '{"error": "no licence"}',
    "null": '{"fio2": [null, 0.3]}',
    "noisy": '{"fio2": [0.3, 0.4]}',
    "stubborn": '{"fio2": [0.3, 0.4]}',
    "other name": '{"fio2": [0.3, 0.4]}',
}

INTRODUCTIONS = {
    "banner": "Welcome!\n" + INTRODUCTION,
    "nameless": '{"name": "", "period_s": 1}',
    "no period": '{"name": "bad"}',
    "half a second": '{"name": "bad", "period_s": 0.5}',
    "other name": f'{{"name": "bad {os.getpid()}", "period_s": 1}}',
}


def act(kind):
    if kind == "slow":
        time.sleep(30)
    elif kind == "dies":
        sys.stderr.write("some words\nboom: the last words\n")
        sys.exit(3)
    elif kind == "killed":
        os.kill(os.getpid(), signal.SIGKILL)
    elif kind == "mute":
        os.close(1)
        time.sleep(30)
    elif kind == "bytes":
        os.write(1, b"\xff\xfe\n")
    elif kind == "endless":
        while True:
            os.write(1, b"x" * 1000)
    elif kind == "noisy":
        sys.stderr.write("many words " * 100_000 + "\n")


def main():
    kind = sys.argv[1]
    if len(sys.argv) > 2:
        with Path(sys.argv[2]).open("a", encoding="utf-8") as file:
            file.write(f"{os.getpid()}\n")
    if kind == "stubborn":
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
    for line in sys.stdin:
        ((message, content),) = json.loads(line).items()
        if message == "reset":
            if kind == "deaf" and content["lanes"] > 1:
                os.close(0)  # before the answer, so that the next line meets a closed pipe
            print(INTRODUCTIONS.get(kind, INTRODUCTION), flush=True)
            if kind in ("deaf", "asleep") and content["lanes"] > 1:
                time.sleep(30)
        elif message == "act":
            act(kind)
            print(ANSWERS.get(kind, ""), flush=True)
    if kind == "stubborn":
        time.sleep(30)


if __name__ == "__main__":
    main()
