"""``autoalign measure``: good pictures, bad pictures, and what is said of each."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from autoalign_simulators.camera import SimulatedCamera
from PIL import Image

from autoalign.config import example

Array = npt.NDArray[Any]


def spot(peak: float = 40000.0, shape: tuple[int, int] = (200, 240)) -> Array:
    """Return a Gaussian of widths d_σ 80 and 60 pixels on a background of 400, with noise."""
    y, x = np.mgrid[: shape[0], : shape[1]]
    beam = peak * np.exp(-2 * (((x - 120) / 40) ** 2 + ((y - 95) / 30) ** 2))
    noise = np.random.default_rng(1).normal(400, 20, shape)
    return np.asarray(np.clip(beam + noise, 0, 65535))


def save(path: Path, pixels: Array) -> Path:
    """Write a 16-bit grey picture."""
    Image.fromarray(pixels.astype(np.uint16)).save(path)
    return path


def test_a_good_picture_gives_the_beam_in_millimetres(
    tmp_path: Path, run: Callable[..., Any]
) -> None:
    """Widths and centre of a Gaussian of known size, within five standard uncertainties."""
    said = run("measure", save(tmp_path / "good.png", spot()), "--pitch", "5.5 um", "--json")
    assert said.code == 0
    (facts,) = json.loads(said.out)
    assert facts["flags"] == []
    for name, pixels in (("width_major", 80.0), ("width_minor", 60.0), ("centre_x", 120.0)):
        number = facts[name]
        assert number["unit"] == "mm"
        assert abs(number["value"] - pixels * 5.5e-3) < 5 * number["uncertainty"]


def test_without_a_pitch_lengths_are_called_pixels(tmp_path: Path, run: Callable[..., Any]) -> None:
    """No millimetres are claimed where nobody said how large a pixel is."""
    said = run("measure", save(tmp_path / "good.png", spot()))
    assert "d_σ major, px" in said.out
    assert "mm" not in said.out


def test_csv_has_a_line_a_frame_with_units_in_the_header(
    tmp_path: Path, run: Callable[..., Any]
) -> None:
    """A folder gives a line for each picture, in order of their names; bad ones say why."""
    save(tmp_path / "a.png", spot())
    (tmp_path / "b.png").write_text("no picture")
    said = run("measure", tmp_path, "--pitch", "5.5 um", "--csv")
    rows = list(csv.DictReader(io.StringIO(said.out)))
    assert [Path(row["name"]).name for row in rows] == ["a.png", "b.png"]
    assert float(rows[0]["width_major[mm]"]) == pytest.approx(0.44, rel=5e-3)
    assert "cannot be read as a picture" in rows[1]["problem"]
    assert said.code == 2


def test_a_mixed_folder_is_measured_as_far_as_it_can_be(
    tmp_path: Path, run: Callable[..., Any]
) -> None:
    """Raw pixels bring their own pitch; unreadable files stop nobody, and the exit code is 2."""
    pixels = spot().astype("<u2")
    save(tmp_path / "a.png", pixels)
    (tmp_path / "b.raw").write_bytes(pixels.tobytes())
    sidecar = {"shape": [200, 240], "type": "uint16", "pitch_mm": 0.0055}
    (tmp_path / "b.json").write_text(json.dumps(sidecar))
    (tmp_path / "c.png").write_text("no picture")
    (tmp_path / "d.raw").write_bytes(b"1234")
    for place in (tmp_path, f"{tmp_path}/*"):
        said = run("measure", place, "--json")
        facts = json.loads(said.out)
        assert said.code == 2
        assert [Path(f["name"]).name for f in facts] == ["a.png", "b.raw", "c.png", "d.raw"]
        assert [f["problem"] is None for f in facts] == [True, True, False, False]
        assert facts[0]["width_major"]["unit"] == "px"
        assert facts[1]["width_major"]["value"] == pytest.approx(80 * 0.0055, rel=5e-3)
    table = run("measure", tmp_path)
    assert "d_σ major, px" in table.out
    assert "d_σ major, mm" in table.out
    assert "raw pixels need a sidecar d.json" in table.text
    rows = list(csv.DictReader(io.StringIO(run("measure", tmp_path, "--csv").out)))
    assert [bool(r["width_major[px]"]) for r in rows] == [True, False, False, False]
    assert [bool(r["width_major[mm]"]) for r in rows] == [False, True, False, False]


@pytest.mark.parametrize(
    ("pixels", "said"),
    [
        (np.full((60, 60), 400.0) + np.random.default_rng(2).normal(0, 20, (60, 60)),
         "dark: no light above"),
        (spot(peak=120000.0).astype(np.uint16), "saturated: "),
        (np.where(np.arange(240) == 60, np.nan, spot()).astype(np.float32),
         "are NaN, infinite or too large; the first is at row 0, column 60"),
        (spot()[95].astype(np.float32),
         "pixels have shape (240,); two dimensions (rows, columns) are needed"),
        (spot().astype(np.int64), "pixels are int64; allowed are uint8, uint16, float32 or"),
        (np.zeros((0, 5), np.uint8), "pixels have shape (0, 5); there is nothing in it"),
        (np.zeros((5, 5, 3), np.uint8), "Choose one colour channel or one image of the stack"),
    ],
    ids=["dark", "saturated", "nan", "one-dimensional", "int64", "empty", "stack"],
)  # fmt: skip
def test_a_bad_frame_is_named_with_the_reason(
    tmp_path: Path, run: Callable[..., Any], pixels: Array, said: str
) -> None:
    """All dark, saturated, not finite, or not a frame: the message says what and what to do."""
    np.save(tmp_path / "frame.npy", pixels)
    answer = run("measure", tmp_path / "frame.npy")
    assert said in answer.text
    assert "frame.npy" in answer.out


def test_a_dark_frame_of_the_wrong_size_is_refused(tmp_path: Path, run: Callable[..., Any]) -> None:
    """Both shapes are named."""
    dark = save(tmp_path / "dark.png", np.full((10, 12), 400.0))
    answer = run("measure", save(tmp_path / "good.png", spot()), "--dark", dark)
    assert answer.code == 2
    assert "dark frame has shape (10, 12), the frame (200, 240)" in answer.text


def test_colours_are_never_mixed_in_silence(tmp_path: Path, run: Callable[..., Any]) -> None:
    """A colour picture needs a channel; a grey one saved as colour is measured and said to be."""
    grey = (spot() / 256).astype(np.uint8)
    Image.fromarray(np.dstack([grey, grey, grey // 2])).save(tmp_path / "colour.png")
    Image.fromarray(np.dstack([grey] * 3)).save(tmp_path / "grey.png")
    refused = run("measure", tmp_path / "colour.png")
    assert refused.code == 2
    assert "--channel red, green or blue" in refused.text
    chosen = run("measure", tmp_path / "colour.png", "--channel", "blue")
    assert (chosen.code, "channel blue alone was measured" in chosen.text) == (0, True)
    same = run("measure", tmp_path / "grey.png")
    assert (same.code, "three equal colour channels" in same.text) == (0, True)


def test_bits_set_the_saturation_level(tmp_path: Path, run: Callable[..., Any]) -> None:
    """A 12-bit camera saturates at 4095, although its file could hold more; a plateau shows it."""
    path = save(tmp_path / "twelve.png", np.minimum(spot(peak=6000.0), 4095))
    assert "share the highest value, 4095" in run("measure", path).text
    assert "pixels at 4095 or above" in run("measure", path, "--bits", "12").text


def test_a_missing_file_is_an_entry_like_a_broken_one(
    tmp_path: Path, run: Callable[..., Any]
) -> None:
    """The other files are measured, in their order; JSON, CSV and table name the missing one."""
    good = save(tmp_path / "good.png", spot())
    absent = tmp_path / "absent.png"
    said = run("measure", absent, good, "--json")
    first, second = json.loads(said.out)
    assert said.code == 2
    assert first == {"name": str(absent), "problem": f"{first['problem']}"}
    assert "there is no picture here" in first["problem"]
    assert second["problem"] is None
    assert "there is no picture here" in run("measure", absent, good, "--csv").out
    assert "NOT MEASURED" in run("measure", absent).out


def test_a_width_that_was_not_found_is_a_flag_and_no_number(
    tmp_path: Path, run: Callable[..., Any]
) -> None:
    """Four hot pixels side by side have no width: a dash and a flag, null in JSON."""
    pixels = np.zeros((100, 120), np.uint8)
    pixels[50:52, 50:52] = 200
    np.save(tmp_path / "frame.npy", pixels)
    said = run("measure", tmp_path / "frame.npy")
    row = next(line for line in said.out.splitlines() if "not converged" in line)
    assert row.split()[3:7] == ["–"] * 4
    (facts,) = json.loads(run("measure", tmp_path / "frame.npy", "--json").out)
    assert facts["width_major"] == {"value": None, "uncertainty": None, "unit": "px"}
    assert facts["centre_x"]["value"] is not None
    assert facts["flags"][0]["kind"] == "not converged"


def test_a_ghost_is_placed_in_pixels(tmp_path: Path, run: Callable[..., Any]) -> None:
    """Without a pitch no flag claims a millimetre; a second spot is named by column and row."""
    y, x = np.mgrid[:200, :240]
    ghost = 8000 * np.exp(-2 * (((x - 210) / 8) ** 2 + ((y - 30) / 8) ** 2))
    said = run("measure", save(tmp_path / "ghost.png", spot() + ghost))
    assert "second spot" in said.text
    assert re.search(r"at \(column, row\) \((209|210|211), (29|30|31)\)", said.text)
    assert "mm" not in said.text.replace("measure", "")


def test_the_axes_of_the_figures_are_said(tmp_path: Path, run: Callable[..., Any]) -> None:
    """On the sensor y goes down and azimuth is clockwise; explained pictures have y up."""
    path = save(tmp_path / "good.png", spot())
    assert "y down, from the centre of the first pixel" in run("measure", path).text
    assert "clockwise (from +x towards +y)" in run("measure", path).text
    assert json.loads(run("measure", path, "--json").out)[0]["axes"] == "sensor"


@pytest.mark.slow
def test_annotated_pictures_are_written(tmp_path: Path, run: Callable[..., Any]) -> None:
    """One picture a frame, named after it."""
    save(tmp_path / "good.png", spot())
    said = run("measure", tmp_path / "good.png", "--pictures", tmp_path / "out")
    (drawn,) = (tmp_path / "out").iterdir()
    assert drawn.name == "001-good.png"
    assert str(drawn) in said.err
    with Image.open(drawn) as image:
        assert min(image.size) > 300


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "nothing to measure"),
        (("absent.png", "--pitch", "5"), "'5' has no unit; write for instance \"5 um\""),
        (("absent.png", "--pitch", "5,5 um"), "--pitch '5,5 um' has a comma between two digits"),
        (("absent.png", "--pitch", "5 mrad"), "is an angle; wanted is a length"),
        (("absent.png", "--pitch", "0 um"), "--pitch '0 um': give one length, or"),
        (("absent.png", "--pitch", "-5 um"), "each above 0 and up to 100 mm"),
        (("absent.png", "--pitch", "1e300 mm"), "each above 0 and up to 100 mm"),
        (("absent.toml",), "there is no such file"),
    ],
)
def test_a_request_that_cannot_be_carried_out_says_why(
    run: Callable[..., Any], arguments: tuple[str, ...], said: str
) -> None:
    """Usage mistakes end with 2 and a message on standard error."""
    answer = run("measure", *arguments)
    assert answer.code == 2
    assert said in answer.err
    assert answer.out == ""


@pytest.mark.slow
def test_a_bench_is_looked_at_without_moving(
    demo_bench: Callable[..., Path], run: Callable[..., Any]
) -> None:
    """Both planes are measured and the spec judged; out of spec ends with 1."""
    said = run("measure", demo_bench(), "--json")
    facts = json.loads(said.out)
    assert said.code == 1
    assert [f["name"] for f in facts["frames"]] == ["near", "far"]
    assert facts["in_spec"] is False
    assert set(facts["terms"]) == {"pointing_x", "pointing_y", "divergence", "ellipticity"}
    assert facts["terms"]["pointing_x"]["unit"] == "mrad"


def round_spot(width: float, at: tuple[float, float] = (0.0, 0.0), pitch: float = 0.1) -> Array:
    """Return a round Gaussian of width d_σ mm, ``at`` mm from the middle, x right and y up."""
    side = (np.arange(401) - 200) * pitch
    radius = ((side[None, :] - at[0]) ** 2 + (-side[:, None] - at[1]) ** 2) / (width / 2) ** 2
    noise = np.random.default_rng(3).normal(400, 5, radius.shape)
    return np.asarray(40000 * np.exp(-2 * radius) + noise)


def test_two_pictures_are_explained_in_words(tmp_path: Path, run: Callable[..., Any]) -> None:
    """A beam that grows by 1 mm in 2 m from 10 mm: the source is ρ² V = 1.125 mm too close."""
    near = save(tmp_path / "near.png", round_spot(10.0))
    far = save(tmp_path / "far.png", round_spot(11.0))
    optic = ("--distances", "0.4 m, 2.4 m", "--focal-length", "150 mm", "--angle", "35 deg")
    said = run("measure", near, far, "--pitch", "100 um", "--explain", *optic, "--json")
    facts = json.loads(said.out)
    assert said.code == 0
    # Paraxial: D' − D = D V L with the curvature V = l/ρ² (defocus of a displaced source).
    axes = {a["axis"]: a for a in facts["axes"]}
    expected = 150**2 * (1.0 / 2000) / 10.0
    assert axes["source.z"]["move_by"] == pytest.approx(-expected, rel=0.03)
    assert axes["source.z"]["confidence"] > 0.99
    words = " ".join(facts["explanation"])
    assert re.search(r"source\.z: move by −1\.1\d* ± 0\.\d+ mm \(over 99 % sure", words), words
    assert "Cannot be distinguished" in words
    assert "takes pixel sizes, distances and the middles of the pictures as exact" in words


@pytest.mark.parametrize(
    "light",
    [("--core", "0.4 mm"), ("--na", "0.03"), ("--emission", "gaussian", "--wavelength", "633 nm")],
)
def test_the_light_of_explained_pictures_can_be_stated(
    tmp_path: Path, run: Callable[..., Any], light: tuple[str, ...]
) -> None:
    """Size, NA and profile of the source: what it adds to the growth is not put down to focus."""
    near = save(tmp_path / "near.png", round_spot(10.0))
    far = save(tmp_path / "far.png", round_spot(11.0))
    optic = ("--distances", "0.4 m, 2.4 m", "--focal-length", "150 mm", "--angle", "35 deg")
    told = run("measure", near, far, "--pitch", "100 um", "--explain", *optic, *light, "--json")
    moves = {a["axis"]: a["move_by"] for a in json.loads(told.out)["axes"]}
    # Paraxial: d² = g² + θ² (z − ρ)², and g grows with the curvature l/ρ² (a displaced source).
    theta = 0.4 / 150 if "--core" in light else 0.0
    first, last = ((d**2 - (theta * z) ** 2) ** 0.5 for d, z in ((10.0, 250), (11.0, 2250)))
    expected = 150**2 * (last - first) / 2000 / first
    assert moves["source.z"] == pytest.approx(-expected, rel=0.03)


@pytest.mark.slow
def test_a_bench_is_explained_and_what_cannot_be_told_is_said(
    demo_bench: Callable[..., Path], run: Callable[..., Any]
) -> None:
    """The demo at its start: which of the bench's own axes to move, and which look alike."""
    bench = demo_bench()
    said = run("measure", bench, "--explain")
    assert "Diagnosis (± is 95 %)" in said.text
    assert re.search(r"source\.z: move by \+1\.\d+ ± 0\.\d+ mm, to 1\.\d+ mm", said.text)
    assert "Either move source.y by" in said.text
    assert "these frames cannot show which is misaligned" in said.text
    axes = {
        a["axis"]: a for a in json.loads(run("measure", bench, "--explain", "--json").out)["axes"]
    }
    assert axes["source.z"]["unit"] == "mm"
    assert (axes["source.z"]["determined"], axes["source.y"]["determined"]) == (True, False)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("collimator-far-dark",
         ("far: dark: no light above", "Without far, what follows relies on near",
          "Either move mirror.tilt by ", "these frames cannot show which is misaligned")),
        ("collimator-dark",
         ("near, far: dark: at near, no light above", "no camera sees the beam")),
    ],
)  # fmt: skip
def test_dark_planes_leave_something_to_say(
    demo_bench: Callable[..., Path], run: Callable[..., Any], kind: str, words: tuple[str, ...]
) -> None:
    """With one plane dark the other still tells a direction; with all, only that."""
    old = '[simulation]\nbench = "collimator"'
    seed = ("seed = 0", "seed = 2")
    bench = demo_bench((old, old.replace("collimator", kind)), seed)
    said = run("measure", bench, "--explain")
    assert said.code == 1
    for word in words:
        assert word in said.text


