"""Photos for a report: made small, upright, and without what the camera wrote into them.

A photo may hold the place it was taken and much else; only its pixels go on.
"""

from __future__ import annotations

import io
import warnings
from pathlib import Path

from PIL import Image, ImageOps, UnidentifiedImageError

from logbench.errors import JobDamagedError, JobError
from logbench.report.blocks import Picture

MOST_BYTES = 60_000_000
MOST_PIXELS = 80_000_000
SIDE_PX = 1200
FORMATS = ("JPEG", "PNG", "GIF", "WEBP", "BMP", "TIFF")
_BAD = (
    *(OSError, ValueError, SyntaxError, EOFError),
    *(UnidentifiedImageError, Image.DecompressionBombError),
)
"""What Pillow raises for files that are no whole pictures, or claim to be enormous ones."""


def load_picture(path: Path, caption: str = "") -> Picture:
    """The picture of a file, at most `SIDE_PX` wide and high.

    Raises JobDamagedError for a file that is missing, no picture, too large or damaged.
    """
    try:
        size = path.stat().st_size
        if size > MOST_BYTES:
            raise JobDamagedError(f"{path.name} is too large to be shown ({size / 1e6:.0f} MB).")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # Pillow warns of damaged metadata, which is dropped
            return _small(path, caption)
    except JobError:
        raise
    except _BAD as error:
        raise JobDamagedError(f"{path.name} cannot be shown: it is no whole picture.") from error


def _small(path: Path, caption: str) -> Picture:
    with Image.open(path, formats=FORMATS) as image:
        if image.width * image.height > MOST_PIXELS:
            raise JobDamagedError(
                f"{path.name} is too large to be shown ({image.width} x {image.height} pixels)."
            )
        image.draft("RGB", (SIDE_PX, SIDE_PX))
        upright = ImageOps.exif_transpose(image)
        if upright.mode in ("RGBA", "LA", "P"):
            rgba = upright.convert("RGBA")
            flat = Image.new("RGB", rgba.size, "white")
            flat.paste(rgba, mask=rgba.getchannel("A"))
        else:
            flat = upright.convert("RGB")
        flat.thumbnail((SIDE_PX, SIDE_PX))
        out = io.BytesIO()
        flat.save(out, "JPEG", quality=82)
        return Picture(out.getvalue(), flat.width, flat.height, caption)
