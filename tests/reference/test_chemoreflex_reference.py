"""The response to stored CO2 against figures from memory."""

import pytest

from oxytestbed.models.chemoreflex import DEBT_TIME_S


def test_the_debt_time_follows_from_store_and_response():
    """All from memory, so the tolerance is wide (30 %).

    CO2 output 6 mL/min/kg; lung 20 mL/kg at 1/713 per mmHg; blood 85 mL/kg at
    0.0045 mL/mL/mmHg; response 35 to 40 mL/min/kg/mmHg on 280 mL/min/kg.
    """
    store_ml_kg_mmhg = 20.0 / 713.0 + 85.0 * 0.0045
    rise_mmhg_s = 6.0 / 60.0 / store_ml_kg_mmhg
    response_per_mmhg = 37.5 / 280.0
    assert pytest.approx(1.0 / (rise_mmhg_s * response_per_mmhg), rel=0.3) == DEBT_TIME_S
