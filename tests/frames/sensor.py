"""From shares of light to files: sky, noise, converter, faults, file formats.

Pictures are arrays with the first row on top; the writers turn them over
where a format stores the bottom row first.
"""

import gzip
import io
from dataclasses import dataclass

import numpy as np
import tifffile
from astropy.io import fits
from PIL import Image


@dataclass(frozen=True)
class Sensor:
    """A converter: electrons per count, offset, read noise, counts at the top."""

    gain_e: float = 1.0
    offset: float = 500.0
    read_e: float = 2.5
    top: int = 65535

    def told(self):
        return {
            "gain_e_per_adu": self.gain_e,
            "offset_adu": self.offset,
            "read_noise_e": self.read_e,
            "top_adu": self.top,
        }


def paste(light, shape, corner):
    """Lay a patch (its top left at `corner` = (row, col)) on an empty frame, cutting what overhangs."""
    frame = np.zeros(shape)
    r, c = corner
    top, left = max(r, 0), max(c, 0)
    bottom, right = min(r + light.shape[0], shape[0]), min(c + light.shape[1], shape[1])
    if bottom > top and right > left:
        frame[top:bottom, left:right] = light[top - r : bottom - r, left - c : right - c]
    return frame


def slope(shape, sky_e, tilt=0.0, clock_deg=0.0):
    """Sky in electrons per pixel, brighter towards `clock_deg`: sky (1 +- tilt) at the edges."""
    rows, cols = shape
    y, x = np.mgrid[0:rows, 0:cols]
    u = (x - (cols - 1) / 2) / (cols / 2)
    v = -(y - (rows - 1) / 2) / (rows / 2)
    a = np.radians(clock_deg)
    return sky_e * (1 + tilt * (u * np.sin(a) + v * np.cos(a)))


def expose(electrons, sensor, rng, hot=None, response=1.0):
    """Counts as the converter gives them, float array of whole numbers.

    response: exponent of a converter that is not linear (1 is linear), applied
    to the share of the full range. hot: flat indices and levels (share of the
    top) of stuck pixels.
    """
    e = rng.poisson(np.clip(electrons, 0, None)) + rng.normal(0, sensor.read_e, electrons.shape)
    counts = e / sensor.gain_e
    if response != 1.0:
        span = sensor.top - sensor.offset
        counts = span * np.sign(counts) * (np.abs(counts) / span) ** response
    counts = np.rint(counts + sensor.offset)
    if hot is not None:
        counts.flat[hot[0]] = sensor.top * hot[1]
    return np.clip(np.rint(counts), 0, sensor.top)


def smear(light, length_px, clock_deg):
    """Motion blur along a straight line (wind), by exact Fourier transfer."""
    fy = np.fft.fftfreq(light.shape[0])[:, None]
    fx = np.fft.rfftfreq(light.shape[1])[None, :]
    a = np.radians(clock_deg)
    along = fx * np.sin(a) - fy * np.cos(a)
    return np.fft.irfft2(np.fft.rfft2(light) * np.sinc(along * length_px), s=light.shape)


def dust(shape, rng, specks):
    """Transmission of a sensor window with soft dark specks."""
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]]
    t = np.ones(shape)
    for _ in range(specks):
        cy, cx = rng.uniform(0, shape[0]), rng.uniform(0, shape[1])
        radius, depth = rng.uniform(2, 6), rng.uniform(0.03, 0.10)
        t *= 1 - depth / (1 + np.exp((np.hypot(x - cx, y - cy) - radius) / 0.6))
    return t


def srgb(share):
    """Linear share 0..1 to the sRGB curve (IEC 61966-2-1)."""
    s = np.clip(share, 0, 1)
    return np.where(s <= 0.0031308, 12.92 * s, 1.055 * s ** (1 / 2.4) - 0.055)


# ---- files ---------------------------------------------------------------

FIXED = {"OBJECT": "ARTIFICIAL STAR"}


def fits_bytes(picture, dtype="uint16", top_down=False, cards=None):
    """A FITS image or cube. Bottom row first unless `top_down` (then ROWORDER says so)."""
    data = picture if top_down else picture[..., ::-1, :]
    hdu = fits.PrimaryHDU(np.ascontiguousarray(data).astype(dtype))
    for k, v in FIXED.items():
        hdu.header[k] = v
    if top_down:
        hdu.header["ROWORDER"] = "TOP-DOWN"
    for k, v in (cards or {}).items():
        hdu.header[k] = v
    out = io.BytesIO()
    hdu.writeto(out)
    return out.getvalue()


def encode(picture, name, **options):
    """Bytes for `name`, by its ending: .fits, .fits.gz, .png, .tif, .jpg.

    Counts are 0..65535 except for 8-bit files, whose pictures come as 0..255.
    """
    if name.endswith((".fits", ".fits.gz")):
        raw = fits_bytes(picture, **options)
        return gzip.compress(raw, 9, mtime=0) if name.endswith(".gz") else raw
    bits = options.get("bits", 16)
    array = picture.astype(np.uint8 if bits == 8 else np.uint16)
    out = io.BytesIO()
    if name.endswith(".tif"):
        tifffile.imwrite(
            out, array, compression=options.get("compression"), software="", metadata=None
        )
    elif name.endswith(".png"):
        Image.fromarray(array).save(out, "PNG", optimize=True)
    elif name.endswith(".jpg"):
        Image.fromarray(array).save(out, "JPEG", quality=options.get("quality", 92), subsampling=0)
    else:
        raise ValueError(f"no writer for {name}")
    return out.getvalue()


def read_back(path):
    """The picture as displayed (first row on top), as float; cubes give planes first.

    Uses astropy, Pillow and tifffile only, so it checks the writers' row order
    the way an outside reader sees it.
    """
    name = str(path)
    if name.endswith((".fits", ".fits.gz")):
        with fits.open(name) as hdus:
            data = np.array(hdus[0].data, dtype=float)
            top_down = hdus[0].header.get("ROWORDER", "BOTTOM-UP") == "TOP-DOWN"
        return data if top_down else data[..., ::-1, :]
    array = tifffile.imread(name) if name.endswith(".tif") else np.array(Image.open(name))
    array = array.astype(float)
    return array.mean(axis=2) if array.ndim == 3 else array
