"""What a bench file says arrives in mm, rad and s, at the right place."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import pytest

from autoalign.beam.combine import stated
from autoalign.config import EXAMPLES, bench_schema, example, load_bench, read_bench_file
from autoalign.config.uncertainties import KINDS
from autoalign.core.errors import BenchFileError, PortMissingError
from autoalign.core.frames import Frame
from autoalign.model.calibration import DRIFT
from autoalign.model.unknowns import PRIORS
from autoalign.spec.terms import DivergenceTerm, EllipticityTerm, PointingTerm

Writer = Callable[..., Path]


def test_every_quantity_arrives_in_inner_units(bench_file: Writer) -> None:
    """Lengths in mm, angles in rad, times in s, whatever unit the file uses."""
    file = read_bench_file(bench_file())
    axis = file.axes["source"][0]
    assert (axis.lower, axis.upper, axis.unit) == (-6.0, 6.0, "mm")
    assert axis.resolution == pytest.approx(1e-3)
    assert axis.backlash == pytest.approx(5e-3)
    assert axis.speed == pytest.approx(2.0)
    tip = file.axes["mount"][0]
    assert (tip.lower, tip.unit) == (pytest.approx(-math.radians(2)), "rad")
    assert tip.resolution == pytest.approx(1e-5)
    assert tip.approach == -1
    assert file.layout is not None
    assert [p.distance for p in file.layout.planes] == [400.0, 2400.0]
    assert file.tables.budget.time == 600.0


def test_the_layout_is_the_family_s_with_the_bench_s_own_axes(bench_file: Writer) -> None:
    """Only the two axes that the bench has remain, with the motions of the family."""
    layout = read_bench_file(bench_file()).layout
    assert layout is not None
    assert [m.axis for m in layout.motions] == ["source.x", "mirror.tip"]
    alpha = math.radians(35)
    assert layout.motion("source.x").direction == pytest.approx(
        (math.cos(alpha), 0.0, math.sin(alpha))
    )


def test_an_axis_may_describe_a_motion_of_its_own(bench_file: Writer) -> None:
    """A motion in the file replaces the family's; its direction is made a unit vector."""
    motion = 'motion = { part = "mirror", kind = "turn", direction = [0, 3, 4], pivot = '
    motion += '["0 mm", "0 mm", "2.5 cm"] }'
    file = read_bench_file(
        bench_file(('approach = "-"', motion.replace("2.5 cm", "-30 mm"))),
    )
    assert file.layout is not None
    tip = file.layout.motion("mirror.tip")
    assert tip.direction == pytest.approx((0.0, 0.6, 0.8))
    assert tip.pivot == (0.0, 0.0, -30.0)


STEERING = """\
[bench]
name = "two mirrors"
layout = "steering"
[beam]
diameter = "2 mm"
wavelength = "633 nm"
[arrangement]
separation = "250 mm"
[planes]
near = "0.2 m"
far = "2 m"
[stages.folds]
driver = "example-stage"
port = "A"
axes."first.tip" = { travel = ["-10 mrad", "10 mrad"], channel = 1 }
axes."second.tip" = { travel = ["-10 mrad", "10 mrad"], channel = 2 }
[detectors.near]
driver = "example-camera"
plane = "near"
"""


def test_other_families_take_their_own_tables(tmp_path: Path) -> None:
    """A steering bench needs a beam and no paraboloid; a focuser and a relay their mirrors."""
    path = tmp_path / "bench.toml"
    path.write_text(STEERING)
    layout = read_bench_file(path).layout
    assert layout is not None
    assert layout.elements[1].position == (0.0, 0.0, 250.0)
    assert [m.axis for m in layout.motions] == ["first.tip", "second.tip"]
    optic = 'reflected_focal_length = "100 mm"\noff_axis_angle = "30 deg"\n'
    optic += 'clear_aperture = "20 mm"\n'
    relay = STEERING.replace('"steering"', '"relay"').replace("[beam]\ndiameter", "[source]\nna")
    relay = relay.replace('"2 mm"', '0.1\ncore_diameter = "10 um"').replace(
        "second.tip", "source.x"
    )
    relay = relay.replace(
        '"source.x" = { travel = ["-10 mrad", "10 mrad"]',
        '"source.x" = { travel = ["-1 mm", "1 mm"]',
    )
    path.write_text(relay + f"[first]\n{optic}[second]\n{optic}")
    relayed = read_bench_file(path).layout
    assert relayed is not None
    assert relayed.planes[0].distance == pytest.approx(100 + 200)
    focuser = STEERING.replace('"steering"', '"focuser"').replace("separation", "steering_distance")
    focuser = focuser.replace("first.tip", "steering.tip").replace("second.tip", "mirror.tip")
    path.write_text(focuser + f"[optic]\n{optic}")
    focused = read_bench_file(path).layout
    assert focused is not None
    assert focused.elements[0].position[2] == 250.0


