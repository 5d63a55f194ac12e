"""Changes between films against libraries we did not write.

Camera and turns: OpenCV (projectPoints, Rodrigues). Bayesian regression: statsmodels' least squares on data
with the priors as further observations, and scipy's normal density for the marginal likelihood. Trend:
statsmodels' GLS. Propagation: the uncertainties package, and Monte Carlo (JCGM 101:2008).
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import statsmodels.api as sm
import uncertainties
from conftest import Elbow, lateral
from scipy.stats import multivariate_normal

from measure import movement
from measure.comparability import Comparison, change_by_motion, joint_estimate, turn_u, with_turn
from measure.definitions import FUNCTIONS
from measure.measurements import OBLIQUITY_U
from measure.movement import MOTIONS, STILL, compare_places, regress
from measure.propagate import UncertainPoints, propagate
from measure.quantity import difference
from measure.sites import load_site
from measure.space import angle_between, angle_to_axis
from measure.ties import Placed
from measure.trend import line_through_origin

VIEW = load_site("olecranon").views["lateral"]
DEPTH = {"pin1": 3.5, "pin2": -3.5}
DETECTOR_MM, BONE_MM = 1100.0, 1000.0


def in_space(elbow: Elbow) -> dict[str, np.ndarray]:
    """Landmarks of the hand-made elbow as (distal, volar, depth), mm."""
    return {
        name: np.array([[*place, DEPTH.get(name.split("_")[0], 0.0)] for place in places])
        if VIEW.landmark[name].part == "pin"
        else np.array([[*place, 0.0] for place in places])
        for name, places in lateral(elbow).items()
    }


def arcs() -> dict[str, np.ndarray]:
    """Two arcs of the humerus about one axis, the capitellum's nearer to the camera."""
    angles = np.radians(np.linspace(-60.0, 80.0, 5))
    return {
        name: np.stack([radius * np.sin(angles), 12.0 - radius * np.cos(angles), 0 * angles + depth], axis=-1)
        for name, radius, depth in (("capitellum_arc", 9.5, -17.5), ("trochlea_arc", 11.0, 17.5))
    }


def photographed(elbow: Elbow, tilt: float = 0.0, rotation: float = 0.0) -> Placed:
    """OpenCV's film of it: pinhole camera, turned by Rodrigues vectors; scaled to mm at the bone's plane."""
    about_x, _ = cv2.Rodrigues(np.array([np.radians(-rotation), 0.0, 0.0]))
    about_y, _ = cv2.Rodrigues(np.array([0.0, np.radians(tilt), 0.0]))
    turn, _ = cv2.Rodrigues(about_y @ about_x)
    camera = np.diag([DETECTOR_MM, DETECTOR_MM, 1.0])
    points = {}
    for name, places in (in_space(elbow) | arcs()).items():
        film, _ = cv2.projectPoints(
            places - [30.0, 0.0, 0.0], turn, np.array([0.0, 0.0, BONE_MM]), camera, None
        )
        points[name] = film[:, 0] * BONE_MM / DETECTOR_MM
    return Placed(points, dict.fromkeys(points, 0.1))


