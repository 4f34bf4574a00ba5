"""Every format upright, and a plain message for every bad file."""

import os
import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from pickglass.calibration.errors import PhotoError
from pickglass.calibration.photo import MAX_MEGAPIXELS, load_photo


@pytest.fixture
def rgb() -> NDArray[np.uint8]:
    """Four flat quarters, never square: swapped axes, channels or a wrong turn cannot hide."""
    picture = np.zeros((80, 120, 3), np.uint8)
    picture[:40, :60], picture[:40, 60:] = (200, 30, 30), (30, 200, 30)
    picture[40:, :60], picture[40:, 60:] = (30, 30, 200), (220, 220, 220)
    return picture


def stored_for(upright: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Pixels as a camera stores them, so that the tag brings them upright (CIPA DC-008, tag 274)."""
    undo = {
        1: lambda a: a,
        2: lambda a: a[:, ::-1],
        3: lambda a: a[::-1, ::-1],
        4: lambda a: a[::-1],
        5: lambda a: a.transpose(1, 0, 2),
        6: lambda a: np.rot90(a),
        7: lambda a: a[::-1, ::-1].transpose(1, 0, 2),
        8: lambda a: np.rot90(a, -1),
    }
    return np.ascontiguousarray(undo[orientation](upright))


def exif_with(orientation: int = 1, **tags: object) -> Image.Exif:
    exif = Image.Exif()
    exif[0x0112] = orientation
    if "make" in tags:
        exif[0x010F], exif[0x0110] = tags["make"], tags["model"]
    if "focal" in tags:
        exif.get_ifd(0x8769).update({0x920A: tags["focal"], 0xA405: tags["focal_35mm"]})
    return exif


def assert_same_picture(bgr: NDArray[np.uint8], rgb: NDArray[np.uint8], tolerance: int) -> None:
    assert bgr.shape == rgb.shape
    assert bgr.dtype == np.uint8
    inner = np.zeros(rgb.shape[:2], bool)  # away from the borders of the quarters, where JPEG rings
    for rows in (slice(8, 32), slice(48, 72)):
        for columns in (slice(8, 52), slice(68, 112)):
            inner[rows, columns] = True
    assert np.abs(bgr[..., ::-1].astype(int) - rgb)[inner].max() <= tolerance


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif", ".webp"])
def test_rotation_is_applied_once_in_every_format(
    tmp_path: Path, rgb: NDArray[np.uint8], suffix: str, orientation: int
) -> None:
    path = tmp_path / f"turned{suffix}"
    options = {".jpg": {"quality": 95}, ".webp": {"lossless": True}}.get(suffix, {})
    Image.fromarray(stored_for(rgb, orientation)).save(path, exif=exif_with(orientation), **options)
    # JPEG at quality 95 keeps flat colours to a few levels; the others are exact.
    assert_same_picture(load_photo(path).bgr, rgb, tolerance=6 if suffix == ".jpg" else 0)


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_heic_is_turned_once_by_its_container(
    tmp_path: Path, rgb: NDArray[np.uint8], orientation: int
) -> None:
    pillow_heif = pytest.importorskip("pillow_heif")
    heif = pillow_heif.from_pillow(Image.fromarray(stored_for(rgb, orientation)))
    heif.info["exif"] = exif_with(orientation).tobytes()  # the encoder turns this into a rotation box
    heif.save(tmp_path / "phone.heic", quality=95, chroma=444)
    assert (b"irot" in (tmp_path / "phone.heic").read_bytes()) == (orientation != 1)
    assert_same_picture(load_photo(tmp_path / "phone.heic").bgr, rgb, tolerance=12)


def test_heic_without_rotation_box_follows_its_exif_tag(tmp_path: Path, rgb: NDArray[np.uint8]) -> None:
    pillow_heif = pytest.importorskip("pillow_heif")
    heif = pillow_heif.from_pillow(Image.fromarray(stored_for(rgb, 6)))
    heif.save(tmp_path / "other.heic", quality=95, chroma=444, exif=exif_with(6))
    data = (tmp_path / "other.heic").read_bytes()
    if b"irot" in data:
        pytest.skip("this encoder writes a rotation box whatever it is given")
    assert_same_picture(load_photo(tmp_path / "other.heic").bgr, rgb, tolerance=12)


def test_reads_sixteen_bit_grey_and_colour(tmp_path: Path, rgb: NDArray[np.uint8]) -> None:
    deep = rgb[..., ::-1].astype(np.uint16) * 257
    cv2.imwrite(str(tmp_path / "deep.png"), deep)
    cv2.imwrite(str(tmp_path / "deep.tif"), deep)
    cv2.imwrite(str(tmp_path / "grey.png"), deep[..., 1])
    assert_same_picture(load_photo(tmp_path / "deep.png").bgr, rgb, tolerance=1)
    assert_same_picture(load_photo(tmp_path / "deep.tif").bgr, rgb, tolerance=1)
    grey = np.repeat(rgb[..., 1:2], 3, axis=2)
    assert_same_picture(load_photo(tmp_path / "grey.png").bgr, grey, tolerance=1)


def test_reads_grey_palette_cmyk(tmp_path: Path, rgb: NDArray[np.uint8]) -> None:
    image = Image.fromarray(rgb)
    image.convert("L").save(tmp_path / "grey.jpg", quality=95)
    image.quantize(16).save(tmp_path / "palette.png")
    image.convert("CMYK").save(tmp_path / "print.jpg", quality=95)
    grey = np.repeat(np.asarray(image.convert("L"))[..., None], 3, axis=2)
    assert_same_picture(load_photo(tmp_path / "grey.jpg").bgr, grey, tolerance=6)
    assert_same_picture(load_photo(tmp_path / "palette.png").bgr, rgb, tolerance=2)
    assert_same_picture(load_photo(tmp_path / "print.jpg").bgr, rgb, tolerance=8)


def test_transparency_lies_over_white(tmp_path: Path, rgb: NDArray[np.uint8]) -> None:
    alpha = np.full(rgb.shape[:2], 255, np.uint8)
    alpha[:40] = 0
    Image.fromarray(np.dstack([rgb, alpha])).save(tmp_path / "cut-out.png")
    expected = rgb.copy()
    expected[:40] = 255
    assert_same_picture(load_photo(tmp_path / "cut-out.png").bgr, expected, tolerance=0)


def test_tags_are_kept(tmp_path: Path, rgb: NDArray[np.uint8]) -> None:
    exif = exif_with(make="Maker", model="Maker One", focal=4.25, focal_35mm=26)
    Image.fromarray(rgb).save(tmp_path / "tagged.jpg", exif=exif, dpi=(300, 300))
    photo = load_photo(tmp_path / "tagged.jpg")
    assert photo.camera == "Maker One"
    assert photo.focal_length_mm == pytest.approx(4.25)
    assert photo.focal_length_35mm == 26
    assert photo.dpi == 300


@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif"])
def test_resolution_tag(tmp_path: Path, rgb: NDArray[np.uint8], suffix: str) -> None:
    path = tmp_path / f"scan{suffix}"
    Image.fromarray(rgb).save(path, dpi=(600, 600))
    # PNG stores whole pixels per metre: 600 dpi is 23622 / m, 0.0002 % off.
    assert load_photo(path).dpi == pytest.approx(600, rel=1e-4)
    Image.fromarray(rgb).save(path)
    assert load_photo(path).dpi is None
    Image.fromarray(rgb).save(path, dpi=(600, 300))
    assert load_photo(path).dpi is None


def test_odd_file_names_are_read(tmp_path: Path, rgb: NDArray[np.uint8]) -> None:
    path = tmp_path / "büänd %s ' 布.jpg"
    Image.fromarray(rgb).save(path)
    assert load_photo(path).name == path.name


def bad(code: str, path: Path) -> PhotoError:
    with pytest.raises(PhotoError) as caught:
        load_photo(path)
    assert caught.value.code == code
    assert caught.value.problem.endswith(".")
    assert caught.value.next_step.endswith(".")
    return caught.value


def test_missing_folder_and_empty(tmp_path: Path) -> None:
    bad("missing-file", tmp_path / "nowhere.jpg")
    bad("folder-given", tmp_path)
    (tmp_path / "empty.jpg").touch()
    bad("empty-file", tmp_path / "empty.jpg")


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="permissions do not bind this user")
def test_unreadable(tmp_path: Path, rgb: NDArray[np.uint8]) -> None:
    path = tmp_path / "locked.png"
    Image.fromarray(rgb).save(path)
    path.chmod(0)
    bad("unreadable-file", path)


@pytest.mark.parametrize(
    "content",
    [
        b"%PDF-1.7\n...",
        b"<svg xmlns='http://www.w3.org/2000/svg'/>",
        b"<?xml version='1.0'?>",
        b"ends per inch\n" * 9,
    ],
)
def test_documents_are_no_photos(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "sheet.jpg").write_bytes(content)
    bad("not-a-picture", tmp_path / "sheet.jpg")


def test_random_bytes_are_no_photo(tmp_path: Path) -> None:
    (tmp_path / "noise.jpg").write_bytes(np.random.default_rng(3).bytes(5000))
    bad("not-a-picture", tmp_path / "noise.jpg")


@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif", ".webp"])
@pytest.mark.parametrize("share", [0.02, 0.5, 0.9])
def test_cut_short(tmp_path: Path, suffix: str, share: float, capfd: pytest.CaptureFixture[str]) -> None:
    noise = np.random.default_rng(1).integers(0, 255, (90, 130, 3), dtype=np.uint8)
    whole, part = tmp_path / f"whole{suffix}", tmp_path / f"part{suffix}"
    Image.fromarray(noise).save(whole)
    part.write_bytes(whole.read_bytes()[: int(share * whole.stat().st_size)])
    bad("truncated-file", part)
    assert capfd.readouterr().err == ""  # decoders' own words never reach the weaver


def test_damaged_png_is_noticed(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    noise = np.random.default_rng(1).integers(0, 255, (90, 130, 3), dtype=np.uint8)
    path = tmp_path / "damaged.png"
    Image.fromarray(noise).save(path)
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 0xFF
    path.write_bytes(bytes(data))
    bad("truncated-file", path)
    assert capfd.readouterr().err == ""


def test_too_small(tmp_path: Path) -> None:
    Image.new("RGB", (200, 40)).save(tmp_path / "strip.png")
    bad("too-small", tmp_path / "strip.png")


def test_bomb_is_refused_before_decoding(tmp_path: Path) -> None:
    """A PNG header that claims 60000 x 60000 pixels; there is no picture behind it to decode."""
    header = struct.pack(">IIBBBBB", 60000, 60000, 8, 2, 0, 0, 0)
    chunk = b"IHDR" + header
    data = b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + chunk + struct.pack(">I", zlib.crc32(chunk))
    body = b"IDAT" + zlib.compress(b"\0" * 100)
    data += struct.pack(">I", len(body) - 4) + body + struct.pack(">I", zlib.crc32(body))
    (tmp_path / "bomb.png").write_bytes(data)
    assert "60000 x 60000" in bad("too-many-pixels", tmp_path / "bomb.png").problem
    assert MAX_MEGAPIXELS < 60000 * 60000 / 1e6


def test_large_but_fair_photo_passes_pillows_own_limit(tmp_path: Path) -> None:
    """200-megapixel phones exist; Pillow alone warns above 89 and refuses above 179 megapixels."""
    assert Image.MAX_IMAGE_PIXELS is not None
    before = Image.MAX_IMAGE_PIXELS
    header = struct.pack(">IIBBBBB", 16320, 12240, 8, 0, 0, 0, 0)
    chunk = b"IHDR" + header
    data = b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + chunk + struct.pack(">I", zlib.crc32(chunk))
    (tmp_path / "large.png").write_bytes(data)
    assert bad("truncated-file", tmp_path / "large.png").code != "too-many-pixels"
    assert before == Image.MAX_IMAGE_PIXELS  # left as it was found
