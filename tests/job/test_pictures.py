"""Pictures of cameras are shown upright; hostile ones are a sentence, soon and in little memory."""

from __future__ import annotations

import io
import os
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from logbench.errors import JobDamagedError
from logbench.job.pictures import read_picture
from tests.bounded import cost_of

SETUP = "from logbench.job.pictures import read_picture\nfrom PIL import JpegImagePlugin"
READ = "(lambda made: (made.width_px, made.height_px))(read_picture(path, 1200))"


def chunk(kind: bytes, body: bytes) -> bytes:
    checked = kind + body
    return struct.pack(">L", len(body)) + checked + struct.pack(">L", zlib.crc32(checked))


def png(width: int, height: int, data: bytes, *more: bytes) -> bytes:
    head = chunk(b"IHDR", struct.pack(">LLBBBBB", width, height, 8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + b"".join(more) + chunk(b"IDAT", data) + chunk(b"IEND", b"")


def jpeg(size: tuple[int, int] = (60, 40), **how: object) -> bytes:
    out = io.BytesIO()
    image = Image.new("RGB", size, "blue")
    image.paste("red", (0, 0, size[0] // 2, size[1] // 2))
    image.save(out, "JPEG", quality=95, **how)
    return out.getvalue()


def scans(count: int) -> bytes:
    """A progressive JPEG whose last scan is there so many times."""
    data = jpeg((3000, 3000), progressive=True)
    last = data.rindex(b"\xff\xda")
    return data[:last] + data[last:-2] * count + b"\xff\xd9"


PARTS = [b'<g id="%c">%s</g>' % (98 + k, b'<use href="#%c"/>' % (97 + k) * 10) for k in range(9)]
SVG = (
    b'<svg xmlns="http://www.w3.org/2000/svg" width="9999" height="9999">'
    b'<g id="a"><circle r="9"/></g>' + b"".join(PARTS) + b"</svg>"
)
"""A billion circles."""
HOSTILE: dict[str, tuple[Callable[[], bytes], str]] = {
    "a bomb of four gigapixels": (
        lambda: png(65_000, 65_000, zlib.compress(b"\0" * 10_000_000)), "too large"
    ),
    "a bomb of 60 megapixels": (
        lambda: png(8000, 7500, zlib.compress(b"\0" * 1_000_000)), "too large"
    ),
    "a bomb within the limit": (
        lambda: png(7000, 5700, zlib.compress(b"\0" * (3 * 7000 + 1) * 5700, 1)), "1200"
    ),
    "a text that unpacks to a gigabyte": (
        lambda: png(
            2, 2, zlib.compress(b"\0" * 14),
            chunk(b"zTXt", b"a\0\0" + zlib.compress(b"\0" * 1_000_000_000, 9)),
        ),
        "not a complete picture",
    ),
    "a JPEG of many scans": (lambda: scans(300), "over and over"),
    "a claim of a JPEG": (
        lambda: jpeg().replace(struct.pack(">HH", 40, 60), b"\xff\xff\xff\xff"), "too large"
    ),
    "an SVG": (lambda: SVG, "not a complete picture"),
    "an SVG that is packed": (lambda: zlib.compress(SVG), "not a complete picture"),
    "half a picture": (lambda: jpeg()[:300], "not a complete picture"),
    "nothing": (lambda: b"", "not a complete picture"),
    "too long": (lambda: b"\x89PNG\r\n\x1a\n" + b"\0" * 61_000_000, "longer than 60 MB"),
    "PostScript": (
        lambda: b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 9 9\n", "not a complete picture"
    ),
}  # fmt: skip
"""Made when they are wanted: a gigabyte takes seconds, also of a run that wants another test."""


@pytest.mark.parametrize("what", HOSTILE)
def test_a_hostile_picture(tmp_path: Path, what: str):
    data, answer = HOSTILE[what]
    path = tmp_path / "photo.png"
    path.write_bytes(data())
    cost = cost_of(READ, path, SETUP, seconds=3, megabytes=400)
    assert answer in cost.answer


def test_a_picture_of_fifty_megapixels_is_shown(tmp_path: Path):
    path = tmp_path / "photo.jpg"
    Image.new("RGB", (8000, 6250), "green").save(path, quality=50)
    cost = cost_of(READ, path, SETUP, seconds=2, megabytes=100)
    assert cost.answer == "(1200, 938)"


@pytest.mark.parametrize("held", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "TIFF", "PNG"])
def test_pictures_stand_upright(tmp_path: Path, held: int, kind: str):
    """As Pillow itself turns the whole picture by what Exif says."""
    from PIL import ImageOps

    image = Image.open(io.BytesIO(jpeg((800, 400))))
    exif = Image.Exif()
    exif[0x0112] = held
    path = tmp_path / "photo"
    image.save(path, kind, exif=exif)
    with Image.open(path) as saved:
        expected = ImageOps.exif_transpose(saved).convert("RGB").resize((8, 8))
    made = read_picture(path, 400)
    got = Image.frombytes("RGB", (made.width_px, made.height_px), made.rgb).resize((8, 8))
    assert sorted((made.width_px, made.height_px)) == [200, 400]
    assert np.abs(np.asarray(got, int) - np.asarray(expected, int)).max() < 40


@pytest.mark.parametrize("mode", ["RGB", "RGBA", "L", "LA", "P", "1", "CMYK", "I;16", "F"])
def test_every_kind_of_pixel_is_shown(tmp_path: Path, mode: str):
    path = tmp_path / "photo"
    Image.new(mode, (30, 20)).save(path, "PNG" if mode not in ("CMYK", "F") else "TIFF")
    made = read_picture(path, 100)
    assert (made.width_px, made.height_px, len(made.rgb)) == (30, 20, 30 * 20 * 3)


def test_what_is_clear_is_white(tmp_path: Path):
    Image.new("RGBA", (4, 4), (255, 0, 0, 0)).save(tmp_path / "clear.png")
    assert set(read_picture(tmp_path / "clear.png", 10).rgb) == {255}


def test_nothing_but_pixels_goes_on(tmp_path: Path):
    exif = Image.Exif()
    exif[0x010E] = "where I live"
    (tmp_path / "photo.jpg").write_bytes(jpeg(exif=exif))
    assert b"where I live" in (tmp_path / "photo.jpg").read_bytes()
    assert b"where I live" not in read_picture(tmp_path / "photo.jpg", 100).jpeg()


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "GIF", "WEBP", "BMP", "TIFF"])
def test_no_spoiled_picture_raises_anything_else(tmp_path: Path, kind: str):
    image = Image.open(io.BytesIO(jpeg()))
    exif = Image.Exif()
    exif[0x0112] = 6
    image.save(tmp_path / "whole", kind, **({} if kind in ("GIF", "BMP") else {"exif": exif}))
    data = (tmp_path / "whole").read_bytes()
    rng = np.random.default_rng(5)
    for _ in range(200):
        spoiled = bytearray(data)
        for place in rng.integers(0, min(len(data), 400), 3):
            spoiled[place] = int(rng.integers(256))
        (tmp_path / "spoiled").write_bytes(spoiled[: int(rng.integers(20, len(data) + 1))])
        try:
            made = read_picture(tmp_path / "spoiled", 50)
        except JobDamagedError:
            continue
        assert len(made.rgb) == made.width_px * made.height_px * 3


@pytest.mark.skipif(os.name == "nt", reason="there are no such files")
def test_a_pipe_is_no_picture(tmp_path: Path):
    os.mkfifo(tmp_path / "photo.jpg")
    with pytest.raises(JobDamagedError, match="cannot be shown"):
        read_picture(tmp_path / "photo.jpg", 100)
