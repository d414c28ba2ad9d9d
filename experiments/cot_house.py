"""All sessions of one server: who may begin one, and what happens to old ones."""

from __future__ import annotations

from pathlib import Path
from threading import Lock
from typing import Any

from ..loop.safeguards.settings import SAFEGUARDS
from ..models.errors import TestbedError, problem
from .compare import scenario_infants
from .cot_orders import (
    FASTEST,
    LONGEST_MIN,
    SHORTEST_MIN,
    SLOWEST,
    USUAL_MIN,
    choice_of,
    described_event,
    offered_controllers,
    offered_events,
    speed_of,
)
from .cot_session import CotSession
from .scenario_settings import Scenario

#: Sessions that run at a time, and that are remembered after their end.
MOST_SESSIONS, MOST_REMEMBERED = 8, 32

#: How long a server that stops waits for sessions to be kept (s).
PATIENCE_S = 20.0


class HouseFullError(TestbedError):
    """As many sessions run as may run at a time."""


class CotHouse:
    """The sessions of one server.

    Parameters
    ----------
    scenario : Scenario
        What every session plays.
    speed : float
        Usual speed (simulated seconds in a second).
    folder : Path or None
        Where sessions are kept when they end.
    """

    def __init__(self, scenario: Scenario, speed: float, folder: Path | None) -> None:
        self._scenario, self._speed, self._folder = scenario, speed_of(speed), folder
        infants, _ = scenario_infants(scenario)
        self._infants = len(infants)
        self._lock = Lock()
        self._sessions: dict[str, CotSession] = {}

    def setup(self) -> dict[str, Any]:
        """Describe what can be chosen, for the page.

        Returns
        -------
        dict
            Ready for JSON.
        """
        scenario = self._scenario
        return {
            "title": scenario.title,
            "name": scenario.name,
            "target": {"low_pct": scenario.target.low_pct, "high_pct": scenario.target.high_pct},
            "fio2": {
                "low_pct": round(100 * scenario.gas.fio2_min),
                "high_pct": round(100 * scenario.gas.fio2_max),
            },
            "infants": self._infants,
            "controllers": list(offered_controllers(scenario)),
            "events": [described_event(name, item) for name, item in offered_events().items()],
            "safeguards": [
                {"name": name, "words": name.replace("_", " "), "doc": doc}
                for name, doc in SAFEGUARDS.items()
                if getattr(scenario.safeguards, name)
            ],
            "speed": {"low": SLOWEST, "usual": self._speed, "high": FASTEST},
            "minutes": {"low": SHORTEST_MIN, "usual": USUAL_MIN, "high": LONGEST_MIN},
            "kept_in": str(self._folder) if self._folder else "",
        }

    def begin(self, message: object) -> CotSession:
        """Begin a session.

        Parameters
        ----------
        message : object
            From JSON; see `choice_of`.

        Returns
        -------
        CotSession

        Raises
        ------
        HouseFullError
            If too many run already.
        TestbedError
            If the choice cannot be used.
        """
        if isinstance(message, dict):
            message = {"speed": self._speed, **message}
        choice, speed = choice_of(message, self._scenario, self._infants)
        with self._lock:
            self._forget()
            running = sum(not session.over for session in self._sessions.values())
            if running >= MOST_SESSIONS:
                raise HouseFullError(
                    f"sessions: expected at most {MOST_SESSIONS} at a time. Finish one, or wait: "
                    "a session that no page looks at ends after 10 minutes."
                )
            session = CotSession(self._scenario, choice, speed, self._folder)
            self._sessions[session.key] = session
        return session

    def find(self, key: str) -> CotSession:
        """Find a session, which also tells it that a page looks at it.

        Parameters
        ----------
        key : str
            Its name.

        Returns
        -------
        CotSession

        Raises
        ------
        TestbedError
            If there is none, or none any more.
        """
        with self._lock:
            session = self._sessions.get(key)
        if session is None:
            raise problem("session", "one that exists", key[:40], "It may have ended; begin anew.")
        session.seen()
        return session

    def close(self) -> None:
        """End all sessions and wait until what they have is kept."""
        with self._lock:
            sessions = list(self._sessions.values())
        for session in sessions:
            session.end("ended: the server was stopped")
        for session in sessions:
            session.wait(PATIENCE_S)

    def _forget(self) -> None:
        """Let go of sessions that are over: old ones, and the oldest beyond a number."""
        over = [key for key, session in self._sessions.items() if session.over]
        old = [key for key in over if self._sessions[key].forgotten]
        excess = len(over) - MOST_REMEMBERED
        for key in {*old, *over[: max(0, excess)]}:
            del self._sessions[key]


__all__ = ["MOST_SESSIONS", "CotHouse", "HouseFullError"]
