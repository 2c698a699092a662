"""Light that is not as it should be: what is part of the truth, and what only cameras see."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from autoalign_simulators import benches, collimator, focuser, relay, steering
from autoalign_simulators.camera import SimulatedCamera
from autoalign_simulators.simulation import BenchSimulation
from autoalign_simulators.speckle import Speckle
from autoalign_simulators.truth import Truth, moments_of
from autoalign_simulators.ugly_light import KINDS, UglyLight

from autoalign.config.tables import SimulationTable
from autoalign.core.errors import DetectorError, UnknownNameError, UsageError
from autoalign.core.frames import Frame

MAKERS = (collimator.simulate, focuser.simulate, relay.simulate, steering.simulate)
CLEAN = {"screens": False, "stray": False, "noise": False}
UNEVEN = ("lumps", "ring", "half-clipped")


def camera(simulation: BenchSimulation, index: int = 0) -> SimulatedCamera:
    """Return one of a bench's cameras."""
    found = [d for d in simulation.detectors.values() if isinstance(d, SimulatedCamera)]
    return found[index]


def frame(of: SimulatedCamera) -> Frame:
    """Return one frame."""
    return of.acquire(1, 0.0, 1e9)[0]


def seen(of: SimulatedCamera) -> np.ndarray[Any, Any]:
    """Return the moments of the light on a camera's pixels, without noise."""
    image = of.picture().astype(float)
    row, column = np.indices(image.shape)
    pixels = of.traits.pixels(of.screen)
    x, y = pixels.to_plane(column, row)
    found = moments_of(x.ravel(), y.ravel(), image.ravel())
    found[2:4] -= pixels.area / 12  # a pixel's own width
    return found


def apart(a: np.ndarray[Any, Any], b: np.ndarray[Any, Any]) -> float:
    """Return the largest difference of places and widths, as a part of the width."""
    width = 4 * np.sqrt(b[2:4].max())
    widths = np.abs(np.sqrt(a[2:4] / b[2:4]) - 1)
    return float(max(np.abs(a[:2] - b[:2]).max() / width, widths.max()))


@pytest.mark.slow
@pytest.mark.parametrize("kind", UNEVEN)
@pytest.mark.parametrize("make", MAKERS)
def test_an_uneven_pupil_is_part_of_the_truth(make: Any, kind: str) -> None:
    """Frames without noise have the truth's moments, and those are not the even light's."""
    simulation = make(3, light=kind, **CLEAN)
    even = make(3, **CLEAN).truth.moments()
    for plane, true in simulation.truth.moments().items():
        of = next(d for d in simulation.detectors.values() if d.plane == plane)
        assert apart(seen(of), true) < 2e-3, plane
        assert apart(even[plane], true) > 5e-3, plane


@pytest.mark.parametrize("kind", UNEVEN)
def test_quadrature_over_an_uneven_pupil_has_converged(kind: str) -> None:
    """Twice the density changes nothing by more than 2e-4 of the width."""
    truth = focuser.simulate(3, light=kind).truth
    dense = Truth(truth.world, truth.train, truth.planes, 2 * truth.rings, 2 * truth.spokes)
    for plane, true in dense.moments().items():
        assert apart(truth.moments()[plane], true) < 2e-4


@pytest.mark.parametrize("kind", ["speckle", "saturated", "overexposed", "ageing"])
def test_what_cameras_do_is_not_part_of_the_truth(kind: str) -> None:
    """Speckle, exposure and age leave the exact moments as they are."""
    plain, other = (collimator.simulate(3, light=k).truth.moments() for k in ("", kind))
    for plane, moments in plain.items():
        assert np.array_equal(moments, other[plane])


def test_without_ugly_light_a_bench_is_what_it_was() -> None:
    """No light, an empty name and the defaults give the same frames."""
    frames = [
        frame(camera(collimator.simulate(4, pixels=128, light=light))).pixels
        for light in (None, "", UglyLight())
    ]
    assert np.array_equal(frames[0], frames[1])
    assert np.array_equal(frames[0], frames[2])


def test_speckle_is_fully_developed_and_has_its_number_of_grains() -> None:
    """Contrast 1, exponential intensities, and an equivalent area of one grain."""
    # Contrast and statistics: J. W. Goodman, Speckle Phenomena in Optics, section 3.2; equivalent
    # area of the correlation of a round pupil's speckle, λ²/Ω: section 5.3; from memory.
    grains = 16.0
    pattern = Speckle(grains, np.random.default_rng(2))._pattern.astype(float)
    assert pattern.std() / pattern.mean() == pytest.approx(1, abs=0.08)
    assert np.mean(pattern > 2 * pattern.mean()) == pytest.approx(np.exp(-2), abs=0.02)
    spectrum = np.abs(np.fft.fft2(pattern / pattern.mean() - 1)) ** 2
    correlation = np.fft.ifft2(spectrum).real / pattern.size
    near = np.fft.fftshift(correlation / correlation[0, 0])
    middle = len(near) // 2
    area = near[middle - 8 : middle + 9, middle - 8 : middle + 9].sum()
    assert np.sqrt(area) == pytest.approx(len(pattern) / 4 / grains, rel=0.25)