@pytest.mark.slow
def test_a_focuser_is_explained_by_its_own_axes(tmp_path: Path, run: Callable[..., Any]) -> None:
    """Where the beam is narrowest, and which of its axes to move."""
    text = example("focuser").read_text(encoding="utf-8").replace('link = "pty"', 'link = "direct"')
    (tmp_path / "bench.toml").write_text(text, encoding="utf-8")
    said = run("measure", tmp_path / "bench.toml", "--explain")
    assert re.search(r"narrowest 0\.\d+ ± 0\.\d+ mm before focus sideways", said.text)
    assert re.search(r"mirror\.z: move by \+0\.3\d+ ± 0\.\d+ mm", said.text)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--pitch", "100 um"), "needs --distances, --focal-length and --angle"),
        (("--distances", "1 m", "--focal-length", "1 m", "--angle", "9 deg"), "needs the pixel"),
        (("--distances", "1 m", "--focal-length", "1 m", "--angle", "9 deg", "--pitch", "9 um"),
         "gives 1 distance for 1 frame; give one for each, at least two"),
        (("--distances", "-1 m", "--focal-length", "1 m", "--angle", "9 deg", "--pitch", "9 um"),
         "--distances '-1 m': must be from 0.1 mm to 100000 m"),
        (("--distances", "1 m, 1 m", "--focal-length", "1 m", "--angle", "9deg", "--pitch", "9um"),
         "'1 m, 1 m' gives one distance twice"),
        (("--distances", "1 m", "--focal-length", "1 m", "--angle", "190 deg", "--pitch", "9 um"),
         "off-axis angle 190.0° must lie between 0° and 180°"),
        (("--distances", "1 m", "--focal-length", "0 m", "--angle", "9 deg", "--pitch", "9 um"),
         "--focal-length '0 m': must be from 1 mm to 100 m"),
    ],
)  # fmt: skip
def test_what_an_explanation_needs_is_said(
    tmp_path: Path, run: Callable[..., Any], options: tuple[str, ...], words: str
) -> None:
    """Nothing is guessed: distances, optic and pitch must be given."""
    said = run("measure", save(tmp_path / "one.png", spot()), "--explain", *options)
    assert said.code == 2
    assert words in said.err


