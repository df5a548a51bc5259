"""Pictures as they are kept: decoded, turned upright, made smaller and written anew as JPEG.

Nothing of the file that came in is kept but what is to be seen: no place, no time, no owner, no
maker, no comment, and nothing that is hidden behind the picture.
"""

from __future__ import annotations

import io
import threading
from dataclasses import dataclass

from PIL import Image, ImageCms, ImageOps, UnidentifiedImageError

from service.shop.said import say
from service.store.errors import BadInput

__all__ = ["LONGEST_PX", "MOST_BYTES", "MOST_PIXELS", "SMALL_PX", "Picture", "reencoded"]

MOST_BYTES = 20_000_000
"""Largest file that is taken."""

MOST_PIXELS = 50_000_000
"""Largest picture that is decoded: what phones take at most, and 150 MB of memory."""

LONGEST_PX, SMALL_PX = 2048, 320
"""Longer side of the picture kept, and of its small form."""

FORMATS = ("JPEG", "PNG", "WEBP")
QUALITY, SMALL_QUALITY = 88, 80
WHITE = (255, 255, 255)

_one_at_a_time = threading.Lock()
"""A large picture takes much memory: two at once could be too much for a small machine."""


@dataclass(frozen=True)
class Picture:
    """A picture and its small form as JPEG files."""

    jpeg: bytes
    small: bytes
    width_px: int
    height_px: int


def reencoded(data: bytes, field: str = "photo") -> Picture:
    """Read a JPEG, PNG or WebP and write it anew.

    Raises
    ------
    BadInput
        Naming ``field`` where it is too large, of another kind, cut off or damaged.
    """
    if not data:
        raise BadInput(field, say("is empty: choose a picture first"))
    if len(data) > MOST_BYTES:
        raise BadInput(
            field,
            say(
                "is {size:.0f} MB large; {most:.0f} MB at most",
                size=len(data) / 1e6,
                most=MOST_BYTES / 1e6,
            ),
        )
    with _one_at_a_time:
        upright = _decoded(data, field)
        full = _fitted(upright, LONGEST_PX)
        small = _fitted(full, SMALL_PX)
        return Picture(_jpeg(full, QUALITY), _jpeg(small, SMALL_QUALITY), full.width, full.height)


def _decoded(data: bytes, field: str) -> Image.Image:
    try:
        with Image.open(io.BytesIO(data), formats=FORMATS) as opened:
            _countable(opened, field)
            # A JPEG is decoded no larger than it takes, whatever it says of itself.
            opened.draft("RGB", (2 * LONGEST_PX, 2 * LONGEST_PX))
            opened.load()
            return _plain(ImageOps.exif_transpose(opened))
    except BadInput:
        raise
    except (Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
        raise _too_many(field) from error
    except UnidentifiedImageError as error:
        raise BadInput(field, say("is no JPEG, PNG or WebP picture")) from error
    except Exception as error:
        raise BadInput(field, say("is cut off or damaged: it cannot be read to its end")) from error


def _countable(image: Image.Image, field: str) -> None:
    if image.width * image.height > MOST_PIXELS:
        raise _too_many(field)


def _too_many(field: str) -> BadInput:
    return BadInput(
        field,
        say("has more than {most_pixels} million pixels", most_pixels=MOST_PIXELS // 1_000_000),
    )


def _plain(image: Image.Image) -> Image.Image:
    """Return the colours alone, in sRGB, on white; nothing else of the file goes along."""
    shown = image
    if image.mode in {"RGBA", "LA", "PA"} or "transparency" in image.info:
        layer = image.convert("RGBA")
        shown = Image.new("RGBA", layer.size, (*WHITE, 255))
        shown.alpha_composite(layer)
    elif profile := image.info.get("icc_profile"):
        shown = _in_srgb(image, profile)
    clean = Image.new("RGB", shown.size, WHITE)
    clean.paste(shown.convert("RGB"))
    return clean


def _in_srgb(image: Image.Image, profile: bytes) -> Image.Image:
    """Turn colours of a wider space into sRGB; a profile that cannot be used changes nothing."""
    try:
        told = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        turned = ImageCms.profileToProfile(
            image, told, ImageCms.createProfile("sRGB"), outputMode="RGB"
        )
    except (ImageCms.PyCMSError, OSError, ValueError):
        return image
    return image if turned is None else turned


def _fitted(image: Image.Image, longest_px: int) -> Image.Image:
    fitted = image.copy()
    fitted.thumbnail((longest_px, longest_px), Image.Resampling.LANCZOS, reducing_gap=3.0)
    return fitted


def _jpeg(image: Image.Image, quality: int) -> bytes:
    out = io.BytesIO()
    image.save(out, "JPEG", quality=quality, optimize=True, progressive=True)
    return out.getvalue()