def test_speckle_goes_with_the_beam() -> None:
    """Where the beam goes, its grains go; another camera sees others."""
    at = [{"mirror.tip": 0.0}, {"mirror.tip": 0.6e-3}]
    pictures = []
    for hidden in at:
        simulation = collimator.simulate(0, ideal=True, light="speckle", hidden=hidden)
        of = camera(simulation)
        flux, speckled = of.picture(), of.rate(0.0)
        middle = moments_of(*np.indices(flux.shape).reshape(2, -1), flux.ravel().astype(float))
        r, c = (round(float(k)) for k in middle[:2])
        pictures.append((speckled / np.maximum(flux, 1e-12))[r - 60 : r + 60, c - 60 : c + 60])
    alike = np.corrcoef(pictures[0].ravel(), pictures[1].ravel())[0, 1]
    assert alike > 0.9
    far = camera(simulation, 1)
    other = (far.rate(0.0) / np.maximum(far.picture(), 1e-12))[196:316, 196:316]
    assert abs(np.corrcoef(pictures[1].ravel(), other.ravel())[0, 1]) < 0.3


def test_a_saturated_camera_keeps_its_exposure() -> None:
    """Eight bits, a flat top wherever the beam goes, and no way to set the exposure."""
    of = camera(collimator.simulate(1, light="saturated"))
    taken = frame(of)
    assert taken.pixels.dtype == np.uint8
    assert 0.01 < np.mean(taken.pixels == 255) < 0.5
    assert frame(of).exposure == taken.exposure
    with pytest.raises(DetectorError, match="cannot be set"):
        of.exposure = 1e-3


def test_an_exposure_that_can_be_set_ends_the_saturation() -> None:
    """A fifth of the time leaves no saturated pixel of the beam; an impossible one is refused."""
    of = camera(collimator.simulate(1, light="overexposed"))
    assert np.mean(frame(of).pixels == 255) > 0.01
    assert of.exposure is not None
    of.exposure = of.exposure / 5
    assert np.mean(frame(of).pixels == 255) < 1e-4
    with pytest.raises(DetectorError, match=r"takes 2e-05 to 0\.5 s"):
        of.exposure = 20.0


def test_a_bench_grows_old() -> None:
    """In ten minutes: e⁻¹ of the light at a tenth a minute, and six hundred hot pixels more."""
    simulation = collimator.simulate(1, light=UglyLight(fading=0.1, new_hot_pixels=60.0))
    of = camera(simulation)
    young, level = frame(of), float(of.rate(0.0).max())
    simulation.clock.sleep(600.0)
    old = frame(of)
    ambient = 600.0
    assert of.rate(600.0).max() == pytest.approx(level / np.e, abs=0.01 * level + ambient)
    assert old.exposure == pytest.approx(young.exposure * np.e, rel=0.05)
    edge = [f.pixels[:40].astype(int) for f in (young, old)]
    grown = [np.count_nonzero(e > np.median(e) + 50) for e in edge]
    assert grown[1] - grown[0] == pytest.approx(600 * 40 / 512, rel=0.4)


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("bench", ["collimator", "focuser", "relay", "steering"])
def test_every_bench_takes_every_light(bench: str, kind: str) -> None:
    """Frames come, are not dark, and are the seed's."""
    first, again = (getattr(benches, bench)(seed=2, light=kind) for _ in range(2))
    name = next(n for n, d in first.detectors.items() if isinstance(d, SimulatedCamera))
    taken, same = (b.detectors[name].acquire(1, 0.0, 1e3)[0].pixels for b in (first, again))
    assert np.array_equal(taken, same)
    assert np.ptp(taken.astype(float)) > 50


def test_lights_are_joined_and_contradictions_refused() -> None:
    """Names add up; what does not exist or contradicts itself is said."""
    both = UglyLight.of("ring + speckle")
    assert (both.hole, both.grains) == (0.5, 16.0)
    assert UglyLight.of(both) is both
    with pytest.raises(UnknownNameError, match="speckle"):
        UglyLight.of("speckles")
    with pytest.raises(UsageError, match="disagree about settable"):
        UglyLight.of("saturated + overexposed")
    with pytest.raises(UsageError, match="cut = 2"):
        UglyLight(cut=2.0)


def test_the_key_of_a_bench_file_names_every_light() -> None:
    """What the reference says of the key is what the simulator takes."""
    said = SimulationTable.model_fields["light"].description or ""
    assert all(kind in said for kind in KINDS)
