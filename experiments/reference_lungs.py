"""The lungs and blood of one infant in plain Python floats: a slow twin of `models.lungs`.

The same model and the same integration scheme, written once more from the
equations of `models.lung_equations`, as they are read.
"""

from __future__ import annotations

from dataclasses import dataclass

from ..models.blood import HALF, LINEAR, STANDARD_P50_MMHG
from ..models.lung_parameters import (
    DISSOLVED_ML_ML_MMHG,
    DRY_MMHG,
    GAS_FACTOR_MMHG,
    UPTAKE_HALF_CONTENT,
    LungParameters,
)
from ..models.lungs import REFILL_PER_S, STEPS_S
from ..models.steady import SteadyState

#: The inversion of blood content ends with a Newton step below this (mmHg).
LAST_STEP_MMHG = 1e-7

State = tuple[float, float, float, float]


@dataclass(frozen=True, kw_only=True)
class LungDrive:
    """What acts on one infant's lungs for a second.

    Attributes
    ----------
    inspired_fio2 : float
        FiO2 at the airway (fraction).
    breathing : float
        Share of normal alveolar ventilation.
    closed : bool
        Whether the airway is closed.
    ventilation_well_ml_s, ventilation_poor_ml_s : float
        Alveolar ventilation of each part of the lung in quiet breathing (mL/s/kg).
    shunt : float
        True shunt (fraction).
    flow_ml_s : float
        Cardiac output (mL/s/kg).
    """

    inspired_fio2: float
    breathing: float
    closed: bool
    ventilation_well_ml_s: float
    ventilation_poor_ml_s: float
    shunt: float
    flow_ml_s: float


class LungTwin:
    """Gas exchange of one infant.

    Parameters
    ----------
    parameters : LungParameters
        Parameters of one lane.
    start : SteadyState
        State from which to start, one lane.

    Attributes
    ----------
    state : tuple of float
        PO2 of the well and the poor part (mmHg), arterial and venous content (mL/mL).
    pao2_mmhg, sao2_fraction : float
        Arterial PO2 and saturation now.
    """

    def __init__(self, parameters: LungParameters, start: SteadyState) -> None:
        self.capacity = float(parameters.capacity[0])
        self.p50_mmhg = float(parameters.p50_mmhg[0])
        self.paco2_mmhg = float(parameters.paco2_mmhg[0])
        self.vo2_ml_s = float(parameters.vo2_ml_s[0])
        self.arterial_ml = float(parameters.arterial_volume_ml[0])
        self.venous_ml = float(parameters.venous_volume_ml[0])
        self.perfusion_share = [float(share) for share in parameters.perfusion_share[:, 0]]
        self.resting_ml = [float(volume) for volume in parameters.volume_ml[:, 0]]
        self.volume_ml = list(self.resting_ml)
        well, poor = (float(po2) for po2 in start.p_mmhg[:, 0])
        self.state: State = (well, poor, float(start.ca[0]), float(start.cv[0]))
        self.pao2_mmhg = float(start.pao2_mmhg[0])
        self.sao2_fraction = float(start.sao2_fraction[0])

    def step(self, drive: LungDrive) -> None:
        """Advance by one second.

        Parameters
        ----------
        drive : LungDrive
            Holds throughout the second.
        """
        second = Second(self, drive)
        self.state = self.advanced(second)
        self.volume_ml = [second.volume_after(0, self.state), second.volume_after(1, self.state)]
        self.pao2_mmhg = self._po2_at_content(self.state[2], self.pao2_mmhg)
        dissolved = DISSOLVED_ML_ML_MMHG * self.pao2_mmhg
        self.sao2_fraction = (self.state[2] - dissolved) / self.capacity

    def advanced(self, second: Second) -> State:
        """Give the state at the end of a second.

        Parameters
        ----------
        second : Second
            The right-hand side.

        Returns
        -------
        tuple of float
        """
        state = self.state
        for step_s in STEPS_S:
            state = second.rodas3(state, step_s)
        return state

    def content_and_slope(self, po2_mmhg: float) -> tuple[float, float]:
        """Give the oxygen content of blood and its slope.

        Parameters
        ----------
        po2_mmhg : float
            PO2, at least 0.

        Returns
        -------
        tuple of float
            Content (mL/mL) and slope (mL/mL/mmHg).
        """
        stretch = STANDARD_P50_MMHG / self.p50_mmhg
        x = po2_mmhg * stretch
        y = x * x * x + LINEAR * x
        dy_dx = 3.0 * x * x + LINEAR
        slope = HALF * dy_dx / ((y + HALF) * (y + HALF)) * stretch
        return (
            self.capacity * y / (y + HALF) + DISSOLVED_ML_ML_MMHG * po2_mmhg,
            self.capacity * slope + DISSOLVED_ML_ML_MMHG,
        )

    def _po2_at_content(self, content: float, guess_mmhg: float) -> float:
        """Invert the content curve by Newton steps, kept inside a bracket."""
        low, high = 0.0, 10.0 * DRY_MMHG
        po2 = guess_mmhg
        while True:
            found, slope = self.content_and_slope(po2)
            low, high = (low, po2) if found > content else (po2, high)
            newton = po2 - (found - content) / slope
            better = newton if low <= newton <= high else 0.5 * (low + high)
            if abs(better - po2) < LAST_STEP_MMHG:
                return better
            po2 = better


