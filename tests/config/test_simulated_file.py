"""A simulated bench is the bench that the file describes, or there is none."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from autoalign_simulators import collimator

from autoalign.config import example, load_bench
from autoalign.config import simulating as simulating_module
from autoalign.core.clock import Clock
from autoalign.core.errors import UsageError
from autoalign.core.interfaces import Evaluated
from autoalign.optics.layout import Layout
from autoalign.optics.paraboloid import OffAxisParaboloid

OWN = (
    ('"150 mm"', '"101.6 mm"'),
    ('"35 deg"', '"90 deg"'),
    ('clear_aperture = "30 mm"', 'clear_aperture = "25.4 mm"'),
    ('near = "0.4 m"', 'near = "350 mm"'),
    ('far = "2.4 m"', 'far = "1.9 m"'),
)


def demo(tmp_path: Path, *replacements: tuple[str, str], link: str = "direct") -> Path:
    """Write the demo's bench file with replacements."""
    text = example("demo").read_text(encoding="utf-8")
    for old, new in (('link = "pty"', f'link = "{link}"'), *replacements):
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return path


def hidden_layout(path: Path) -> Layout:
    """Return the nominal optics of the world behind a bench file."""
    with load_bench(path) as bench:
        layout: Layout = bench.truth.world.layout
    return layout


def test_edited_optics_and_planes_are_simulated(tmp_path: Path) -> None:
    """The hidden mirror and planes are those of the file, not of the example."""
    layout = hidden_layout(demo(tmp_path, *OWN))
    assert layout.elements[0].surface == OffAxisParaboloid(101.6, 90.0, 25.4)
    assert [p.distance for p in layout.planes] == [350.0, 1900.0]


def test_the_demo_s_own_file_is_the_demo(tmp_path: Path) -> None:
    """Nothing is edited, so the hidden world is the one of the seed alone."""
    assert hidden_layout(demo(tmp_path)) == collimator.simulate(0).truth.world.layout


def test_an_axis_that_the_file_leaves_out_is_still_in_the_world(tmp_path: Path) -> None:
    """Its motor is there, over a link; nobody turns it."""
    path = demo(tmp_path, *OWN, link="loop")
    text = path.read_text(encoding="utf-8")
    start = text.index('[stages.mirror.axes."mirror.clocking"]')
    path.write_text(text[:start] + text[text.index("# Cameras, each") :], encoding="utf-8")
    assert "mirror.clocking" in [m.axis for m in hidden_layout(path).motions]


def test_another_kind_of_bench_is_refused(tmp_path: Path) -> None:
    """A collimator's file with a simulated steering bench."""
    path = demo(
        tmp_path, ('[simulation]\nbench = "collimator"', '[simulation]\nbench = "steering"')
    )
    with pytest.raises(
        UsageError, match="describes a collimator, but 'steering' simulates a steering"
    ):
        load_bench(path)


def test_a_simulator_that_takes_no_layout_refuses_edited_optics(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What differs is said; the same simulator serves the file that it fits."""

    def fixed(seed: int, clock: Clock | None = None) -> Any:
        return collimator.simulate(seed, clock=clock)

    monkeypatch.setattr(simulating_module, "plugin", lambda group, name: fixed)
    load_bench(demo(tmp_path)).close()
    with pytest.raises(UsageError, match="differs from it in its light and elements and planes"):
        load_bench(demo(tmp_path, *OWN))


def test_the_light_of_the_file_is_simulated(tmp_path: Path) -> None:
    """The key reaches the truth, with the file's own optics as with the example's."""
    light = ("seed = 0", 'seed = 0\nlight = "ring"')
    for path in (demo(tmp_path, light), demo(tmp_path, light, *OWN)):
        with load_bench(path) as bench:
            assert bench.truth.train.glow.shape.hole == 0.5


def test_a_simulator_with_no_other_light_refuses_the_key(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Asked for speckle it says so, and simulates nothing else instead."""

    def fixed(seed: int, clock: Clock | None = None) -> Any:
        return collimator.simulate(seed, clock=clock)

    monkeypatch.setattr(simulating_module, "plugin", lambda group, name: fixed)
    with pytest.raises(UsageError, match="does not offer light"):
        load_bench(demo(tmp_path, ("seed = 0", 'seed = 0\nlight = "speckle"')))


@pytest.mark.slow
def test_a_bench_of_one_s_own_is_aligned_in_simulation(tmp_path: Path) -> None:
    """It ends in spec, by the simulated truth without noise as well."""
    from autoalign import align  # noqa: PLC0415

    with load_bench(demo(tmp_path, *OWN)) as bench:
        result = align(bench)
        assert result.in_spec
        assert bench.truth.in_spec(bench.spec)


def test_a_file_may_ask_for_moments(tmp_path: Path) -> None:
    """Its cameras then give no pixels, whether its optics are the example's own or others."""
    moments = ('link = "pty"', 'link = "direct"\nfidelity = "moments"')
    for edits in ((), OWN):
        text = example("demo").read_text(encoding="utf-8")
        for old, new in (moments, *edits):
            assert old in text
            text = text.replace(old, new)
        path = tmp_path / "bench.toml"
        path.write_text(text, encoding="utf-8")
        with load_bench(path) as bench:
            now = bench.clock.now()
            (taken,) = bench.detectors["near"].acquire(1, now, now + 60.0)
        assert isinstance(taken, Evaluated)


def test_a_simulation_without_that_fidelity_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rather than giving frames in silence."""

    def fixed(seed: int, clock: Clock) -> Any:
        return collimator.simulate(seed, clock=clock)

    monkeypatch.setattr(simulating_module, "plugin", lambda *_: fixed)
    path = demo(tmp_path, ("seed = 0", 'seed = 0\nfidelity = "moments"'))
    with pytest.raises(UsageError, match=r"does not offer fidelity"):
        load_bench(path).close()
