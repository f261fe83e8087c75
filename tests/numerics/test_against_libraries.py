"""Reference functions compared with independent libraries."""

import numpy as np
import psychrolib
import pytest
from thermocouple_its90 import TypeK
from thermocouple_its90._data import TYPES

from evenwall.devices import sensor_decoding
from evenwall.devices.sensor_decoding import type_k_degC, type_k_mV
from evenwall.numerics import cure


def test_type_k_against_the_reference_functions() -> None:
    """ITS-90 (NIST SRD 60) through thermocouple-its90, which reproduces every printed table point:
    the direct polynomial to rounding, the inverse within its own stated 0.06 K."""
    for temp_degC in np.linspace(-20.0, 250.0, 271):
        assert type_k_mV(temp_degC) == pytest.approx(TypeK.emf(temp_degC), abs=1e-6)
        assert type_k_degC(TypeK.emf(temp_degC)) == pytest.approx(temp_degC, abs=0.06)


def test_type_k_coefficients_are_the_databases() -> None:
    """Each of NIST SRD 60's coefficients as thermocouple-its90 carries them, to its last digit."""
    below, above = TYPES["K"]["forward"]
    bell = above["exponential"]
    cold, warm = TYPES["K"]["inverse"][:2]
    for ours, theirs in (
        (sensor_decoding._K_BELOW_0, below["coeffs"]),
        (sensor_decoding._K_ABOVE_0, above["coeffs"]),
        (sensor_decoding._K_BELL, (bell["a0"], bell["a1"], bell["a2"])),
        (sensor_decoding._K_BACK_BELOW_0, cold["coeffs"]),
        (sensor_decoding._K_BACK_0_500, warm["coeffs"]),
    ):
        np.testing.assert_allclose(ours[: len(theirs)], theirs, rtol=1e-12)
        assert not any(ours[len(theirs) :])


def test_dew_point_against_another_formula() -> None:
    """PsychroLib (ASHRAE Handbook Fundamentals 2017, Hyland-Wexler): Magnus stays
    within 0.05 K of it over the rooms in which resin is cast; a tenth is what people read."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    for air_degC in (5.0, 15.0, 20.0, 25.0, 35.0):
        for humidity in (0.2, 0.45, 0.7, 0.95):
            dew_degC = cure.dew_point_K(air_degC + 273.15, humidity) - 273.15
            theirs = psychrolib.GetTDewPointFromRelHum(air_degC, humidity)
            if theirs > 0.0:  # below it theirs is over ice
                assert dew_degC == pytest.approx(theirs, abs=0.05)
