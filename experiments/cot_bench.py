"""One infant in two cots, for a person to try: one by hand, one under the controller.

Both cots are lanes of one run, so the infant meets the same disturbances and
noise in each. No simulated staff come: the person is the nurse of the first
cot, and the second shows what the controller does by itself.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from time import monotonic
from typing import Any

from simpy.rt import RealtimeEnvironment

from ..loop.alarms import Alarm
from ..loop.arms import ArmSpec
from ..loop.bench import Bench, BenchSpec
from ..loop.event_log import EventRecord
from ..loop.safeguards.settings import SafeguardSettings, changed
from ..loop.script import ScriptedEvent, play
from ..loop.signals import Mode
from ..loop.staff import Duty
from ..loop.trace import Trace
from .compare import bench_spec, nursing_groups, scenario_infants
from .scenario_settings import Scenario

#: Names of the two arms; lane 0 is that of the person.
YOU, OTHER = "you", "controller"
COTS = (YOU, OTHER)


@dataclass(frozen=True, kw_only=True)
class CotChoice:
    """What a person chose before the session.

    Attributes
    ----------
    controller : str
        As for `ArmSpec`.
    options : mapping
        Keyword arguments of the controller.
    place : int
        Which infant of the scenario.
    minutes : int
        Simulated length (min).
    """

    controller: str
    options: Mapping[str, Any] = field(default_factory=dict)
    place: int = 0
    minutes: int = 60


class PacedEnvironment(RealtimeEnvironment):
    """A clock in (faster than) real time whose speed can be changed.

    Parameters
    ----------
    speed : float
        Simulated seconds in a second.
    """

    def __init__(self, speed: float) -> None:
        super().__init__(initial_time=0, factor=1.0 / speed, strict=False)

    def pace(self, speed: float) -> None:
        """Go on from this moment, at this speed; also after a pause.

        Parameters
        ----------
        speed : float
            Simulated seconds in a second.
        """
        self.env_start, self.real_start = self.now, monotonic()
        self._factor = 1.0 / speed


def cot_spec(scenario: Scenario, choice: CotChoice) -> BenchSpec:
    """Put one infant of a scenario into two cots.

    Parameters
    ----------
    scenario : Scenario
        Infant, support, disturbances, target and safeguards; its arms and its
        warm-up play no part, because the infant starts at rest.
    choice : CotChoice
        What the person chose.

    Returns
    -------
    BenchSpec
    """
    infants, _ = scenario_infants(scenario)
    groups = nursing_groups(len(infants), 1)
    arms = tuple(
        ArmSpec(
            name=name,
            controller=choice.controller,
            options=dict(choice.options),
            safeguards=scenario.safeguards,
            overseen=False,
        )
        for name in COTS
    )
    one = infants.take(groups[choice.place : choice.place + 1])
    spec = bench_spec(scenario, one, groups[:1])
    script = tuple(replace(item, arms=()) for item in spec.script)
    return replace(spec, arms=arms, duration_s=60 * choice.minutes, warmup_s=0, script=script)


class CotBench(Bench):
    """A bench that is advanced second by second, and acted on between seconds.

    Parameters
    ----------
    spec : BenchSpec
        From `cot_spec`.
    clock : PacedEnvironment, optional
        Real time; as fast as it goes if left out.

    Attributes
    ----------
    injected : list of ScriptedEvent
        What the person made happen, as a script that repeats it.
    """

    def __init__(self, spec: BenchSpec, clock: PacedEnvironment | None = None) -> None:
        self.injected: list[ScriptedEvent] = []
        super().__init__(spec, environment=clock)
        self._mode[0] = int(Mode.MANUAL)

    def _staff_arm(self, place: int, duty: Duty) -> None:
        """Send nobody: the person is the staff, and alarms sound for them alone."""

    @property
    def tick(self) -> int:
        """Seconds that are over."""
        return int(self._env.now)

    @property
    def length_s(self) -> int:
        """Seconds that the run has."""
        return self._spec.duration_s

    @property
    def events(self) -> list[EventRecord]:
        """What happened until now, in order."""
        return self._events

    def advance(self) -> None:
        """Let one second pass."""
        self._env.run(until=self.tick + 1)

    def close(self) -> None:
        """Let the controllers give back what they hold."""
        for arm in self._controllers.values():
            arm.close()

    def set_fio2(self, fio2: float) -> None:
        """Turn the blender of the first cot by hand, which takes it over.

        Parameters
        ----------
        fio2 : float
            New setting (fraction).
        """
        self._mode[0] = int(Mode.MANUAL)
        gas = self._spec.gas
        self._command[0] = min(max(fio2, gas.fio2_min), gas.fio2_max)
        self._log(0, "fio2_by_hand", float(self._command[0]), "person")

    def hand_over(self, automatic: bool) -> None:
        """Give the first cot to its controller, or take it back.

        Parameters
        ----------
        automatic : bool
            Whether the controller holds it from now on.
        """
        self._mode[0] = int(Mode.AUTOMATIC if automatic else Mode.MANUAL)
        self._log(0, "handed_over" if automatic else "taken_back", float(automatic), "person")

    def switch(self, switches: Mapping[str, bool]) -> None:
        """Set the safeguards of the first cot; the other one keeps its own.

        Parameters
        ----------
        switches : mapping of str to bool
            Safeguards by name; those that are left out are as in the scenario.
        """
        usual = self._spec.arms[0].safeguards or SafeguardSettings()
        self._controllers[YOU].change_safeguards(changed(usual, switches))
        off = ", ".join(name for name, on in switches.items() if not on)
        self._log(0, "safeguards_off", float("nan"), off or "none")

    def inject(self, item: ScriptedEvent) -> None:
        """Let something happen now, in both cots.

        Parameters
        ----------
        item : ScriptedEvent
            What; its time is replaced by now.
        """
        self.injected.append(replace(item, at_s=self.tick))
        now = replace(item, at_s=0)  # `play` counts from the moment at which it starts
        lanes = range(self.patients.lanes)
        self._log(0, "made_happen", item.value, item.event)
        self._env.process(play(self._env, self.patients, now, lanes, self._log))

    def shown(self, lane: int) -> dict[str, float | None]:
        """Give what the monitor of a cot shows at this moment.

        Parameters
        ----------
        lane : int
            0 for the person's.

        Returns
        -------
        dict of str to float or None
            SpO2 and pulse rate are None while the reading is lost; FiO2 in percent.
        """
        oximeter, gas, heart = self.patients.oximeter, self.patients.gas, self.patients.heart
        valid = bool(oximeter.valid[lane])
        return {
            "spo2_pct": _whole(oximeter.spo2_pct[lane]) if valid else None,
            "pulse_rate_bpm": _whole(oximeter.pulse_rate_bpm[lane]) if valid else None,
            "heart_rate_bpm": _whole(heart.rate_bpm[lane]),
            "set_fio2_pct": _whole(100.0 * gas.set_fio2[lane]),
            "delivered_fio2_pct": _whole(100.0 * gas.delivered_fio2[lane]),
        }

    def acknowledge(self) -> None:
        """Silence the alarms of the first cot for a while."""
        self._ward.came(0)
        self._log(0, "alarms_silenced", float("nan"), "person")

    def alarms(self, lane: int) -> list[str]:
        """Name the alarms that sound at a cot.

        Parameters
        ----------
        lane : int
            0 for the person's.

        Returns
        -------
        list of str
        """
        return [alarm.name.lower() for alarm in Alarm if self._ward.alarms.active[alarm, lane]]

    def mode(self, lane: int) -> str:
        """Say who holds the FiO2 of a cot.

        Parameters
        ----------
        lane : int
            0 for the person's.

        Returns
        -------
        str
            Name of a `Mode`, in small letters.
        """
        return Mode(int(self._mode[lane])).name.lower()

    def course(self, lane: int) -> Trace:
        """Give the course of a cot until now.

        Parameters
        ----------
        lane : int
            0 for the person's.

        Returns
        -------
        Trace
        """
        whole = self.recording.trace(lane)
        columns = {k: v[: self.tick] for k, v in vars(whole).items() if k != "warmup_s"}
        return Trace(warmup_s=0, **columns)

    def failures(self) -> dict[str, str]:
        """Name the cots whose controller failed, with the reason.

        Returns
        -------
        dict of str to str
        """
        return {name: arm.error for name, arm in self._controllers.items() if arm.error}


def _whole(value: float) -> int | None:
    return round(float(value)) if math.isfinite(value) else None


__all__ = ["COTS", "OTHER", "YOU", "CotBench", "CotChoice", "PacedEnvironment", "cot_spec"]
