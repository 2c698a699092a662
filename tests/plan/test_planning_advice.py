"""Plans of benches of real size against a tracer written here, the advice included."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pytest

from autoalign.optics.ideal import quantities
from autoalign.optics.layout import Layout
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.standard_layouts import collimator_layout
from autoalign.plan.advice import advise, fill_of
from autoalign.plan.planning import Plan, plan, source_divergence
from autoalign.report.plan_drawing import BenchView
from autoalign.spec.terms import Spec

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Bench:
    """A collimator of a hard-edged or a falling cone; mm and degrees."""

    rho: float
    angle: float
    aperture: float
    core: float
    na: float
    emission: str
    wavelength: float
    planes: tuple[float, float]

    def layout(self) -> Layout:
        """Return the library's layout."""
        return collimator_layout(
            OffAxisParaboloid(self.rho, self.angle, self.aperture),
            self.core, self.na, self.wavelength,
            planes=(("near", self.planes[0]), ("far", self.planes[1])),
            emission=self.emission,  # type: ignore[arg-type]
        )  # fmt: skip

    def plan(self) -> Plan:
        """Return the library's plan."""
        spec = Spec.collimation(source_divergence=self.core / self.rho, waist=self.rho)
        return plan(self.layout(), spec, np.random.default_rng(1), draws=1, view=1.5 * self.rho)

    def advice(self, divergence: float = 3e-4) -> str:
        """Return what the library advises, without what it says of axes."""
        layout = self.layout()
        return " ".join(advise(layout, fill_of(layout), {"divergence_xx": divergence}, ()))

    def reflected(self, sines: Floats, face: Floats) -> tuple[Floats, Floats]:
        """Return points (n, 3) on the mirror and directions (n, 3) of rays from the face.

        From the focus, as roots of the quadratic equation of X² + Y² = 4 f (Z + f), Z along the
        beam; points from the mirror's centre.
        """
        alpha = math.radians(self.angle)
        f = self.rho * math.cos(alpha / 2) ** 2
        chief = np.array([math.sin(alpha), 0.0, -math.cos(alpha)])
        across = np.array([[math.cos(alpha), 0.0, math.sin(alpha)], [0.0, 1.0, 0.0]])
        d = sines @ across + np.sqrt(1 - np.sum(sines**2, axis=1))[:, None] * chief
        o = face @ across
        a = d[:, 0] ** 2 + d[:, 1] ** 2
        b = o[:, 0] * d[:, 0] + o[:, 1] * d[:, 1] - 2 * f * d[:, 2]
        c = o[:, 0] ** 2 + o[:, 1] ** 2 - 4 * f * (o[:, 2] + f)
        p = o - (c / (b + np.sqrt(b * b - a * c)))[:, None] * d
        n = np.stack([p[:, 0], p[:, 1], np.full(len(p), -2 * f)], axis=1)
        out = d - 2 * (np.sum(d * n, axis=1) / np.sum(n * n, axis=1))[:, None] * n
        return p - self.rho * chief, out

    def edge(self) -> Floats:
        """Return the edge of the cone on the mirror, (n, 2), seen along the beam."""
        t = np.linspace(0, 2 * np.pi, 3600, endpoint=False)
        sines = self.na * np.stack([np.cos(t), np.sin(t)], axis=1)
        return self.reflected(sines, np.zeros((1, 2)))[0][:, :2]

    def needed(self) -> float:
        """Return the clear aperture that takes the edge."""
        return 2 * float(np.hypot(*self.edge().T).max())

    def light(self, face: Floats) -> tuple[Floats, Floats, Floats]:
        """Return points, directions (n, 3) and shares (n,) of the light that meets the aperture.

        From one point of the face (1, 2): Gauss's nodes on every azimuth up to where the aperture
        or the far field ends, found by bisection.
        """
        falls = {"multimode": math.log(20), "gaussian": 2.0, "uniform": 0.0}[self.emission]
        wide = self.na * (1.0 if falls == 0 else math.sqrt(14 / falls))
        t = 2 * np.pi * np.arange(180) / 180
        round_ = np.stack([np.cos(t), np.sin(t)], axis=1)
        low, high = np.zeros(180), np.full(180, wide)
        for _ in range(40):
            middle = (low + high) / 2
            hit = np.hypot(*self.reflected(middle[:, None] * round_, face)[0][:, :2].T)
            inside = hit <= self.aperture / 2
            low, high = np.where(inside, middle, low), np.where(inside, high, middle)
        nodes, weights = np.polynomial.legendre.leggauss(60)

        def bright(square: Floats) -> Floats:
            return np.exp(-falls * square / self.na**2) / np.sqrt(1 - square)

        square = (nodes + 1) / 2 * high[:, None] ** 2
        share = weights / 2 * high[:, None] ** 2 * bright(square) / 180
        whole = wide**2 * float(weights / 2 @ bright((nodes + 1) / 2 * wide**2))
        sines = np.sqrt(square)[..., None] * round_[:, None]
        points, out = self.reflected(sines.reshape(-1, 2), face)
        return points, out, share.ravel() / whole

    def captured(self) -> float:
        """Return the part of the light that meets the clear aperture."""
        return float(self.light(np.zeros((1, 2)))[2].sum())

    def width(self) -> float:
        """Return d_σ of the beam on leaving the mirror, root mean square over azimuths."""
        points, _, share = self.light(np.zeros((1, 2)))
        x = points[:, :2] - share @ points[:, :2] / share.sum()
        return 4 * math.sqrt(float(share @ np.sum(x * x, axis=1)) / share.sum() / 2)

    def diameters(self) -> Floats:
        """Return d_σ (2, 2) at the planes, along x and y; the face by four points of its moments.

        A face is no smaller than the waist 2λ/(π NA) of a mode that fills the NA.
        """
        size = max(self.core, 2 * self.wavelength / (math.pi * self.na)) / 2 / math.sqrt(2)
        spots: list[list[Floats]] = [[], []]
        shares = []
        for x, y in ((1, 0), (-1, 0), (0, 1), (0, -1)):
            points, out, share = self.light(size * np.array([[x, y]]))
            shares.append(share)
            for k, z in enumerate(self.planes):
                way = (z - points[:, 2]) / out[:, 2]
                spots[k].append(points[:, :2] + way[:, None] * out[:, :2])
        w = np.concatenate(shares)
        w /= w.sum()
        at = [np.concatenate(s) for s in spots]
        return np.array([4 * np.sqrt(w @ (s - w @ s) ** 2) for s in at])

    def shift(self, move: float) -> Floats:
        """Return by how much the chief ray's spots (2, 2) move with the source, mm per mm."""
        face = np.array([[move, 0.0], [-move, 0.0], [0.0, move], [0.0, -move]])
        points, out = self.reflected(np.zeros((1, 2)), face)
        spots = [
            points[:, :2] + ((z - points[:, 2]) / out[:, 2])[:, None] * out[:, :2]
            for z in self.planes
        ]
        return np.array([[(s[0] - s[1])[0], (s[2] - s[3])[1]] for s in spots]) / (2 * move)


