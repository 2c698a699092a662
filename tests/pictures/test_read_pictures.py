"""Picture files come in as they stand, with every change said, or with an error that says why."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image

from autoalign import FrameError, UsageError, find_pictures, read_pictures


def grey(dtype=np.uint8, top=200):
    """Return a small picture of ``dtype`` with values up to ``top``."""
    return (np.arange(35).reshape(5, 7) * (top / 34)).astype(dtype)


def only(path, **options):
    """Return the one picture in ``path``."""
    (picture,) = read_pictures(path, **options)
    return picture


@pytest.mark.parametrize(
    ("name", "dtype"),
    [
        ("x.png", np.uint8),
        ("x.png", np.uint16),
        ("x.tif", np.uint8),
        ("x.tif", np.uint16),
        ("x.tif", np.int32),
        ("x.tif", np.float32),
    ],
)
def test_levels_are_kept_as_stored(tmp_path, name, dtype):
    """No scaling and no gamma, whatever the kind of pixels."""
    path = tmp_path / name
    Image.fromarray(grey(dtype)).save(path)
    picture = only(path)
    np.testing.assert_array_equal(picture.frame.pixels, grey(dtype))
    assert picture.frame.pixels.dtype == (np.uint16 if dtype is np.int32 else dtype)
    assert not picture.scaled


def packed_tiff(pixels, bits, order="<", **tags):
    """Return the bytes of a TIFF whose pixels have ``bits`` bits, bit by bit, highest first."""
    rows, columns = pixels.shape
    strip = b""
    for row in pixels:
        line = "".join(f"{int(v):0{bits}b}" for v in row)
        line += "0" * (-len(line) % 8)
        strip += bytes(int(line[k : k + 8], 2) for k in range(0, len(line), 8))
    entries = {256: columns, 257: rows, 258: bits, 259: 1, 262: 1, 277: 1, 278: rows}
    entries |= {int(k[1:]): v for k, v in tags.items()}
    entries |= {273: 8 + 2 + 12 * (len(entries) + 2) + 4, 279: len(strip)}
    end = "little" if order == "<" else "big"
    head = (b"II" if order == "<" else b"MM") + (42).to_bytes(2, end) + (8).to_bytes(4, end)
    ifd = len(entries).to_bytes(2, end)
    for tag, value in sorted(entries.items()):
        ifd += tag.to_bytes(2, end) + (4).to_bytes(2, end) + (1).to_bytes(4, end)
        ifd += value.to_bytes(4, end)
    return head + ifd + (0).to_bytes(4, end) + strip


@pytest.mark.parametrize("bits", [10, 12, 14])
@pytest.mark.parametrize("order", ["<", ">"])
def test_packed_tiff(tmp_path, bits, order):
    """10, 12 and 14 bits a pixel without gaps, rows on whole bytes, in both byte orders."""
    pixels = grey(np.uint16, 2**bits - 1)
    path = tmp_path / "packed.tif"
    path.write_bytes(packed_tiff(pixels, bits, order))
    picture = only(path)
    np.testing.assert_array_equal(picture.frame.pixels, pixels)
    assert picture.frame.saturation == 2**bits - 1
    assert picture.notes == (f"{bits}-bit pixels were unpacked to 16 bits",)


def test_packed_tiff_as_an_independent_reader_unpacks_it(tmp_path):
    """Pillow (PyPI) reads 12 bits in the little-endian order; its values are the same."""
    path = tmp_path / "packed.tif"
    path.write_bytes(packed_tiff(grey(np.uint16, 4095), 12))
    with Image.open(path) as image:
        np.testing.assert_array_equal(np.asarray(image), only(path).frame.pixels)


def test_packed_tiff_that_is_compressed_or_cut_off(tmp_path):
    """Said with what to save instead, or how many bytes are missing."""
    path = tmp_path / "packed.tif"
    path.write_bytes(packed_tiff(grey(np.uint16, 1000), 10, t259=5))
    with pytest.raises(FrameError, match="10-bit pixels are read from grey, uncompressed"):
        read_pictures(path)
    path.write_bytes(packed_tiff(grey(np.uint16, 1000), 10)[:-3])
    with pytest.raises(FrameError, match="42 bytes of pixels; 45 are needed"):
        read_pictures(path)


def test_pgm_is_not_stretched(tmp_path):
    """12 bits in a PGM stay 12 bits (imaging libraries stretch them to 16), also as text."""
    pixels = grey(np.uint16, 4095)
    head = b"P5\n# from a camera\n7 5\n4095\n"
    binary, text, eight = (tmp_path / f"{k}.pgm" for k in "abc")
    binary.write_bytes(head + pixels.astype(">u2").tobytes())
    words = " ".join(map(str, pixels.ravel().tolist()))
    text.write_text(f"P2 7 5 4095 # and here\n{words}\n")
    for path in (binary, text):
        picture = only(path)
        np.testing.assert_array_equal(picture.frame.pixels, pixels)
        assert (picture.frame.saturation, picture.notes) == (4095, ())
    Image.fromarray(grey()).save(eight)
    np.testing.assert_array_equal(only(eight).frame.pixels, grey())


def test_npy_of_the_other_byte_order(tmp_path):
    """The values count, not the order in which their bytes were written."""
    np.save(tmp_path / "x.npy", grey(np.uint16).astype(">u2"))
    np.testing.assert_array_equal(only(tmp_path / "x.npy").frame.pixels, grey(np.uint16))


def test_fits(tmp_path):
    """Unsigned 16 bits come as they are; what a scale in the head does to the values is said."""
    fits = pytest.importorskip("astropy.io.fits")
    plain, signed, scaled = (tmp_path / f"{k}.fits" for k in "abc")
    fits.PrimaryHDU(grey(np.uint16)).writeto(plain)
    np.testing.assert_array_equal(only(plain).frame.pixels, grey(np.uint16))
    assert only(plain).frame.saturation == 65535
    fits.PrimaryHDU(grey(np.int16)).writeto(signed)
    assert only(signed).notes == ("int16 values were read as float64; no value changed",)
    hdu = fits.PrimaryHDU(grey(np.int16))
    hdu.scale("int16", bscale=0.5)
    hdu.writeto(scaled)
    np.testing.assert_allclose(only(scaled).frame.pixels, grey(np.int16), atol=0.5)
    assert "0.5 × stored" in only(scaled).notes[0]


def test_colours_are_never_mixed(tmp_path):
    """A colour picture needs a choice; then that channel is taken as stored."""
    path, same = tmp_path / "c.png", tmp_path / "same.png"
    Image.fromarray(np.dstack([grey(), grey() // 2, grey() // 3])).save(path)
    with pytest.raises(FrameError, match="colours are not mixed"):
        read_pictures(path)
    picture = only(path, channel="green")
    np.testing.assert_array_equal(picture.frame.pixels, grey() // 2)
    assert picture.notes == ("channel green alone was measured",)
    Image.fromarray(np.dstack([grey()] * 3)).save(same)
    assert only(same).notes == ("three equal colour channels; one was measured",)


def test_what_is_no_brightness(tmp_path):
    """One bit, a palette, and 32-bit values beyond 16 bits are refused with advice."""
    bits, palette, large = tmp_path / "1.png", tmp_path / "p.png", tmp_path / "large.tif"
    Image.fromarray(grey()).convert("1").save(bits)
    Image.fromarray(np.dstack([grey()] * 3)).quantize(4).save(palette)
    for path in (bits, palette):
        with pytest.raises(FrameError, match=r"are no brightness\. Save it as grey"):
            read_pictures(path)
    Image.fromarray(grey(np.int32, 70000)).save(large)
    with pytest.raises(FrameError, match="do not fit into 16 bits"):
        read_pictures(large)


@pytest.mark.parametrize(
    ("save", "note"),
    [
        (lambda p: Image.fromarray(grey()).save(p.with_suffix(".jpg")), "JPEG: values were"),
        (lambda p: Image.fromarray(grey()).save(p.with_suffix(".tif"), tiffinfo={262: 0}),
         "0 stands for white"),
    ],
    ids=["lossy", "white is zero"],
)  # fmt: skip
def test_what_a_reader_does_is_said(tmp_path, save, note):
    """Lossy files and negatives are measured with a note."""
    save(tmp_path / "x")
    (path,) = tmp_path.iterdir()
    assert any(note in n for n in only(path).notes)


def test_bits_at_the_top_of_sixteen(tmp_path):
    """12 bits in the upper part of 16: named, and brought down without loss where asked."""
    path = tmp_path / "x.png"
    Image.fromarray(grey(np.uint16, 4095) << 4).save(path)
    assert "seems to deliver 12 bits" in only(path).notes[0]
    picture = only(path, bit_depth=12)
    np.testing.assert_array_equal(picture.frame.pixels, grey(np.uint16, 4095))
    assert "divided by 16" in picture.notes[0]
    Image.fromarray(grey(np.uint16, 5000)).save(path)
    with pytest.raises(FrameError, match="5000 are more than 12 bits can hold"):
        read_pictures(path, bit_depth=12)


def test_a_stack_gives_every_page_a_name(tmp_path):
    """Three pages of a TIFF, in order; the middle of each may be the plane's zero."""
    path = tmp_path / "stack.tif"
    pages = [Image.fromarray(grey(np.uint16) + k) for k in range(3)]
    pages[0].save(path, save_all=True, append_images=pages[1:])
    pictures = read_pictures(path, pitch=(0.1, 0.2), centred=True)
    assert [p.name for p in pictures] == [f"{path}[{k}]" for k in range(3)]
    assert [int(p.frame.pixels[0, 0]) for p in pictures] == [0, 1, 2]
    assert pictures[0].frame.origin == (3.0, 2.0)
    assert (pictures[0].frame.pitch_x, pictures[0].frame.pitch_y) == (0.1, 0.2)


