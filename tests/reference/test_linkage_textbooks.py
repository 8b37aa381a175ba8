"""Four-bar and slider-crank against worked examples of textbooks."""

from __future__ import annotations

import numpy as np
import pytest

from leanmix.linkage import fourbar, slider_crank


@pytest.mark.parametrize(("crossed", "coupler_deg", "rocker_deg"), [(False, 20.298, 57.325), (True, -60.978, -98.005)])
def test_norton_four_bar(crossed: bool, coupler_deg: float, rocker_deg: float) -> None:
    # Norton, Design of Machinery, ex. 4-1 (from memory; recomputed by two independent solvers)
    found = np.rad2deg(fourbar(40.0, 120.0, 80.0, 100.0, np.deg2rad(40.0), crossed=crossed))
    assert found == pytest.approx([coupler_deg, rocker_deg], abs=5e-4)


@pytest.mark.parametrize(("behind", "coupler_deg", "slide"), [(False, 152.913, 126.838), (True, 27.087, -86.838)])
def test_norton_offset_slider_crank(behind: bool, coupler_deg: float, slide: float) -> None:
    # Norton, Design of Machinery, ex. 4-2 (from memory; recomputed)
    angle, place = slider_crank(40.0, 120.0, -20.0, np.deg2rad(60.0), behind=behind)
    assert np.rad2deg(angle) == pytest.approx(coupler_deg, abs=5e-4)
    assert place == pytest.approx(slide, abs=5e-4)


def test_nikravesh_slider_crank() -> None:
    # Nikravesh, Planar Multibody Dynamics, ex. 5.1; its link angle runs from the crank pin, ours from the slider
    angle, place = slider_crank(0.12, 0.26, 0.0, np.deg2rad(65.0))
    assert np.rad2deg(angle) - 180.0 == pytest.approx(-24.7270, abs=5e-5)
    assert place == pytest.approx(0.286875, abs=5e-7)


def test_nikravesh_four_bar() -> None:
    # Nikravesh, Planar Multibody Dynamics, ex. 5.2
    assert fourbar(0.1, 0.3, 0.22, 0.2, np.deg2rad(45.0)) == pytest.approx((0.272125, 0.758631), abs=5e-7)


def test_freudenstein_equation_holds() -> None:
    # Freudenstein: K1 cos θ4 − K2 cos θ2 + K3 = cos(θ2 − θ4) (from memory); with ex. 4-1's lengths K = 2.5, 1.25, 0.5625
    a, b, c, d = 40.0, 120.0, 80.0, 100.0
    k1, k2, k3 = d / a, d / c, (a * a - b * b + c * c + d * d) / (2 * a * c)
    assert (k1, k2, k3) == (2.5, 1.25, 0.5625)
    crank = np.linspace(0.3, 2 * np.pi - 0.3, 721)
    for crossed in (False, True):
        _, rocker = fourbar(a, b, c, d, crank, crossed=crossed)
        residual = k1 * np.cos(rocker) - k2 * np.cos(crank) + k3 - np.cos(crank - rocker)
        assert np.isfinite(rocker).any()
        assert np.nanmax(np.abs(residual)) < 1e-12


def test_what_cannot_be_assembled_is_not_a_number() -> None:
    coupler, rocker = fourbar(40.0, 30.0, 20.0, 200.0, np.deg2rad(np.array([0.0, 90.0, 180.0])))
    assert np.isnan(coupler).all()
    assert np.isnan(rocker).all()
    _, place = slider_crank(40.0, 30.0, 0.0, np.deg2rad(np.array([0.0, 90.0])))
    assert place[0] == pytest.approx(70.0)
    assert np.isnan(place[1])
