"""Photos: nothing but what is to be seen is kept, and hostile files are refused with a reason."""

from __future__ import annotations

import io
import struct
import zipfile
import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms

from service.store.errors import BadInput
from service.store.pictures import LONGEST_PX, MOST_BYTES, SMALL_PX, reencoded


def picture(width: int = 400, height: int = 300, mode: str = "RGB") -> Image.Image:
    """Left half red, right half blue, a little grain."""
    grain = np.random.default_rng(1).integers(0, 20, (height, width, 3), dtype=np.uint8)
    grain[:, : width // 2, 0] += 200
    grain[:, width // 2 :, 2] += 200
    return Image.fromarray(grain, "RGB").convert(mode)


def encoded(image: Image.Image, kind: str = "JPEG", **how: object) -> bytes:
    out = io.BytesIO()
    image.save(out, kind, **how)
    return out.getvalue()


def decoded(data: bytes) -> Image.Image:
    image = Image.open(io.BytesIO(data), formats=["JPEG"])
    image.load()
    return image


def reddest_side(image: Image.Image) -> str:
    pixels = np.asarray(image.convert("RGB"), dtype=float)
    red = pixels[:, :, 0] - pixels[:, :, 2]
    height, width = red.shape
    sides = {
        "left": red[:, : width // 2], "right": red[:, width // 2 :],
        "top": red[: height // 2], "bottom": red[height // 2 :],
    }  # fmt: skip
    return max(sides, key=lambda side: float(sides[side].mean()))


def test_place_time_owner_and_maker_do_not_survive() -> None:
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Secret Maker", "Secret Model"
    exif[0x0132], exif[0x8298] = "2026:03:02 10:00:00", "Secret Owner"
    exif[0x8825] = {1: "N", 2: (52.0, 31.0, 12.0), 3: "E", 4: (13.0, 24.0, 18.0)}
    sent = encoded(
        picture(), exif=exif, comment=b"Secret comment", icc_profile=srgb(), dpi=(300, 300)
    )
    assert Image.open(io.BytesIO(sent)).getexif().get_ifd(0x8825)  # it is in there
    kept = reencoded(sent)
    for data in (kept.jpeg, kept.small):
        image = decoded(data)
        assert not image.getexif()
        assert not set(image.info) - {"jfif", "jfif_version", "jfif_unit", "jfif_density",
                                      "progressive", "progression"}  # fmt: skip
        for secret in (b"Secret", b"Exif", b"ICC_PROFILE", b"http", b"2026:"):
            assert secret not in data


def srgb() -> bytes:
    return ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def test_xmp_and_text_of_png_and_webp_do_not_survive() -> None:
    from PIL import PngImagePlugin

    words = PngImagePlugin.PngInfo()
    words.add_text("Author", "Secret Owner")
    words.add_itxt("XML:com.adobe.xmp", "<x>Secret</x>")
    for sent in (
        encoded(picture(), "PNG", pnginfo=words),
        encoded(picture(), "WEBP", xmp=b"<x>Secret</x>"),
    ):
        assert b"Secret" in sent
        assert b"Secret" not in reencoded(sent).jpeg


@pytest.mark.parametrize(
    ("orientation", "side"),
    [(1, "left"), (2, "right"), (3, "right"), (4, "left"), (5, "top"), (6, "top"), (7, "bottom"),
     (8, "bottom")],
)  # fmt: skip
def test_it_stands_as_the_camera_was_held(orientation: int, side: str) -> None:
    """EXIF 2.32, tag 0x0112: where the first row and column of the file are to be seen."""
    exif = Image.Exif()
    exif[0x0112] = orientation
    kept = reencoded(encoded(picture(), exif=exif))
    assert reddest_side(decoded(kept.jpeg)) == side
    assert (kept.width_px, kept.height_px) == ((400, 300) if orientation < 5 else (300, 400))


def test_it_is_kept_no_larger_than_needed_and_with_a_small_one() -> None:
    kept = reencoded(encoded(picture(4000, 3000)))
    assert decoded(kept.jpeg).size == (kept.width_px, kept.height_px) == (LONGEST_PX, 1536)
    assert decoded(kept.small).size == (SMALL_PX, 240)
    assert len(kept.small) < 40_000
    little = reencoded(encoded(picture(100, 80)))
    assert (little.width_px, little.height_px) == (100, 80)  # never blown up


@pytest.mark.parametrize("mode", ["L", "LA", "P", "RGBA", "CMYK", "1", "I;16"])
def test_every_kind_of_colour_becomes_plain(mode: str) -> None:
    if mode == "CMYK":
        sent = encoded(picture(mode="CMYK"))
    elif mode == "I;16":
        sent = encoded(Image.fromarray(np.full((30, 40), 40_000, np.uint16)), "PNG")
    else:
        sent = encoded(picture(mode="RGB").convert(mode), "PNG")
    assert decoded(reencoded(sent).jpeg).mode == "RGB"


def test_what_is_clear_is_shown_on_white() -> None:
    clear = Image.new("RGBA", (40, 30), (0, 0, 0, 0))
    assert decoded(reencoded(encoded(clear, "PNG")).jpeg).getpixel((5, 5)) == (255, 255, 255)


def test_a_colour_profile_that_cannot_be_used_changes_nothing() -> None:
    plain = decoded(reencoded(encoded(picture())).jpeg).getpixel((50, 50))
    broken = decoded(reencoded(encoded(picture(), icc_profile=b"nonsense")).jpeg)
    assert broken.getpixel((50, 50)) == plain


def test_of_moving_pictures_the_first_is_kept() -> None:
    frames = [picture(), Image.new("RGB", (400, 300), "green")]
    sent = encoded(frames[0], "WEBP", save_all=True, append_images=frames[1:], lossless=True)
    assert reddest_side(decoded(reencoded(sent).jpeg)) == "left"


def test_of_a_phones_double_pictures_the_first_is_kept() -> None:
    sent = encoded(picture(), "MPO", save_all=True, append_images=[Image.new("RGB", (40, 30))])
    kept = reencoded(sent)
    assert (kept.width_px, kept.height_px) == (400, 300)
    assert b"MPF" not in kept.jpeg


def refused(data: bytes) -> str:
    with pytest.raises(BadInput) as caught:
        reencoded(data)
    assert caught.value.field == "photo"
    return caught.value.reason


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
@pytest.mark.parametrize("part", [0.1, 0.5, 0.9])
def test_a_file_that_was_cut_off_is_refused(kind: str, part: float) -> None:
    whole = encoded(picture(), kind)
    assert "cut off" in refused(whole[: int(len(whole) * part)])


def test_what_is_no_picture_or_another_kind_is_refused_whatever_it_calls_itself() -> None:
    zipped = io.BytesIO()
    with zipfile.ZipFile(zipped, "w") as file:
        file.writestr("photo.jpg", b"not one")
    for data in (
        b"<script>alert(1)</script>",
        b"<svg xmlns='http://www.w3.org/2000/svg'><script>1</script></svg>",
        b"%PDF-1.7\n",
        zipped.getvalue(),
        encoded(picture(), "GIF"),
        encoded(picture(), "TIFF"),
        encoded(picture(), "BMP"),
        b"\x89PNG\r\n",
        b"\0" * 1000,
    ):
        assert "no JPEG, PNG or WebP" in refused(data)
    assert "empty" in refused(b"")


def test_what_hides_behind_a_picture_is_gone() -> None:
    hidden = io.BytesIO()
    with zipfile.ZipFile(hidden, "w") as file:
        file.writestr("evil.html", b"<script>alert('both')</script>")
    both = encoded(picture()) + hidden.getvalue() + b"<script>alert('both')</script>"
    assert zipfile.is_zipfile(io.BytesIO(both))
    kept = reencoded(both).jpeg
    assert b"script" not in kept
    assert not zipfile.is_zipfile(io.BytesIO(kept))
    assert kept.endswith(b"\xff\xd9")  # nothing comes after the end of the picture


def png_that_says(width: int, height: int) -> bytes:
    """A few kilobytes that unfold to as many pixels as it says."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        body = kind + data
        return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

    head = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    rows = zlib.compress(b"\0" * ((width // 8 + 2) * min(height, 2000)), 9)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


@pytest.mark.parametrize(("width", "height"), [(8000, 7000), (10_000, 10_000), (60_000, 60_000)])
def test_a_file_that_would_unfold_without_measure_is_refused_unread(
    width: int, height: int
) -> None:
    data = png_that_says(width, height)
    assert len(data) < 100_000
    assert "million pixels" in refused(data)


def test_a_file_that_is_too_large_is_refused() -> None:
    assert "20 MB at most" in refused(encoded(picture()) + b"\0" * MOST_BYTES)


@given(
    kind=st.sampled_from(["JPEG", "PNG", "WEBP"]),
    spots=st.lists(st.tuples(st.floats(0, 1), st.integers(0, 255)), min_size=1, max_size=30),
    cut=st.floats(0.05, 1.0),
)
@settings(max_examples=150, deadline=None)
def test_whatever_is_broken_in_a_file_it_is_kept_or_refused(
    kind: str, spots: list[tuple[float, int]], cut: float
) -> None:
    data = bytearray(encoded(picture(80, 60), kind))
    for where, value in spots:
        data[int(where * (len(data) - 1))] = value
    try:
        kept = reencoded(bytes(data[: max(1, int(cut * len(data)))]))
    except BadInput:
        return
    assert decoded(kept.jpeg).size == (kept.width_px, kept.height_px)