BENCHES = (
    Bench(50.8, 90, 25.4, 0.0, 0.22, "multimode", 633e-6, (150.0, 1200.0)),
    Bench(101.6, 60, 40.0, 0.05, 0.20, "multimode", 633e-6, (300.0, 2500.0)),
    Bench(152.4, 45, 50.8, 0.1, 0.15, "uniform", 532e-6, (400.0, 2400.0)),
    Bench(254.0, 30, 50.8, 0.2, 0.12, "gaussian", 1064e-6, (500.0, 4000.0)),
    Bench(1500.0, 15, 200.0, 0.0043, 0.09, "gaussian", 632.8e-6, (2000.0, 12000.0)),
)


@pytest.fixture(scope="module", params=BENCHES, ids=lambda b: f"{b.rho:g} mm, {b.angle:g}°")
def case(request: pytest.FixtureRequest) -> tuple[Bench, Plan]:
    """Return a bench and its plan."""
    return request.param, request.param.plan()


def printed(text: str, words: str) -> float:
    """Return the number that follows ``words`` in ``text``."""
    found = re.search(re.escape(words) + r" ([0-9.]+[0-9])", text)
    assert found is not None, (words, text)
    return float(found[1])


def test_a_cone_is_as_wide_and_as_far_aside_as_traced(case: tuple[Bench, Plan]) -> None:
    """The edge's width and the aperture that takes it, to all the digits that are printed."""
    bench, made = case
    assert made.fill.footprint == pytest.approx(np.ptp(bench.edge(), axis=0).max(), rel=1e-5)
    assert made.fill.needed == pytest.approx(bench.needed(), rel=1e-5)
    assert made.fill.overfilled == (bench.needed() > bench.aperture)


def test_the_light_that_is_lost_is_that_of_the_trace(case: tuple[Bench, Plan]) -> None:
    """The part that passes the edge, and the width of what leaves, to the digits printed."""
    bench, made = case
    assert made.fill.captured == pytest.approx(bench.captured(), abs=5e-5)
    assert made.fill.width == pytest.approx(bench.width(), abs=5e-4)


def test_the_beam_is_as_wide_at_the_planes_as_traced(case: tuple[Bench, Plan]) -> None:
    """d_σ at both planes, along x and y, to the micrometre that is printed."""
    bench, made = case
    told = np.array([made.diameters[p] for p in ("near", "far")])
    assert told == pytest.approx(bench.diameters(), abs=5e-4)


@pytest.mark.parametrize("na", [0.185, 0.19, 0.2, 0.22])
def test_an_even_cone_cut_on_one_side_is_as_wide_as_traced(na: float) -> None:
    """1.0 to 1.2 times the NA that the mirror takes; all of the mirror was taken to be lit once."""
    bench = Bench(101.6, 60, 40.0, 0.05, na, "uniform", 633e-6, (300.0, 2500.0))
    found = quantities(bench.layout())
    told = [[float(found[f"{p}.{k}"]) for k in ("xx", "yy")] for p in ("near", "far")]
    assert np.array(told) == pytest.approx(bench.diameters(), rel=5e-4)
    assert fill_of(bench.layout()).captured == pytest.approx(bench.captured(), abs=1e-3)


