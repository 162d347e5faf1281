"""From light to counts and files. Arrays are rows UP until a file wants them otherwise."""

import io

import numpy as np
import tifffile
from astropy.io import fits
from PIL import Image
from scipy.ndimage import convolve


class Camera:
    """One camera with its faults, the same in every frame of a set."""

    def __init__(self, spec, shape, rng):
        self.spec, self.shape, self.rng = spec, shape, rng
        rows, cols = shape
        y, x = np.mgrid[0:rows, 0:cols]
        u, v = (x - (cols - 1) / 2) / (cols / 2), (y - (rows - 1) / 2) / (rows / 2)
        a = np.radians(spec["slope_angle_deg"])
        self.sky = spec["sky_e"] * (1 + spec["slope"] * (u * np.cos(a) + v * np.sin(a)))
        if spec.get("bow"):
            self.sky = self.sky + spec["sky_e"] * spec["bow"] * (u**2 - v**2 if spec["saddle"] else u**2 + v**2) / 2
        self.sky = np.maximum(self.sky, 0)
        glow = spec["amp_glow_e"]
        if glow:
            corner = int(rng.integers(4))
            cx, cy = (corner % 2) * (cols - 1), (corner // 2) * (rows - 1)
            self.sky = self.sky + glow * np.exp(-np.hypot(x - cx, y - cy) / (0.25 * max(shape)))
        self.flat = 1 - spec["vignette"] * (u**2 + v**2) / 2
        self.flat = self.flat * (1 + rng.normal(0, spec["prnu"], shape))
        for _ in range(spec["dust"]):
            cy, cx = rng.uniform(0, rows), rng.uniform(0, cols)
            r, depth = rng.uniform(2.5, 9), rng.uniform(0.01, 0.06)
            d = np.hypot(x - cx, y - cy)
            ring = 1 / (1 + np.exp((d - r) / 0.8)) * (1 - 0.6 / (1 + np.exp((d - 0.4 * r) / 0.8)))
            self.flat = self.flat * (1 - depth * ring)
        self.columns = rng.normal(0, spec["column_e"], cols)[None, :] * np.ones((rows, 1))
        n = rows * cols
        self.hot = rng.choice(n, min(spec["hot"], n), replace=False)
        self.hot_level = rng.uniform(0.1, 1.0, len(self.hot))
        self.dead = rng.choice(n, min(spec["dead"], n), replace=False)
        self.read = spec["read_e"] * np.ones(shape)
        if spec["read_tail"]:
            # Pixels of a CMOS sensor do not read alike: some are two to six times as noisy.
            some = rng.random(shape) < spec["read_tail"]
            self.read = np.where(some, self.read * rng.uniform(2, 6, shape), self.read)

    @property
    def top(self):
        return 2 ** self.spec["bits"] - 1

    def counts(self, light_e):
        s, rng = self.spec, self.rng
        e = rng.poisson(np.clip((light_e + self.sky) * self.flat, 0, None)).astype(float)
        e = e + rng.normal(0, 1, self.shape) * self.read + self.columns
        if s.get("row_e"):
            # Rows that are read together share their noise, anew in every frame.
            e = e + np.convolve(rng.normal(0, s["row_e"], self.shape[0] + 1), [0.8, 0.6], "valid")[:, None]
        if s.get("hits"):
            self._hit(e)
        full = (self.top - s["black_adu"]) * s["gain_e_per_adu"]
        if s["response"] != 1:
            share = np.abs(e) / full
            e = np.sign(e) * full * share ** s["response"]
        if s.get("knee"):
            # Above two thirds of the range the wells fill up.
            e = e - s["knee"] * full * np.maximum(e / full - 0.67, 0) ** 2 / 0.33**2
        c = np.rint(e / s["gain_e_per_adu"] + s["black_adu"])
        c.flat[self.hot] = np.maximum(c.flat[self.hot], np.rint(self.hot_level * self.top))
        c.flat[self.dead] = np.rint(0.5 * s["black_adu"])
        return np.clip(c, 0, self.top)

    def _hit(self, e):
        """Cosmic rays: short tracks, each pixel by up to the whole range."""
        rng, full = self.rng, (self.top - self.spec["black_adu"]) * self.spec["gain_e_per_adu"]
        for _ in range(rng.poisson(self.spec["hits"])):
            y, x, a = rng.uniform(0, self.shape[0]), rng.uniform(0, self.shape[1]), rng.uniform(0, 2 * np.pi)
            long, each = rng.integers(1, 9), rng.uniform(0.05, 1.0) * full
            for step in range(long):
                r, c = int(y + step * np.sin(a)), int(x + step * np.cos(a))
                if 0 <= r < self.shape[0] and 0 <= c < self.shape[1]:
                    e[r, c] += each

    def variance_e2(self, light_e):
        """What the camera's noise is, electrons squared a pixel."""
        s = self.spec
        rows = s.get("row_e", 0.0)
        return (light_e + self.sky) * self.flat + self.read**2 + rows**2 + s["gain_e_per_adu"] ** 2 / 12


def stored(counts, spec):
    """Counts as the file holds them: shifted to the top of 16 bits where the program does so."""
    return counts * 2 ** (16 - spec["bits"]) if spec.get("shifted") else counts


def write_fits(path, data, cards=None):
    eight = data.max() <= 255 and (cards or {}).pop("EIGHT", False)
    hdu = fits.PrimaryHDU(np.ascontiguousarray(data).astype("uint8" if eight else "uint16"))
    for k, v in (cards or {}).items():
        hdu.header[k] = v
    hdu.writeto(path, overwrite=True)


def encoded(data, kind, bits=16, quality=92):
    """PNG, TIFF or JPEG bytes of one picture, its first row on top."""
    a = np.ascontiguousarray(data[::-1]).astype(np.uint8 if bits == 8 else np.uint16)
    out = io.BytesIO()
    if kind == "tif":
        tifffile.imwrite(out, a, software="", metadata=None)
    elif kind == "jpg":
        Image.fromarray(a).save(out, "JPEG", quality=quality)
    else:
        Image.fromarray(a).save(out, "PNG")
    return out.getvalue()


def debayered(mosaic, pattern):
    """Three colours of a mosaic (rows up, even in number) by the means of the nearest of each."""
    kernel = np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]]) / 4
    planes = []
    for colour in "RGB":
        held = np.zeros(mosaic.shape)
        for i in (i for i, c in enumerate(pattern) if c == colour):
            held[1 - i // 2 :: 2, i % 2 :: 2] = 1
        planes.append(convolve(mosaic * held, kernel, mode="mirror") / convolve(held, kernel, mode="mirror"))
    return np.stack(planes, axis=2)


def srgb(share):
    """IEC 61966-2-1."""
    s = np.clip(share, 0, 1)
    return np.where(s <= 0.0031308, 12.92 * s, 1.055 * s ** (1 / 2.4) - 0.055)