def test_the_spec_has_the_terms_of_the_file(bench_file: Writer) -> None:
    """Tolerance, target and weight arrive; the source's own divergence is d/ρ."""
    spec = read_bench_file(bench_file()).spec
    assert spec is not None
    pointing, divergence, ellipticity = spec.terms
    assert isinstance(pointing, PointingTerm)
    assert pointing.direction == "x"
    assert (pointing.tolerance, pointing.target) == pytest.approx((1e-4, 5e-5))
    assert isinstance(divergence, DivergenceTerm)
    assert divergence.source_divergence == pytest.approx(0.1 / 150)
    assert divergence.waist == 150.0
    assert (divergence.near, divergence.far) == ("near", "far")
    assert isinstance(ellipticity, EllipticityTerm)
    assert (ellipticity.tolerance, ellipticity.weight) == pytest.approx((0.015, 2.0))


def test_a_third_party_term_and_one_quantity_can_be_asked_for(bench_file: Writer) -> None:
    """Terms from plug-ins take their own keys; a quantity takes its unit from its tolerance."""
    extra = (
        'example-brightness = { plane = "far", tolerance = "10 %" }\n'
        'spot = { term = "quantity", quantity = "far.x", tolerance = "0.5 mm" }\n'
    )
    spec = read_bench_file(bench_file(("[budget]", extra + "[budget]"))).spec
    assert spec is not None
    assert [t.name for t in spec.terms][-2:] == ["brightness", "far.x"]
    assert spec.terms[-1].unit == "mm"  # type: ignore[attr-defined]
    assert spec.terms[-1].tolerance == 0.5  # type: ignore[attr-defined]


def test_a_bench_opens_and_closes_everything(bench_file: Writer) -> None:
    """Stages and detectors are the drivers' own; leaving the block closes each."""
    with load_bench(bench_file()) as bench:
        assert list(bench.axes) == ["source.x", "mirror.tip"]
        assert list(bench.free_axes) == ["source.x"]
        assert bench.settle == pytest.approx(0.05)
        assert bench.uncertainties == {"pitch": pytest.approx(0.01)}
        now = bench.clock.now()
        (frame,) = bench.detectors["far"].acquire(1, now, now + 10.0)
        assert isinstance(frame, Frame)
        assert frame.pixels.shape == (32, 32)
        stages, detectors = list(bench.stages.values()), list(bench.detectors.values())
    assert all(d.closed for d in (*stages, *detectors))  # type: ignore[attr-defined]


