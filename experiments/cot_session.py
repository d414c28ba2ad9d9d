"""One session at the cot: a bench in its own thread, and what a page may read of it.

Orders go in through a queue that is read once a tick, and nothing else acts on
the bench. What goes out is replaced as a whole or only appended to, so that
pages can read it while the bench runs.
"""

from __future__ import annotations

import math
import secrets
from collections.abc import Callable, Mapping
from pathlib import Path
from queue import Empty, SimpleQueue
from threading import Event, Thread
from time import monotonic
from typing import Any

from ..models.errors import TestbedError, nearest, problem
from .cot_bench import COTS, CotBench, CotChoice, PacedEnvironment, cot_spec
from .cot_orders import ACTS, Act, act_of, speed_of
from .cot_record import CotResult, outcome_rows, result_of, save_session
from .scenario_settings import Scenario

#: With no page looking for so long, time stands still; and then the session ends (s).
AWAY_S, IDLE_S = 10.0, 600.0

#: How often a session that stands still looks for orders (s).
LOOK_S = 0.1

#: Outcomes are counted again after so much simulated time (s).
COUNT_S = 60

#: At most so many samples and events in one answer.
MOST_SAMPLES, MOST_EVENTS = 50_000, 200

#: What the log of the page leaves out: only a monitor of the truth could know it.
_UNSEEN = ("breathing_", "activity_", "script_", "probe_", "alarm_unseen")

_SESSION_ORDERS = ("pause", "resume", "speed", "finish")