class Second:
    """The right-hand side during one second, and its linearly implicit step.

    Parameters
    ----------
    lung : LungTwin
        Whose.
    drive : LungDrive
        Holds throughout the second.
    """

    def __init__(self, lung: LungTwin, drive: LungDrive) -> None:
        self.lung, self.drive = lung, drive
        self.ventilation = (
            drive.ventilation_well_ml_s * drive.breathing,
            drive.ventilation_poor_ml_s * drive.breathing,
        )
        self.gain = [drive.flow_ml_s * (1.0 - drive.shunt) * q for q in lung.perfusion_share]
        # An open lung goes a part of the way to its resting volume and stands at the middle of
        # that way meanwhile. A closed one keeps its volume of gas other than oxygen.
        self.growth = [
            REFILL_PER_S * (rest - now)
            for rest, now in zip(lung.resting_ml, lung.volume_ml, strict=True)
        ]
        self.other_gas = [
            volume * (DRY_MMHG - po2)
            for volume, po2 in zip(lung.volume_ml, lung.state, strict=False)
        ]

    def volume_after(self, part: int, state: State) -> float:
        """Give the volume of a part of the lung at the end of the second.

        Parameters
        ----------
        part : int
            0 well, 1 poorly ventilated.
        state : tuple of float
            As in `LungTwin`, at that time.

        Returns
        -------
        float
            mL/kg.
        """
        if self.drive.closed:
            return self.other_gas[part] / (DRY_MMHG - state[part])
        return self.lung.volume_ml[part] + self.growth[part]

    def gas_rate(self, part: int, po2: float, venous: float) -> tuple[float, float, float, float]:
        """Give the rate of PO2, the uptake, and the rate's derivatives by PO2 and by uptake.

        Parameters
        ----------
        part : int
            0 well, 1 poorly ventilated.
        po2 : float
            PO2 of that part (mmHg).
        venous : float
            Venous content (mL/mL).

        Returns
        -------
        tuple of float
        """
        fio2 = self.drive.inspired_fio2
        content, _ = self.lung.content_and_slope(po2)
        uptake = self.gain[part] * (content - venous)
        if self.drive.closed:
            share = 1.0 - po2 / DRY_MMHG
            volume = self.other_gas[part] / (DRY_MMHG - po2)
            by_uptake = -GAS_FACTOR_MMHG * share / volume
            # Both factors hold (dry - PO2), so the rate goes with its square.
            by_po2 = -2.0 * by_uptake * uptake / (DRY_MMHG - po2)
            return by_uptake * uptake, uptake, by_po2, by_uptake
        volume = self.lung.volume_ml[part] + 0.5 * self.growth[part]
        inspired = fio2 * DRY_MMHG
        filling = max(self.growth[part], 0.0)
        breathed = self.ventilation[part] * (inspired - po2 - fio2 * self.lung.paco2_mmhg)
        by_uptake = -GAS_FACTOR_MMHG * (1.0 - fio2) / volume
        rate = (breathed + filling * (inspired - po2)) / volume + by_uptake * uptake
        return rate, uptake, -(self.ventilation[part] + filling) / volume, by_uptake

    def rates(self, state: State) -> State:
        """Give the rate of change of the state.

        Parameters
        ----------
        state : tuple of float
            As in `LungTwin`.

        Returns
        -------
        tuple of float
            Per second.
        """
        well, poor, arterial, venous = state
        lung = self.lung
        well_rate, well_uptake, _, _ = self.gas_rate(0, well, venous)
        poor_rate, poor_uptake, _, _ = self.gas_rate(1, poor, venous)
        moved = self.drive.flow_ml_s * (arterial - venous)
        used = lung.vo2_ml_s * venous / (venous + UPTAKE_HALF_CONTENT)
        return (
            well_rate,
            poor_rate,
            (well_uptake + poor_uptake - moved) / lung.arterial_ml,
            (moved - used) / lung.venous_ml,
        )

    def rodas3(self, state: State, step_s: float) -> State:
        """Take one step of Rodas3; see `models.lungs` for its source.

        Parameters
        ----------
        state : tuple of float
            As in `LungTwin`.
        step_s : float
            Length of the step (s).

        Returns
        -------
        tuple of float
            State at its end.
        """
        solver = _Arrow(self, state, 2.0 / step_s)
        first = self.rates(state)
        k1 = solver.solve(first)
        k2 = solver.solve(_sum(first, k1, 4.0 / step_s))
        trial = _sum(state, k1, 2.0)
        difference = _sum(k1, k2, -1.0)
        k3 = solver.solve(_sum(self.rates(trial), difference, 1.0 / step_s))
        trial = _sum(trial, k3, 1.0)
        right = _sum(self.rates(trial), difference, 1.0 / step_s)
        k4 = solver.solve(_sum(right, k3, -8.0 / (3.0 * step_s)))
        well, poor, arterial, venous = _sum(trial, k4, 1.0)
        return max(well, 0.0), max(poor, 0.0), max(arterial, 0.0), max(venous, 0.0)


