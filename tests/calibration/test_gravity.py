"""Normal gravity against published values."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fifthwheel.calibration.gravity import WITHOUT_PLACE, local_gravity, normal_gravity
from fifthwheel.errors import FifthwheelError

from .made import recording_of


@pytest.mark.parametrize(
    ("latitude", "height", "gravity", "close", "source"),
    [
        (0.0, 0.0, 9.7803253359, 1e-10, "NIMA TR8350.2 (WGS 84), table 3.4: equator"),
        (90.0, 0.0, 9.8321849378, 2e-10, "NIMA TR8350.2 (WGS 84), table 3.4: pole; 9.8321849379 in NGA.STND.0036"),
        (45.0, 0.0, 9.806199, 2e-6, "GRS 80 (Moritz, Bulletin Geodesique 54, 1980): 9.806199203 at 45 deg"),
        (45.0, 0.0, 9.80665, 6e-4, "standard gravity, meant for 45 deg at sea level (3rd CGPM, 1901)"),
    ],
)
def test_normal_gravity(latitude: float, height: float, gravity: float, close: float, source: str) -> None:
    assert normal_gravity(math.radians(latitude), height) == pytest.approx(gravity, abs=close), source


def gravity_1980(latitude: float) -> float:
    """Return gravity [m/s2] at a latitude [deg] by the gravity formula 1980, good to 1e-6 m/s2 (Moritz 1980)."""
    s, s2 = math.sin(math.radians(latitude)), math.sin(math.radians(2.0 * latitude))
    return 9.780327 * (1.0 + 0.0053024 * s * s - 0.0000058 * s2 * s2)


@pytest.mark.parametrize("latitude", [-77.0, -33.9, -5.0, 12.0, 30.0, 51.5, 60.2, 83.0])
def test_another_formula_agrees(latitude: float) -> None:
    assert normal_gravity(math.radians(latitude)) == pytest.approx(gravity_1980(latitude), abs=4e-6)


def test_the_fall_with_height_is_the_free_air_gradient() -> None:
    """0.3086 mGal a metre, textbook value (Heiskanen and Moritz 1967, 3-18)."""
    fall = (normal_gravity(math.radians(45.0)) - normal_gravity(math.radians(45.0), 100.0)) / 100.0
    assert fall == pytest.approx(3.086e-6, rel=2e-3)


def test_both_hemispheres_and_refusals() -> None:
    assert normal_gravity(-0.7) == normal_gravity(0.7)
    for latitude, height in ((math.nan, 0.0), (0.5, math.inf), (0.5, 1e6)):
        with pytest.raises(FifthwheelError):
            normal_gravity(latitude, height)


def test_gravity_of_a_recording() -> None:
    t = np.arange(100) / 10.0
    gravity, known = local_gravity(recording_of(t, {}))
    assert gravity == WITHOUT_PLACE
    # WGS 84: equator to pole lies inside the bound that is taken without a place.
    assert abs(9.7803253359 - gravity.value) < 2.0 * gravity.u
    assert abs(9.8321849379 - gravity.value) < 2.0 * gravity.u
    place = {"gnss_latitude": np.full(100, 47.5), "gnss_altitude": np.full(100, 400.0)}
    gravity, known = local_gravity(recording_of(t, place))
    assert "47.50" in known
    assert gravity.value == pytest.approx(gravity_1980(47.5) - 3.086e-6 * 400.0, abs=1e-5)
    without_height, _ = local_gravity(recording_of(t, {"gnss_latitude": place["gnss_latitude"]}))
    assert without_height.u > gravity.u
