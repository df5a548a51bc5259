"""Photos of the season's flaws, drawn: lacquered wood under a lamp, and the flaw in it.

Nothing here was photographed. A picture is a field of heights and one of colour; light from a low
lamp makes the heights visible as it does on a real top.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray
from PIL import Image

__all__ = ["drawn"]

Field = NDArray[np.float64]
Rng = np.random.Generator

WIDTH, HEIGHT = 900, 675
QUALITY = 86

WOODS = ((0.74, 0.47, 0.22), (0.82, 0.60, 0.34), (0.52, 0.27, 0.13), (0.64, 0.40, 0.22))
MILK = np.array((0.93, 0.92, 0.89))
LAMP = np.array((1.0, 0.97, 0.90))

Drawing = tuple[Field, Field]
"""What a flaw does: heights, in pixels, and how much of the picture it veils, 0 to 1."""


def drawn(kind: str, seed: int) -> bytes:
    """Return a JPEG of a flaw of that kind; the same seed gives the same picture."""
    rng = np.random.default_rng((seed, len(kind)))
    x, y = np.meshgrid(np.arange(WIDTH) / HEIGHT, np.arange(HEIGHT) / HEIGHT)
    height, veil = DRAWN.get(kind, _dust)(rng, x, y)
    height = height + 0.05 * _noise(rng, 90)
    rise_y, rise_x = np.gradient(height)
    lamp_x, lamp_y = rng.uniform(0.35, 0.95), rng.uniform(0.2, 0.5)
    # A gloss film mirrors the lamp where its slope points the right way.
    gloss = np.exp(
        -((x - lamp_x + 0.9 * rise_x) ** 2 + 3.0 * (y - lamp_y + 0.9 * rise_y) ** 2) / 0.09
    )
    shade = np.clip(1.0 - 0.55 * (rise_x + rise_y), 0.25, 1.7) * (
        1.05 - 0.35 * np.hypot(x - 0.6, y - 0.5)
    )
    picture = _wood(rng, x, y) * shade[..., None]
    picture = picture + 0.42 * (gloss * (1.0 - 0.75 * veil))[..., None] * LAMP
    picture = picture + veil[..., None] * (MILK * np.clip(shade, 0.7, 1.1)[..., None] - picture)
    picture = picture + 0.012 * rng.standard_normal(picture.shape)
    out = io.BytesIO()
    Image.fromarray((255.0 * np.clip(picture, 0.0, 1.0)).astype(np.uint8)).save(
        out, "JPEG", quality=QUALITY
    )
    return out.getvalue()


# -- what is beneath ---------------------------------------------------------------------------


def _wood(rng: Rng, x: Field, y: Field) -> Field:
    """Return grain that runs along the picture, bent a little, with pores."""
    colour = np.array(WOODS[int(rng.integers(len(WOODS)))])
    bend = 0.05 * np.sin(2.1 * x + rng.uniform(0, 6)) + 0.02 * _noise(rng, 200)
    along = y + bend
    rings = 0.5 + 0.5 * np.sin(2 * np.pi * (along * rng.uniform(14, 24) + 0.6 * _noise(rng, 160)))
    streaks = _noise(rng, 3, stretch=60)
    tone = 0.86 + 0.16 * rings**3 + 0.05 * streaks
    return np.asarray(colour * tone[..., None])


def _noise(rng: Rng, size: int, stretch: int = 1) -> Field:
    """Return smooth noise of about unit spread whose bumps are ``size`` pixels, drawn out in x."""
    wide = max(3, WIDTH // (size * stretch) + 3)
    high = max(3, HEIGHT // size + 3)
    knots = Image.fromarray(rng.standard_normal((high, wide)).astype(np.float32))
    return np.asarray(knots.resize((WIDTH, HEIGHT), Image.Resampling.BICUBIC), dtype=np.float64)


def _blob(rng: Rng, x: Field, y: Field, radius: float) -> Field:
    """Return a soft patch with a ragged edge, 0 to 1."""
    cx, cy = rng.uniform(0.4, 0.9), rng.uniform(0.35, 0.65)
    far = np.hypot(x - cx, 1.25 * (y - cy)) / radius + 0.22 * _noise(rng, 110)
    return np.asarray(1.0 / (1.0 + np.exp((far - 1.0) * 7.0)))


def _bumps(
    rng: Rng, x: Field, y: Field, many: int, radius: tuple[float, float], *, ring: bool
) -> Field:
    """Return round pits, with a rim where ``ring``, scattered over the middle."""
    height = np.zeros_like(x)
    for _ in range(many):
        cx, cy, size = rng.normal(0.65, 0.22), rng.normal(0.5, 0.18), rng.uniform(*radius)
        reach, at = int(3.0 * size * HEIGHT) + 1, (int(cy * HEIGHT), int(cx * HEIGHT))
        near = tuple(slice(max(0, n - reach), max(0, n + reach)) for n in at)
        far = np.hypot(x[near] - cx, y[near] - cy) / size
        pit = -np.exp(-(far**2) * 2.0)
        height[near] += 3.0 * (pit + (1.2 * np.exp(-((far - 1.1) ** 2) * 9.0) if ring else 0.0))
    return height


# -- flaws -------------------------------------------------------------------------------------


def _blush(rng: Rng, x: Field, y: Field) -> Drawing:
    cloud = np.clip(0.75 + 0.25 * _noise(rng, 60), 0.0, 1.0)
    return np.zeros_like(x), 0.72 * _blob(rng, x, y, 0.34) * cloud


def _weave(rng: Rng, x: Field, y: Field) -> Drawing:
    threads = np.sin(2 * np.pi * x * 62) * np.sin(2 * np.pi * y * 62) + 0.3 * _noise(rng, 4)
    patch = _blob(rng, x, y, 0.33)
    return 0.9 * threads * patch, 0.05 * patch


def _pores(rng: Rng, x: Field, _y: Field) -> Drawing:
    lines = np.clip(_noise(rng, 2, stretch=24) - 1.05, 0.0, 1.0)
    return -3.0 * lines + 0.4 * _noise(rng, 14, stretch=10), np.zeros_like(x)


def _checks(rng: Rng, x: Field, y: Field) -> Drawing:
    """Cracks across the grain, side by side, none quite straight."""
    dark = np.zeros_like(x)
    for _ in range(16):
        at, top, long = rng.uniform(0.1, 1.25), rng.uniform(-0.1, 0.6), rng.uniform(0.25, 0.7)
        bent = at + 0.02 * np.sin(7 * y + rng.uniform(0, 6)) + 0.004 * _noise(rng, 12)
        inside = (y > top) & (y < top + long)
        dark += inside * np.exp(-(((x - bent) / 0.0016) ** 2))
    return -1.6 * dark, np.zeros_like(x)


def _sunken(_rng: Rng, x: Field, y: Field) -> Drawing:
    """A top that has sunk: the mirror image of a straight edge is bent."""
    dip = np.exp(-(((x - 0.62) / 0.22) ** 2 + ((y - 0.5) / 0.3) ** 2))
    edge = y - 0.48 - 0.14 * dip
    stripes = np.exp(-((edge / 0.012) ** 2)) + 0.7 * np.exp(-(((edge - 0.09) / 0.010) ** 2))
    return -9.0 * dip, 0.55 * np.clip(stripes, 0.0, 1.0)


def _craters(rng: Rng, x: Field, y: Field) -> Drawing:
    return _bumps(rng, x, y, 38, (0.008, 0.022), ring=True), np.zeros_like(x)


def _blisters(rng: Rng, x: Field, y: Field) -> Drawing:
    return -0.8 * _bumps(rng, x, y, 130, (0.003, 0.007), ring=False), np.zeros_like(x)


def _pebbles(rng: Rng, x: Field, _y: Field) -> Drawing:
    return 0.7 * _noise(rng, 11) + 0.4 * _noise(rng, 23), np.zeros_like(x)


def _folds(rng: Rng, x: Field, y: Field) -> Drawing:
    patch = _blob(rng, x, y, 0.4)
    folds = np.abs(np.sin(9.0 * (x + y) + 2.2 * _noise(rng, 30) + 0.8 * _noise(rng, 12)))
    return 5.0 * (1.0 - folds) ** 2 * patch, 0.06 * patch


def _dust(rng: Rng, x: Field, y: Field) -> Drawing:
    specks = _bumps(rng, x, y, 70, (0.0022, 0.005), ring=False)
    return -0.9 * specks, np.clip(-0.12 * specks, 0.0, 0.5)


DRAWN: Mapping[str, Callable[[Rng, Field, Field], Drawing]] = MappingProxyType(
    {
        "blush": _blush,
        "printing": _weave,
        "sink_back": _pores,
        "cold_checks": _checks,
        "plate_moved": _sunken,
        "fisheyes": _craters,
        "solvent_pop": _blisters,
        "orange_peel": _pebbles,
        "wrinkling": _folds,
        "other": _dust,
    }
)