def test_a_missing_port_closes_what_was_open(
    bench_file: Writer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the second stage fails to open, the first is closed again."""
    from autoalign_example import stage  # noqa: PLC0415 - installed by the fixture

    made = []
    original = stage.ExampleStage

    def remember(*args: object) -> object:
        made.append(original(*args))  # type: ignore[arg-type]
        return made[-1]

    monkeypatch.setattr(stage, "ExampleStage", remember)
    with pytest.raises(PortMissingError, match="no port 'missing'"):
        load_bench(bench_file(('port = "B"', 'port = "missing"')))
    assert [s.closed for s in made] == [True]


def test_overrides_replace_values_of_the_file(bench_file: Writer) -> None:
    """A dotted key reaches into tables, existing or not."""
    file = read_bench_file(bench_file(), {"bench.frames": 4, "budget.measurements": 9})
    assert (file.tables.bench.frames, file.tables.budget.measurements) == (4, 9)


def test_every_uncertainty_of_a_bench_file_is_one_that_somebody_reads() -> None:
    """No name of the table would be read by nobody: the twin does, or the verdict."""
    plane = {"far": 1.0}
    verdict = {k for k in KINDS if stated({k: 1.0}, plane) != stated({}, plane)}
    assert {"pixel_aspect", "roll"} <= verdict
    assert set(KINDS) <= {*PRIORS, *DRIFT, *verdict}


def test_the_schema_knows_every_table_and_that_quantities_are_strings() -> None:
    """An editor can complete keys and sees that travel takes strings with units."""
    schema = bench_schema()
    assert {"bench", "optic", "planes", "stages", "detectors"} <= set(schema["properties"])
    focal = schema["$defs"]["OpticTable"]["properties"]["reflected_focal_length"]
    assert focal["type"] == "string"
    assert schema["$defs"]["BenchTable"]["additionalProperties"] is False


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_examples_that_come_with_the_package_are_sound(name: str) -> None:
    """Each can be read without a mistake, and its layout moves every axis."""
    file = read_bench_file(example(name))
    assert file.layout is not None
    assert file.spec is not None
    axes = [a.name for stage in file.axes.values() for a in stage]
    assert [m.axis for m in file.layout.motions] == axes
    assert len(axes) >= 4


@pytest.mark.parametrize(
    ("name", "kind"),
    [("demo", "collimator"), *((f, f) for f in ("focuser", "relay", "steering"))],
)
def test_the_file_of_a_simulated_bench_says_what_it_is(name: str, kind: str) -> None:
    """Axes, planes, optics and spec of the file are those of the simulated bench itself."""
    from autoalign_simulators import benches  # noqa: PLC0415 - beside the entry points

    file = read_bench_file(example(name), {"simulation.link": "direct"})
    with file.open() as bench, getattr(benches, kind)(seed=0, pixels=64) as simulated:
        assert bench.layout == simulated.layout
        assert bench.locked == simulated.locked
        assert dict(bench.axes) == dict(simulated.axes)
        assert set(bench.detectors) == set(simulated.detectors)
        assert [t.name for t in bench.spec.terms] == [t.name for t in simulated.spec.terms]
        for mine, its in zip(bench.spec.terms, simulated.spec.terms, strict=True):
            for key in ("unit", "near", "far"):
                assert getattr(mine, key, None) == getattr(its, key, None)
            for key in ("tolerance", "target", "source_divergence", "waist"):
                assert getattr(mine, key, 0.0) == pytest.approx(getattr(its, key, 0.0), rel=1e-6)
        for what, known in simulated.uncertainties.items():
            general = bench.uncertainties.get(what.rpartition(".")[2])
            assert bench.uncertainties.get(what, general) == pytest.approx(known, rel=1e-3)
    axes = {a.name: a for stage in file.axes.values() for a in stage}
    for axis in simulated.axes.values():
        mine = axes[axis.name]
        assert (
            mine.lower,
            mine.upper,
            mine.resolution,
            mine.backlash,
            mine.speed,
        ) == pytest.approx((axis.lower, axis.upper, axis.resolution, axis.backlash, axis.speed))


def test_light_of_several_wavelengths(bench_file: Writer) -> None:
    """The others come with their shares of the power; the main one keeps the rest."""
    line = 'other_wavelengths = [{ wavelength = "850 nm", share = "30 %" }]'
    layout = read_bench_file(
        bench_file(('wavelength = "660 nm"', f'wavelength = "660 nm"\n{line}'))
    ).layout
    assert layout is not None
    (main, rest), (other, share) = layout.light.lines
    assert (main, other) == pytest.approx((660e-6, 850e-6))
    assert (rest, share) == pytest.approx((0.7, 0.3))


def test_shares_that_leave_nothing_are_a_mistake_with_its_line(bench_file: Writer) -> None:
    """Two halves besides the main wavelength are too much."""
    half = '{ wavelength = "850 nm", share = "50 %" }'
    line = f"other_wavelengths = [{half}, {half}]"
    path = bench_file(('wavelength = "660 nm"', f'wavelength = "660 nm"\n{line}'))
    with pytest.raises(BenchFileError, match=r"leave nothing for the main wavelength"):
        read_bench_file(path)


def test_the_template_shows_which_way_a_screw_turns() -> None:
    """Half of all screws make the position smaller; each says whether it is one."""
    text = example("own-bench").read_text(encoding="utf-8")
    assert text.count("clockwise = ") == text.count("per_turn = ") > 0