class _Arrow:
    """The matrix ``shift I - J``, in which each gas meets the venous blood only."""

    def __init__(self, second: Second, state: State, shift: float) -> None:
        lung, drive, venous = second.lung, second.drive, state[3]
        self.pivot, self.by_venous, self.to_arterial = [0.0, 0.0], [0.0, 0.0], [0.0, 0.0]
        for part in (0, 1):
            _, slope = lung.content_and_slope(state[part])
            _, _, by_po2, by_uptake = second.gas_rate(part, state[part], venous)
            gain = second.gain[part]
            self.pivot[part] = shift - by_po2 - by_uptake * gain * slope
            self.by_venous[part] = by_uptake * gain
            self.to_arterial[part] = -gain * slope / lung.arterial_ml
        self.arterial_pivot = shift + drive.flow_ml_s / lung.arterial_ml
        self.shunted = -drive.flow_ml_s * drive.shunt / lung.arterial_ml
        self.to_venous = -drive.flow_ml_s / lung.venous_ml
        below = (venous + UPTAKE_HALF_CONTENT) * (venous + UPTAKE_HALF_CONTENT)
        fading = lung.vo2_ml_s * UPTAKE_HALF_CONTENT / below
        self.venous_pivot = shift + (drive.flow_ml_s + fading) / lung.venous_ml

    def solve(self, right: State) -> State:
        """Eliminate the gases, then the arterial blood, and go back."""
        arterial_right, arterial_by_venous = right[2], self.shunted
        for part in (0, 1):
            factor = self.to_arterial[part] / self.pivot[part]
            arterial_right -= factor * right[part]
            arterial_by_venous -= factor * self.by_venous[part]
        factor = self.to_venous / self.arterial_pivot
        venous = (right[3] - factor * arterial_right) / (
            self.venous_pivot - factor * arterial_by_venous
        )
        arterial = (arterial_right - arterial_by_venous * venous) / self.arterial_pivot
        well = (right[0] - self.by_venous[0] * venous) / self.pivot[0]
        poor = (right[1] - self.by_venous[1] * venous) / self.pivot[1]
        return well, poor, arterial, venous


def _sum(first: State, second: State, factor: float) -> State:
    """Give ``first + factor * second``."""
    return (
        first[0] + factor * second[0],
        first[1] + factor * second[1],
        first[2] + factor * second[2],
        first[3] + factor * second[3],
    )