class TestAgainstOpenCV:
    """Turn and movement found on OpenCV's films."""

    @pytest.mark.parametrize(("tilt", "rotation"), [(7.0, 0.0), (0.0, 7.0), (-6.0, 5.0)])
    def test_turn(self, tilt: float, rotation: float) -> None:
        """Tilt and rotation are OpenCV's within 2 u; the opposite turn is not within 4 u."""
        found = compare_places(
            photographed(Elbow()), photographed(Elbow(), tilt, rotation), VIEW, size_u=0.02
        )
        assert found is not None
        for which, truth in (("tilt", tilt), ("rotation", rotation)):
            value, u = np.degrees(found.value("film", which))
            assert abs(value - truth) < 2 * u, which
            assert not truth or abs(value + truth) > 3 * u, which

    def test_back_out_in_a_turned_film(self) -> None:
        """Three millimetres of back-out are found though the limb is turned.

        Without it the pins are still.
        """
        index = photographed(Elbow())
        backed = compare_places(index, photographed(Elbow(back_out=(3.0, 0.0)), 5.0, -4.0), VIEW, size_u=0.02)
        still = compare_places(index, photographed(Elbow(), 5.0, -4.0), VIEW, size_u=0.02)
        assert backed is not None
        assert still is not None
        value, u = backed.value("pin1", "along")
        assert abs(value - 3.0) < 2 * u < 1.0
        assert backed.probability("pin1", STILL) < 0.01
        assert still.probability("pin1", STILL) > 0.9

    def test_a_tilted_bone_is_seen_as_a_keystone(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Ten degrees of tilt, the pins' sides known: false back-out stays within 0.05 mm, mean of both pins.

        The check can fail: without the keystone (a source far away) it does not.
        """
        known = {pin: (-depth, 0.5) for pin, depth in DEPTH.items()}  # pin 1 lies away from OpenCV's camera

        def false_back_out() -> float:
            index, turned = photographed(Elbow()), photographed(Elbow(), 10.0)
            found = compare_places(index, turned, VIEW, size_u=0.02, depths=known)
            assert found is not None
            return abs(float(np.mean([found.free.mean[found.index(pin, "along")] for pin in DEPTH])))

        left = false_back_out()
        monkeypatch.setattr(movement, "FOCUS_MM", 1e9)
        assert left < 0.05 < 0.1 < false_back_out()


class TestRegression:
    """Closed forms against statsmodels and scipy."""

    rng = np.random.default_rng(5)
    design, target = rng.normal(size=(12, 4)), rng.normal(size=12)
    noise, prior_u, prior = (
        rng.uniform(0.1, 0.5, 12),
        np.array([1.0, 0.3, 2.0, 0.7]),
        np.array([0.5, 0.0, -1.0, 0.0]),
    )

    def ours(self) -> tuple[np.ndarray, ...]:
        found = regress(self.design, self.target, self.noise[None], self.prior_u[None], self.prior[None])
        return tuple(part[0] for part in found)

    def test_mean_and_covariance(self) -> None:
        """Weighted least squares with each prior as one more observation (statsmodels WLS)."""
        rows = np.vstack([self.design, np.eye(4)])
        seen = np.concatenate([self.target, self.prior])
        fit = sm.WLS(seen, rows, weights=1 / np.concatenate([self.noise, self.prior_u**2])).fit()
        mean, covariance, *_ = self.ours()
        np.testing.assert_allclose(mean, fit.params, rtol=1e-9)
        np.testing.assert_allclose(covariance, fit.normalized_cov_params, rtol=1e-9, atol=1e-12)
        without_prior = sm.WLS(self.target, self.design, weights=1 / self.noise).fit()
        assert not np.allclose(mean, without_prior.params, rtol=1e-3)

    def test_marginal_likelihood(self) -> None:
        """The logarithm of scipy's normal density of the data, up to the same constant.

        Not without its determinant.
        """
        *_, evidence, misfit = self.ours()
        spread = self.design * self.prior_u**2 @ self.design.T + np.diag(self.noise)
        density = multivariate_normal(self.design @ self.prior, spread).logpdf(self.target)
        off = self.target - self.design @ self.prior
        assert misfit == pytest.approx(off @ np.linalg.inv(spread) @ off)
        constant = -0.5 * 12 * np.log(2 * np.pi)
        assert evidence + constant == pytest.approx(density, rel=1e-9)
        assert evidence + constant + 0.5 * np.linalg.slogdet(spread)[1] != pytest.approx(density, rel=1e-3)


def test_trend_is_statsmodels_gls() -> None:
    """Slope and uncertainty of a line through the origin with correlated errors.

    Uncorrelated weights give another.
    """
    days, values = np.array([14.0, 42.0, 90.0, 180.0]), np.array([0.4, 0.6, 1.9, 2.8])
    spread = 0.3 + np.diag([0.2, 0.5, 0.3, 0.9])
    fit = sm.GLS(values, days[:, None], sigma=spread).fit()
    slope, u = line_through_origin(days, values, spread)
    assert slope == pytest.approx(float(fit.params[0]), rel=1e-10)
    assert u == pytest.approx(float(fit.normalized_cov_params[0, 0]) ** 0.5, rel=1e-10)
    assert line_through_origin(days, values, np.diag(np.diag(spread)))[0] != pytest.approx(slope, rel=1e-2)


class TestPropagation:
    """Uncertainty of the joint estimate and of the turn."""

    index = photographed(Elbow())
    later = photographed(Elbow(back_out=(2.0, 0.0), gap=1.4), 4.0, 3.0)
    comparison = Comparison(compare_places(index, later, VIEW, size_u=0.02), "pair")
    at = staticmethod(lambda movement: [n for n, (_, which) in enumerate(movement.names) if which in MOTIONS])

    @pytest.mark.parametrize(
        ("name", "target"),
        [("pin_tip_from_hole", "pin1"), ("articular_gap", ""), ("articular_step", ""), ("pin_angle", "pin2")],
    )
    def test_joint_estimate_against_monte_carlo(self, name: str, target: str) -> None:
        """Ten thousand draws of the bodies' motions, pushed through the quantity itself.

        Spread as stated (JCGM 101).
        """
        row = next(row for row in VIEW.measurements if (row.name, row.target) == (name, target))
        movement, at = self.comparison.movement, self.at(self.comparison.movement)
        rng = np.random.default_rng(2)
        draws = rng.multivariate_normal(
            movement.free.mean[at], movement.free.covariance[np.ix_(at, at)], 10_000
        )
        spread = np.std(change_by_motion(row, list(row.landmarks), movement, VIEW, draws))
        joint = joint_estimate(row, self.comparison, VIEW)
        assert joint is not None
        assert joint.u == pytest.approx(spread, rel=0.04)
        assert 1.3 * joint.u != pytest.approx(spread, rel=0.04)

    def test_joint_back_out_against_uncertainties(self) -> None:
        """Prominence less exit's movement, by hand with correlated values of the uncertainties package."""
        movement = self.comparison.movement
        at = self.at(movement)
        motions = uncertainties.correlated_values(
            movement.free.mean[at], movement.free.covariance[np.ix_(at, at)]
        )
        by_name = dict(zip([movement.names[n] for n in at], motions, strict=True))
        row = next(
            row for row in VIEW.measurements if (row.name, row.target) == ("pin_tip_from_hole", "pin1")
        )
        joint = joint_estimate(row, self.comparison, VIEW)
        assert joint is not None
        along, across, swing = (by_name["pin1", which] for which in MOTIONS)
        pin = next(pin for pin in movement.pins if pin.name == "pin1")
        hole, tip = movement.places["hole"][0], movement.places["pin1_tip"][0]
        aside = np.array([-pin.proximal[1], pin.proximal[0]])
        middle = pin.middle + along * pin.proximal + across * aside
        turned = pin.proximal + swing * aside  # first order
        by_hand = ((middle + turned * ((tip - pin.middle) @ pin.proximal)) - hole) @ turned - (
            tip - hole
        ) @ pin.proximal
        assert joint.value == pytest.approx(by_hand.nominal_value, abs=0.01)
        assert joint.u == pytest.approx(by_hand.std_dev, rel=0.01)
        assert joint.u != pytest.approx(along.std_dev * 1.2, rel=0.01)

    def test_turn_against_monte_carlo(self) -> None:
        """What the turn does to the pins' spacing and a pin's back-out: draws of turn and depths, in space.

        Turns scatter about zero with the pair's root mean square; depths about the table's.
        """
        rng, n = np.random.default_rng(8), 10_000
        turns = rng.normal(0, self.comparison.turn_rms, (n, 2))
        depths = {pin.name: rng.normal(pin.depth, pin.depth_u, n) for pin in self.comparison.movement.pins}
        places = {name: np.array(points) for name, points in lateral(Elbow()).items()}
        for name, target in (("pin_spacing", ""), ("pin_tip_from_hole", "pin1")):
            row = next(row for row in VIEW.measurements if (row.name, row.target) == (name, target))
            function = FUNCTIONS[row.function].function
            moved = [
                places[landmark] + (depths[landmark.split("_")[0]][:, None] * turns)[:, None]
                if VIEW.landmark[landmark].part == "pin" else places[landmark][None]
                for landmark in row.landmarks
            ]  # fmt: skip
            spread = np.std(function(*moved))
            quantity = self.measured(row, function, places)
            change = with_turn(difference(quantity, quantity), quantity, VIEW, self.comparison)
            shortening = change.parts.get("turn:pair:foreshortening", 0.0)
            stated = (turn_u(change) ** 2 - shortening**2) ** 0.5
            assert stated == pytest.approx(spread, rel=0.08), name
            assert 1.3 * stated != pytest.approx(spread, rel=0.08), name

    @staticmethod
    def measured(row, function, places):  # type: ignore[no-untyped-def]
        """Measure the quantity on one film with parallax parts only, taken along the bone."""
        points = {
            name: UncertainPoints(
                places[name], 0.0, parallax=VIEW.landmark[name].depth_mm * OBLIQUITY_U,
                parallax_id=f"parallax:film:{name.split('_')[0]}",
            )
            for name in row.landmarks
        }  # fmt: skip
        quantity, _ = propagate(function, row.landmarks, points, row.unit)
        return quantity


def test_two_views_against_opencv_triangulation() -> None:
    """Angles of two pins in space from their slopes on two views, against points that OpenCV triangulates.

    Two distant cameras at right angles; the lateral view alone is off.
    """
    tips = np.array([[40.0, 6.0, 8.0], [42.0, 2.0, -6.0]])
    starts = np.array([[-25.0, -2.0, 5.0], [-25.0, -1.5, -2.0]])
    # Rows: across, along, away from the source; looking along -z (lateral) and along -y (AP).
    lateral = np.array([[0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, -1.0]])
    ap = np.array([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, -1.0, 0.0]])
    distance = 1e6
    cameras, seen = [], []
    for turn in (lateral, ap):
        matrix = np.diag([distance, distance, 1.0]) @ np.column_stack([turn, [0.0, 0.0, distance]])
        places = np.column_stack([np.vstack([tips, starts]), np.ones(4)]) @ matrix.T
        cameras.append(matrix)
        seen.append(places[:, :2] / places[:, 2:])
    space = cv2.triangulatePoints(cameras[0], cameras[1], seen[0].T, seen[1].T)
    tip, start = np.split((space[:3] / space[3]).T, 2)
    along = tip - start
    slopes = [np.degrees(np.arctan2(*(view[:2] - view[2:]).T)) for view in seen]
    expected = np.degrees(np.arccos(along[:, 0] / np.linalg.norm(along, axis=1)))
    np.testing.assert_allclose(angle_to_axis(*slopes), expected, atol=1e-3)
    assert np.abs(slopes[0] - expected).max() > 0.2
    unit = along / np.linalg.norm(along, axis=1, keepdims=True)
    between = np.degrees(np.arccos(unit[0] @ unit[1]))
    assert float(angle_between(slopes[0][0], slopes[1][0], slopes[0][1], slopes[1][1])) == pytest.approx(
        between, abs=1e-3
    )
    assert abs(slopes[0][0] - slopes[0][1]) != pytest.approx(between, abs=0.1)
