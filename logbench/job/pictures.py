"""The one decoder of pictures: what a camera or another person's job brings, as plain pixels.

Only the formats that cameras, scanners and screens make, by Pillow, and never a program such as
SVG; only the first frame; nothing beyond the limits; upright as the camera says. A photo may hold
the place it was taken and much else: only its pixels go on.
"""

from __future__ import annotations

import io
import logging
import warnings
from dataclasses import dataclass
from pathlib import Path

from PIL import Image

from logbench.errors import JobDamagedError
from logbench.system import limits
from logbench.system.reading import read_plain

log = logging.getLogger(__name__)

Image.MAX_IMAGE_PIXELS = limits.PICTURE_PIXELS
FORMATS = ("JPEG", "PNG", "GIF", "WEBP", "BMP", "TIFF")
_PHOTOS = frozenset({".jpg", ".jpeg", ".jpe", ".jfif", ".png", ".gif", ".webp", ".bmp", ".tif",
                     ".tiff"})  # fmt: skip
_OTHER_PICTURES = frozenset({".heic", ".heif", ".avif", ".jxl", ".jp2", ".svg", ".svgz", ".psd",
                             ".eps", ".dng", ".raw", ".cr2", ".cr3", ".nef", ".arw"})  # fmt: skip
"""Kinds of pictures, by the ends of their names, that are not decoded here."""
_TRIED_PX = 64
_SCAN = b"\xff\xda"
"""Begins a scan of a JPEG."""


@dataclass(frozen=True, slots=True)
class Pixels:
    """`rgb`: three bytes a pixel, row by row from the top."""

    rgb: bytes
    width_px: int
    height_px: int

    def jpeg(self) -> bytes:
        """As a JPEG without anything but pixels."""
        out = io.BytesIO()
        size = self.width_px, self.height_px
        Image.frombytes("RGB", size, self.rgb).save(out, "JPEG", quality=82)
        return out.getvalue()


def is_photo(path: Path) -> bool:
    """Whether a file is taken in as a photo; what is not a picture is taken in as a file.

    Raises JobDamagedError for a picture that could never be shown: damaged, too large, or of a kind
    that is not decoded.
    """
    suffix = path.suffix.lower()
    if suffix in _OTHER_PICTURES:
        raise JobDamagedError(
            f"{path.name} is not added, for pictures of this kind cannot be shown: save it as JPEG "
            "or PNG."
        )
    if suffix not in _PHOTOS:
        return False
    try:
        read_picture(path, _TRIED_PX)
    except JobDamagedError as error:
        raise JobDamagedError(f"{error} It is not added: save it anew as JPEG or PNG.") from error
    return True


def read_picture(path: Path, side_px: int) -> Pixels:
    """The picture of a file, upright, at most `side_px` wide and high.

    Raises JobDamagedError for a file that is missing, no picture, too large or damaged.
    """
    try:
        data = read_plain(path, limits.PICTURE_BYTES)
    except ValueError as error:
        raise JobDamagedError(f"{path.name} cannot be shown: {error}.") from error
    except OSError as error:
        why = error.strerror or error
        raise JobDamagedError(f"{path.name} cannot be shown ({why}).") from error
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # Pillow warns of damaged metadata, which is dropped
            return _decoded(data, path.name, side_px)
    except JobDamagedError:
        raise
    except Image.DecompressionBombError as error:  # of more than twice the limit
        raise JobDamagedError(f"{path.name} is too large to be shown.") from error
    except Exception as error:  # Pillow's readers raise whatever a damaged file leads them to
        log.info("a picture cannot be read: %s", type(error).__name__)
        raise JobDamagedError(
            f"{path.name} cannot be shown: it is not a complete picture."
        ) from error


def _decoded(data: bytes, name: str, side_px: int) -> Pixels:
    with Image.open(io.BytesIO(data), formats=FORMATS) as image:
        by_parts = image.format in ("JPEG", "MPO") and not image.info.get("progressive")
        most = limits.PICTURE_PIXELS if by_parts else limits.PICTURE_PIXELS_WHOLE
        if image.width * image.height > most:
            raise JobDamagedError(
                f"{name} is too large to be shown ({image.width} x {image.height} pixels)."
            )
        if not by_parts and data.count(_SCAN) > limits.PICTURE_SCANS and data[:2] == b"\xff\xd8":
            raise JobDamagedError(f"{name} cannot be shown: it is drawn over and over.")
        image.draft("RGB", (side_px, side_px))
        clear = image.mode in ("RGBA", "LA", "P", "PA") or "transparency" in image.info
        small = image.convert("RGBA" if clear else "RGB")
        small.thumbnail((side_px, side_px))
        turn = _TURNS.get(_held(image))
        upright = small if turn is None else small.transpose(turn)
        flat = Image.new("RGB", upright.size, "white")
        flat.paste(upright, mask=upright.getchannel("A") if clear else None)
        return Pixels(flat.tobytes(), flat.width, flat.height)


def _held(image: Image.Image) -> int:
    """How the camera was held, as Exif says it; 1, upright, where that cannot be read."""
    try:
        return int(image.getexif().get(_ORIENTATION, 1))
    except Exception:  # as above: what is said of a picture must not cost the picture
        return 1


_ORIENTATION = 0x0112
"""Exif's tag; its values: CIPA DC-008, 4.6.4 A, from memory."""
_TURNS = {
    2: Image.Transpose.FLIP_LEFT_RIGHT, 3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM, 5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270, 7: Image.Transpose.TRANSVERSE, 8: Image.Transpose.ROTATE_90,
}  # fmt: skip