class CotSession:
    """One infant, two cots, one person.

    Parameters
    ----------
    scenario : Scenario
        The scenario.
    choice : CotChoice
        What the person chose.
    speed : float
        Simulated seconds in a second.
    folder : Path or None
        Where the session is kept when it ends; None keeps nothing.

    Attributes
    ----------
    key : str
        Name of the session; hard to guess.
    saved : str
        Folder in which it is kept; empty before, or the reason why it is not.
    """

    def __init__(
        self, scenario: Scenario, choice: CotChoice, speed: float, folder: Path | None
    ) -> None:
        self.key = secrets.token_urlsafe(12)
        self.saved = ""
        self._scenario, self._choice, self._folder = scenario, choice, folder
        self._speed, self._paused, self._end = speed, False, ""
        self._clock = PacedEnvironment(speed)
        self._bench = CotBench(cot_spec(scenario, choice), self._clock)
        self._orders: SimpleQueue[Callable[[], None]] = SimpleQueue()
        self._samples: list[tuple[float | None, ...]] = []
        self._off: list[str] = []
        self._notes: list[str] = []
        self._rows: list[dict[str, object]] = []
        self._now: dict[str, Any] = {}
        self._result: CotResult | None = None
        self._seen = monotonic()
        self._over = Event()
        self._show()
        self._thread = Thread(target=self._go, name=f"cot {self.key}", daemon=True)
        self._thread.start()

    @property
    def over(self) -> bool:
        """Whether it has ended and is kept."""
        return self._over.is_set()

    @property
    def forgotten(self) -> bool:
        """Whether no page has looked at it for so long that it can go."""
        return monotonic() - self._seen > IDLE_S

    @property
    def result(self) -> CotResult | None:
        """Courses and events; None while it runs."""
        return self._result

    def seen(self) -> None:
        """Note that a page looks at it."""
        self._seen = monotonic()

    def end(self, reason: str) -> None:
        """Ask it to end, keeping what there is.

        Parameters
        ----------
        reason : str
            Why, for the page.
        """
        self._orders.put(lambda: self._finish(reason))

    def wait(self, seconds: float) -> bool:
        """Wait until it has ended and is kept.

        Parameters
        ----------
        seconds : float
            At most so long.

        Returns
        -------
        bool
            Whether it has.
        """
        return self._over.wait(seconds)

    def order(self, message: object) -> None:
        """Take an order from a page; it acts from the next tick on.

        Parameters
        ----------
        message : object
            From JSON; an object with ``do``.

        Raises
        ------
        TestbedError
            If it cannot be used.
        """
        do = message.get("do") if isinstance(message, Mapping) else None
        known = [*ACTS, *_SESSION_ORDERS]
        if not isinstance(message, Mapping) or not isinstance(do, str) or do not in known:
            hint = nearest(str(do), known)
            raise problem("order", 'an object with "do", one of the orders', message, hint)
        if do in ACTS:
            act = act_of(message)
            off = [str(name) for name in message.get("off", [])] if do == "safeguards" else None
            self._orders.put(lambda: self._act(act, off))
        elif do == "speed":
            speed = speed_of(message.get("speed"))
            self._orders.put(lambda: self._pace(speed))
        elif do == "finish":
            self.end("finished by hand")
        else:
            paused = do == "pause"
            self._orders.put(lambda: self._pause(paused))

    def state(self, since: int) -> dict[str, Any]:
        """Give what a page shows.

        Parameters
        ----------
        since : int
            Samples that the page has already.

        Returns
        -------
        dict
            Ready for JSON. Nothing in it that a bedside monitor would not show,
            until the session is over.
        """
        over, now = self.over, self._now
        first = max(0, min(since, len(self._samples)))
        samples = self._samples[first : first + MOST_SAMPLES]
        return {
            "key": self.key,
            **now,
            "over": over,
            "end": self._end,
            "saved": self.saved,
            "paused": self._paused,
            "speed": self._speed,
            "since": first,
            "samples": samples,
            "safeguards_off": self._off,
            "notes": self._notes[-5:],
            "outcomes": [row for row in self._rows if over or not row["true_signal"]],
            "truth": self._truth() if over else None,
        }

    def _truth(self) -> dict[str, list[float]]:
        """Give the true saturation of both cots every 5 s, for afterwards."""
        courses = self._result.courses if self._result else ()
        return {
            cot: [round(value, 1) for value in course.sao2_pct[::5].tolist()]
            for cot, course in zip(COTS, courses, strict=False)
        }

    def _go(self) -> None:
        try:
            self._run()
        except Exception as error:  # a session that breaks must not take the others with it
            self._end = f"stopped by an error: {error}"
        finally:
            self._keep()
            self._over.set()

    def _run(self) -> None:
        bench, stood = self._bench, True
        while not self._end:
            self._obey()
            if self._end:
                return
            away_s = monotonic() - self._seen
            if away_s > IDLE_S:
                self._finish("ended: no page had looked at it for 10 minutes")
            elif self._paused or away_s > AWAY_S:
                stood = True
                self._rest()
            else:
                if stood:
                    self._clock.pace(self._speed)
                    stood = False
                bench.advance()
                self._show()
                if bench.tick >= bench.length_s:
                    self._finish("complete")

    def _rest(self) -> None:
        """Stand still until an order comes, or for a moment."""
        try:
            self._orders.get(timeout=LOOK_S)()
        except Empty:
            return
        self._show()

    def _obey(self) -> None:
        while True:
            try:
                order = self._orders.get_nowait()
            except Empty:
                return
            order()

    def _act(self, act: Act, off: list[str] | None) -> None:
        try:
            act(self._bench)
        except TestbedError as error:
            self._notes.append(str(error))
            return
        if off is not None:
            self._off = off

    def _pace(self, speed: float) -> None:
        self._speed = speed
        self._clock.pace(speed)

    def _pause(self, paused: bool) -> None:
        self._paused = paused
        self._clock.pace(self._speed)

    def _finish(self, reason: str) -> None:
        self._end = self._end or reason

    def _show(self) -> None:
        """Put out what the monitors show now."""
        bench = self._bench
        shown = [bench.shown(lane) for lane in range(len(COTS))]
        if bench.tick > len(self._samples):
            sample = [value[name] for value in shown for name in ("spo2_pct", "set_fio2_pct")]
            self._samples.append(tuple(sample))
            if bench.tick % COUNT_S == 0:
                self._count()
        cots: dict[str, dict[str, Any]] = {
            cot: {**shown[lane], "mode": bench.mode(lane), "alarms": bench.alarms(lane)}
            for lane, cot in enumerate(COTS)
        }
        for cot, reason in bench.failures().items():
            cots[cot]["failed"] = reason
        self._now = {"tick": bench.tick, "length_s": bench.length_s, "cots": cots}
        self._now["log"] = self._log()

    def _log(self) -> list[dict[str, object]]:
        """Give the last events of the person's cot that a person could notice."""
        recent = self._bench.events[-MOST_EVENTS:]
        mine = [event for event in recent if event.arm == COTS[0]]
        kept = [event for event in mine if not event.event.startswith(_UNSEEN)]
        return [
            {
                "time_s": event.time_s,
                "event": event.event,
                "value": event.value if math.isfinite(event.value) else None,
                "detail": event.detail,
            }
            for event in kept[-12:]
        ]

    def _count(self) -> None:
        target = self._scenario.target
        courses = [self._bench.course(lane) for lane in range(len(COTS))]
        self._rows = outcome_rows(courses, target.low_pct, target.high_pct)

    def _keep(self) -> None:
        """Count for the last time, and write the folder."""
        bench = self._bench
        try:
            bench.close()
            if bench.tick:
                self._count()
                self._result = result_of(self._scenario, self._choice, bench)
                if self._folder is not None:
                    self.saved = str(save_session(self._result, self._folder))
        except Exception as error:
            self.saved = f"not kept: {error}"


__all__ = ["AWAY_S", "IDLE_S", "CotSession"]
