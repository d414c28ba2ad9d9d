"""Laws of the default dissociation curve, its inverse and blood oxygen content."""

import numpy as np
import pytest

from oxytestbed.models import blood
from oxytestbed.models.errors import TestbedError

PO2 = np.concatenate([[0.0, 1e-6, 1e-3], np.linspace(0.1, 150.0, 700), np.geomspace(151, 1e5, 80)])


def test_saturation_rises_from_zero_and_stays_below_one():
    fraction = blood.saturation(PO2, 20.0)
    assert fraction[0] == 0.0
    assert np.all(np.diff(fraction) > 0)
    assert fraction[-1] < 1.0
    assert blood.saturation(1e5, 1.0) < 1.0


def test_half_saturation_at_p50():
    """The scale is rounded to 26.857 (root: 26.85684), worth 5e-6 of saturation."""
    p50 = np.array([15.0, 18.5, 21.0, 26.857, 35.0])
    np.testing.assert_allclose(blood.saturation(p50, p50), 0.5, atol=5e-6)


def test_a_lower_p50_moves_the_curve_to_the_left():
    assert blood.saturation(40.0, 19.5) > blood.saturation(40.0, 24.0)
    assert blood.saturation(30.0, 20.0) == pytest.approx(blood.saturation(40.2855, 26.857))


def test_floats_give_floats_and_arrays_broadcast():
    for single in (blood.saturation(40.0), blood.po2_at(0.5), blood.content(40.0, 15.0)):
        assert type(single) is float
    assert type(blood.saturation_slope(40.0)) is float
    column = np.array([[20.0], [26.0]])
    assert blood.saturation(np.array([30.0, 40.0, 50.0]), column).shape == (2, 3)
    assert blood.po2_at(np.array([0.3, 0.4, 0.5]), column).shape == (2, 3)
    assert blood.saturation_slope(np.array([30.0, 40.0, 50.0]), column).shape == (2, 3)
    assert blood.content(40.0, np.array([10.0, 15.0])).shape == (2,)


def test_po2_at_undoes_saturation():
    """To 1e-9 while S resolves PO2; above, a rounding of S moves PO2 by 1e-16 / slope."""
    for p50 in (17.0, 21.0, 26.857, 40.0):
        back = blood.po2_at(blood.saturation(PO2, p50), p50)
        resolved = 2.3e-16 / blood.saturation_slope(PO2, p50)
        low = PO2 < 4000.0
        assert np.all(np.abs(back - PO2)[low] <= 1e-12 * PO2[low] + 3.0 * resolved[low])
        assert np.max(np.abs(back - PO2)[PO2 <= 150.0]) < 1e-9


def test_po2_at_keeps_its_digits_at_low_saturation():
    tiny = np.array([1e-12, 1e-9, 1e-6])
    np.testing.assert_allclose(blood.saturation(blood.po2_at(tiny)), tiny, rtol=1e-13)


def test_slope_is_the_derivative():
    po2, step = np.linspace(1.0, 300.0, 200), 1e-4
    central = (blood.saturation(po2 + step, 21.0) - blood.saturation(po2 - step, 21.0)) / (2 * step)
    np.testing.assert_allclose(blood.saturation_slope(po2, 21.0), central, rtol=1e-4, atol=1e-11)


def test_content_is_bound_plus_dissolved():
    assert blood.content(1e5, 15.0) == pytest.approx(1.34 * 15.0 + 0.003 * 1e5)
    assert blood.content(0.0, 15.0) == 0.0
    assert blood.content(100.0, 0.0) == pytest.approx(0.3)
    half = blood.content(26.857, 20.0)
    assert half == pytest.approx(0.5 * 1.34 * 20.0 + 0.003 * 26.857, abs=2e-4)


@pytest.mark.parametrize("shape", [(1,), (37,), (2, 19)])
def test_curve_into_agrees_with_the_public_curve(shape):
    x = np.linspace(0.0, 600.0, int(np.prod(shape))).reshape(shape)
    kept = x.copy()
    fraction, slope, work = (np.full(shape, np.nan) for _ in range(3))
    blood.curve_into(x, fraction, slope, work)
    np.testing.assert_array_equal(x, kept)
    np.testing.assert_array_equal(fraction, blood.saturation(x))
    np.testing.assert_allclose(slope, blood.saturation_slope(x), rtol=1e-15)


def test_every_element_has_the_bits_it_has_alone():
    rng = np.random.default_rng(4)
    fraction, p50 = rng.uniform(0.0, 1.0, 67), rng.uniform(15.0, 45.0, 67)
    together = blood.po2_at(fraction, p50)
    assert [
        blood.po2_at(float(s), float(p)) for s, p in zip(fraction, p50, strict=True)
    ] == together.tolist()
    saturation = blood.saturation(together, p50)
    assert [blood.saturation(float(a), float(p)) for a, p in zip(together, p50, strict=True)] == (
        saturation.tolist()
    )


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: blood.saturation(-1.0), "saturation: po2_mmhg: expected a PO2 from 0"),
        (lambda: blood.saturation(np.array([40.0, np.nan])), "got nan"),
        (lambda: blood.saturation(np.array([40.0, -3.0])), "got -3.0"),
        (lambda: blood.saturation(40.0, 0.0), "saturation: p50_mmhg"),
        (lambda: blood.po2_at(1.0), "below 1, got 1.0"),
        (lambda: blood.po2_at(-0.01), "po2_at: saturation"),
        (lambda: blood.po2_at(95.0), "a fraction"),
        (lambda: blood.content(-1.0, 15.0), "content: po2_mmhg"),
        (lambda: blood.content(40.0, 150.0), "g/dL, got 150.0"),
        (lambda: blood.saturation_slope(-1.0), "saturation_slope: po2_mmhg"),
    ],
)
def test_a_value_out_of_range_is_named(call, named):
    with pytest.raises(TestbedError, match=named.replace("(", r"\(")):
        call()