def test_the_source_turns_the_beam_as_traced(case: tuple[Bench, Plan]) -> None:
    """Far spot less near spot against the chief ray's, mm per mm: within 2 %, the cone's coma."""
    bench, made = case
    moves = {a.name: a.moves for a in made.axes}
    near, far = bench.shift(1e-3)
    for k, axis in enumerate(("source.x", "source.y")):
        turned = moves[axis]["far"][k] - moves[axis]["near"][k]
        assert turned == pytest.approx(far[k] - near[k], rel=0.02)


def test_each_piece_of_advice_holds_the_beam_by_itself(case: tuple[Bench, Plan]) -> None:
    """Aperture, focal length and NA: what is advised does not clip, and a bit less would.

    The advised aperture was the width of the cone's edge once, which lies beside the centre.
    """
    bench, made = case
    text = " ".join(made.advice)
    if not made.fill.overfilled:
        assert "overfills" not in text
        return
    assert "overfills mirror" in text
    changes = {
        "a clear aperture of at least": ("aperture", 1 - 6e-3),
        "a reflected focal length of at most": ("rho", 1 + 6e-3),
        "a source of NA": ("na", 1 + 6e-3),
    }
    given = [words for words in changes if words in text]
    assert given
    for words in given:
        name, beyond = changes[words]
        value = printed(text, words)
        fits = Bench(**{**bench.__dict__, name: value})
        assert fits.needed() <= fits.aperture, words
        assert "overfills" not in fits.advice()
        clips = Bench(**{**bench.__dict__, name: value * beyond})
        assert clips.needed() > clips.aperture, words


def test_text_and_drawing_say_the_same_of_the_edge() -> None:
    """Between the width of the cone's edge and the aperture that takes it they once differed."""
    bench = Bench(101.6, 90, 27.0, 0.1, 0.13, "multimode", 633e-6, (350.0, 1900.0))
    footprint = float(np.ptp(bench.edge(), axis=0).max())
    assert footprint < 27.0 < bench.needed()
    assert "overfills mirror" in bench.advice()
    lines = BenchView(bench.layout()).lines()
    assert any("overfills the first mirror" in line for line in lines)


def test_advice_that_cannot_be_built_is_not_given() -> None:
    """An aperture so wide that it closes round the focus is none; the other ways are still told."""
    bench = Bench(60, 20, 30.0, 0.1, 0.5, "uniform", 633e-6, (350.0, 1900.0))
    text, _, _ = bench.advice(divergence=1.0).partition("If it stays")
    assert "overfills mirror" in text
    assert "a clear aperture of at least" not in text
    assert "a source of NA" in text


@pytest.mark.parametrize("core", [0.0, 0.003])
def test_a_single_mode_has_its_diffraction_once(core: float) -> None:
    """θ = 4λ/(π d_σ) (ISO 11146-1) is all the divergence there is, and no core is advised."""
    bench = Bench(50.8, 30, 25.4, core, 0.12, "gaussian", 1064e-6, (200.0, 1200.0))
    width = 2 * 50.8 * 0.12
    assert source_divergence(bench.layout()) == pytest.approx(4 * 1064e-6 / math.pi / width)
    assert "gives" not in bench.advice(3e-4)  # it has 0.11 mrad
    text = bench.advice(5e-5)
    assert "Diffraction alone gives" in text
    assert "a core of at most" not in text
    assert "Diffraction sets a floor of" in text
    rho = printed(text, "a reflected focal length of at least")
    aperture = printed(text, "with a clear aperture of at least")
    longer = Bench(rho, 30, aperture, core, 0.12, "gaussian", 1064e-6, (200.0, 1200.0))
    assert 4 * 1064e-6 / math.pi / longer.width() <= 5.02e-5


def test_what_narrows_the_divergence_takes_the_whole_beam() -> None:
    """On a mirror that is overfilled, the longer one that is advised is not, and suffices."""
    bench = Bench(150, 35, 30, 0.1, 0.12, "multimode", 660e-6, (400.0, 2400.0))
    text = bench.advice(2e-4)
    rho = printed(text, "a reflected focal length of at least")
    aperture = printed(text, "mm with a clear aperture of at least")
    longer = Bench(**{**bench.__dict__, "rho": rho, "aperture": aperture})
    assert longer.needed() <= aperture
    assert 0.1 / rho <= 2e-4
    assert "gives" not in longer.advice(2e-4)
    core = printed(text, "a core of at most")
    assert "gives" not in Bench(**{**bench.__dict__, "core": core}).advice(2e-4)


def test_a_core_that_diffraction_forbids_is_not_advised() -> None:
    """A core of 10 µm at NA 0.05: for 0.1 mrad a core of 5 µm would do, and is below the mode's."""
    text = Bench(50.8, 30, 12.7, 0.010, 0.05, "gaussian", 1064e-6, (200.0, 1200.0)).advice(1e-4)
    assert "a core of at most" not in text
    assert "a reflected focal length of at least" in text