def test_compressed_fits_is_read_and_found(tmp_path):
    """.fits.gz is the same picture as .fits, in a folder too."""
    fits = pytest.importorskip("astropy.io.fits")
    path = tmp_path / "a.fits.gz"
    fits.PrimaryHDU(grey(np.uint16)).writeto(path)
    assert find_pictures([tmp_path]) == [path]
    (picture,) = read_pictures(path)
    assert np.array_equal(picture.frame.pixels, grey(np.uint16))


@pytest.mark.parametrize("suffix", [".png", ".tif", ".bmp", ".pgm", ".npy", ".fits", ".raw"])
def test_broken_files_give_our_error_and_no_other(tmp_path, suffix):
    """Cut off anywhere, with flipped bytes, or plain nonsense: a frame or a FrameError."""
    rng = np.random.default_rng(5)
    whole = tmp_path / f"whole{suffix}"
    if suffix in (".npy", ".fits", ".raw"):
        np.save(tmp_path / "whole.npy", grey(np.uint16))
        data = (tmp_path / "whole.npy").read_bytes()
        if suffix == ".fits":
            pytest.importorskip("astropy.io.fits").PrimaryHDU(grey(np.uint16)).writeto(whole)
            data = whole.read_bytes()
        (tmp_path / "x.json").write_text('{"shape": [5, 7], "type": "uint16"}')
    else:
        Image.fromarray(grey()).save(whole)
        data = whole.read_bytes()
    path = tmp_path / f"x{suffix}"
    for trial in range(60):
        damaged = bytearray(data[: rng.integers(0, len(data))] if trial % 2 else data)
        for _ in range(min(trial // 4, len(damaged))):
            damaged[rng.integers(0, len(damaged))] = rng.integers(0, 256)
        path.write_bytes(damaged)
        said = str(path)
        try:
            shapes = [p.frame.pixels.shape for p in read_pictures(path)]
        except FrameError as error:
            shapes, said = [], str(error)
        assert all(len(shape) == 2 for shape in shapes)
        assert str(path) in said


def test_which_files_are_meant(tmp_path):
    """Folders and patterns give pictures in order, each once; sidecars are none."""
    for name in ("b.png", "a.raw", "a.json", "c.txt"):
        (tmp_path / name).write_bytes(b"x")
    names = [p.name for p in find_pictures([tmp_path, str(tmp_path / "a*"), tmp_path / "b.png"])]
    assert names == ["a.raw", "b.png"]
    with pytest.raises(UsageError, match=r"there is no picture here\. Supported:"):
        find_pictures([tmp_path / "*.bmp"])
