"""Raw pixels with a sidecar come in as they are, or with an error that says what is wrong."""

from __future__ import annotations

import json

import numpy as np
import pytest

from autoalign import FrameError
from autoalign.pictures import read_pictures


def written(folder, data, **facts):
    """Write pixels and sidecar; return the pixels' path."""
    (folder / "beam.raw").write_bytes(data)
    (folder / "beam.json").write_text(json.dumps(facts))
    return folder / "beam.raw"


@pytest.mark.parametrize("kind", ["uint8", "uint16", "float32", "float64"])
@pytest.mark.parametrize("order", ["little", "big"])
def test_plain_pixels(tmp_path, kind, order):
    """Every type in both byte orders, past a header, with pitch and plane."""
    pixels = np.random.default_rng(1).integers(0, 250, (5, 7)).astype(kind)
    data = (
        b"head"
        + pixels.astype(pixels.dtype.newbyteorder("<" if order == "little" else ">")).tobytes()
    )
    path = written(
        tmp_path,
        data,
        shape=[5, 7],
        type=kind,
        byte_order=order,
        offset=4,
        pitch_mm=0.01,
        plane="far",
    )
    (picture,) = read_pictures(path)
    assert np.array_equal(picture.frame.pixels, pixels)
    assert picture.scaled
    assert (picture.frame.pitch_x, picture.frame.plane, picture.notes) == (0.01, "far", ())


def test_packed_twelve_bits(tmp_path):
    """0xABC and 0x123 in three bytes: BC, 3A, 12."""
    path = written(
        tmp_path, bytes([0xBC, 0x3A, 0x12, 0xFF, 0x0F, 0x00]), shape=[1, 3], type="packed12"
    )
    (picture,) = read_pictures(path)
    frame, notes = picture.frame, picture.notes
    assert frame.pixels.tolist() == [[0xABC, 0x123, 0xFFF]]
    assert frame.saturation == 4095
    assert "unpacked" in notes[0]


@pytest.mark.parametrize(
    ("facts", "message"),
    [
        ({"shape": [2, 2], "type": "uint8"}, "6 bytes of pixels, .* need 4"),
        ({"shape": [2], "type": "uint8"}, r"\[rows, columns\]"),
        ({"shape": [2, 3], "type": "int7"}, "type 'int7'"),
        ({"shape": [2, 3], "type": "uint8", "offset": -1}, "offset -1"),
        ({"shape": [2, 3], "type": "uint8", "gamma": 2.2}, "unknown keys gamma"),
        ({"shape": [2, 3], "type": "uint8", "pitch_mm": 0}, "pitch"),
    ],
)
def test_mistakes_in_the_sidecar(tmp_path, facts, message):
    """Each mistake is named."""
    with pytest.raises(FrameError, match=message):
        read_pictures(written(tmp_path, bytes(6), **facts))


def test_without_a_sidecar(tmp_path):
    """The sidecar's name is told; one that is no JSON is refused."""
    path = tmp_path / "beam.raw"
    path.write_bytes(b"123")
    with pytest.raises(FrameError, match=r"sidecar beam\.json"):
        read_pictures(path)
    path.with_suffix(".json").write_text("nonsense")
    with pytest.raises(FrameError, match="not JSON"):
        read_pictures(path)