def test_a_hot_pixel_map_and_forms_that_exclude_each_other(
    run: Callable[..., Any], tmp_path: Path
) -> None:
    """Pixels that are not 0 in the map are filled in; one form of output at a time."""
    pixels = np.full((60, 80), 8, np.uint8)
    pixels[25:35, 30:45] = 120
    spoilt, bad = pixels.copy(), np.zeros_like(pixels)
    spoilt[38:42, 47:51], bad[38:42, 47:51] = 255, 1
    for name, picture in (("whole", pixels), ("spoilt", spoilt), ("map", bad)):
        Image.fromarray(picture).save(tmp_path / f"{name}.png")
    whole, mended, worse = (
        json.loads(run("measure", *command, "--json").out)[0]["width_major"]["value"]
        for command in (
            (tmp_path / "whole.png",),
            (tmp_path / "spoilt.png", "--hot-map", tmp_path / "map.png"),
            (tmp_path / "spoilt.png",),
        )
    )
    assert mended == pytest.approx(whole)
    assert worse > 1.05 * whole
    said = run("measure", tmp_path / "whole.png", "--json", "--csv")
    assert said.code == 2
    assert "choose one" in said.err


def test_one_camera_at_two_planes_is_said_on_a_bench_as_well(
    run: Callable[..., Any], demo_bench: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both planes show the same pixels: the spec is not judged, and the words say why."""
    acquire = SimulatedCamera.acquire
    kept: list[Any] = []

    def always_the_first(camera: Any, *asked: Any) -> Any:
        kept.append(kept[0] if kept else acquire(camera, *asked)[-1])
        return [replace(kept[0], plane=camera.plane)]

    monkeypatch.setattr(SimulatedCamera, "acquire", always_the_first)
    said = run("measure", demo_bench(), "--json")
    facts = json.loads(said.out)
    assert said.code == 1
    assert facts["in_spec"] is None
    assert "near and far are identical in every pixel" in facts["not_judged"]
