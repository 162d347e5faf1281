"""A wavefront fit as one writes it with numpy and scipy, from files to coma: the yardstick.

Reads the frames, finds the star, lays the frames on each other, fits. The model with its
closed-form derivatives is ../reference/baseline.py's: pupil, Noll Z4 to Z11, some wavelengths,
Kolmogorov blur, square pixels, position, flux, sloping sky. One core, double precision. It
believes all that it is told and refuses nothing.
"""

import math
import sys
from pathlib import Path

import numpy as np
import tifffile
from astropy.io import fits
from PIL import Image
from scipy import ndimage
from scipy import fft as sfft
from scipy.optimize import least_squares

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "reference"))

import baseline  # noqa: E402


def read(path):
    """Pictures of a file as displayed (first row on top), planes first, colour averaged."""
    name = str(path)
    if name.endswith(".fits"):
        with fits.open(name) as hdus:
            data, header = np.array(hdus[0].data, dtype=float), hdus[0].header
        if header.get("ROWORDER", "BOTTOM-UP") != "TOP-DOWN":
            data = data[..., ::-1, :]
        if "BAYERPAT" in header:
            data = flattened(data)
        return data if data.ndim == 3 else data[None]
    data = np.array(tifffile.imread(name) if name.endswith(".tif") else Image.open(name), dtype=float)
    if name.endswith(".jpg"):
        s = data / 255
        data = np.where(s <= 0.04045, s / 12.92, ((s + 0.055) / 1.055) ** 2.4) * 255
    return (data.mean(axis=2) if data.ndim == 3 else data)[None]


def flattened(data):
    """A mosaic's four colours brought to one level, and averaged over two pixels each way."""
    data = data.copy()
    sky = np.median(data)
    sums = [(data[i::2, j::2] - sky).clip(0).sum() for i in (0, 1) for j in (0, 1)]
    for s, (i, j) in zip(sums, ((0, 0), (0, 1), (1, 0), (1, 1))):
        data[i::2, j::2] = (data[i::2, j::2] - sky) * np.mean(sums) / max(s, 1e-9) + sky
    return ndimage.convolve(data, np.outer([1, 2, 1], [1, 2, 1]) / 16, mode="nearest")


def cleaned(picture):
    """Single pixels that stand out from their neighbours are replaced by these."""
    around = ndimage.median_filter(picture, size=3)
    off = picture - around
    spread = 1.4826 * np.median(np.abs(off - np.median(off))) + 1e-9
    return np.where(np.abs(off) > 8 * spread + 0.3 * np.abs(around - np.median(picture)), around, picture)


def without_sky(picture):
    """The sky as a plane through what is darker than most, taken off; and its spread."""
    rows, cols = picture.shape
    y, x = np.mgrid[0:rows, 0:cols]
    a = np.stack([np.ones(picture.size), x.ravel() / cols, y.ravel() / rows], axis=1)
    v = picture.ravel()
    use = v <= np.percentile(v, 60)
    for _ in range(4):
        plane = a @ np.linalg.lstsq(a[use], v[use], rcond=None)[0]
        off = v - plane
        s = 1.4826 * np.median(np.abs(off[use] - np.median(off[use]))) + 1e-9
        use = np.abs(off) < 2.5 * s
    return (v - plane).reshape(picture.shape), float(off[use].std()) + 1e-9


def star_in(picture, noise):
    """Centre and radius (px) of the largest bright patch, its holes filled."""
    smooth = ndimage.gaussian_filter(picture, 1.5)
    high = np.percentile(smooth, 99.0)
    mask = smooth > max(0.3 * high, 1.5 * noise / 3)
    mask = ndimage.binary_fill_holes(ndimage.binary_closing(mask, iterations=2))
    labels, count = ndimage.label(mask)
    if not count:
        return None
    sizes = ndimage.sum_labels(mask, labels, range(1, count + 1))
    which = 1 + int(np.argmax(sizes))
    cy, cx = ndimage.center_of_mass(labels == which)
    return cx, cy, math.sqrt(sizes[which - 1] / math.pi)


def stacked(pictures):
    """Frames laid on each other by correlation with their growing mean; two rounds."""
    if len(pictures) == 1:
        return pictures[0]
    shape = pictures[0].shape
    taper = np.outer(np.hanning(shape[0]), np.hanning(shape[1])) ** 0.25
    fy, fx = np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1])[None, :]
    soft = np.exp(-2 * (np.pi * 1.5) ** 2 * (fx**2 + fy**2))
    spectra = [sfft.rfft2(p) for p in pictures]
    smooth = [sfft.rfft2(p * taper) * soft for p in pictures]
    mean, mean_smooth = np.mean(spectra, axis=0), np.mean(smooth, axis=0)
    for _ in range(2):
        moved, moved_smooth = [], []
        for s, soft_s in zip(spectra, smooth):
            c = sfft.irfft2(mean_smooth * np.conj(soft_s), s=shape)
            dy, dx = np.unravel_index(np.argmax(c), shape)
            sub = []
            for axis, at in ((0, dy), (1, dx)):
                line = [c[(dy + o) % shape[0], dx] if axis == 0 else c[dy, (dx + o) % shape[1]] for o in (-1, 0, 1)]
                bend = line[0] - 2 * line[1] + line[2]
                whole = at if at <= shape[axis] // 2 else at - shape[axis]
                sub.append(whole + (0.5 * (line[0] - line[2]) / bend if bend else 0.0))
            ramp = np.exp(-2j * np.pi * (fy * sub[0] + fx * sub[1]))
            moved.append(s * ramp)
            moved_smooth.append(soft_s * ramp)
        mean, mean_smooth = np.mean(moved, axis=0), np.mean(moved_smooth, axis=0)
    return sfft.irfft2(mean, s=shape)


def fitted(data, noise, setup, start, frames):
    """Noll coefficients of a stamp, with their spread by the residual."""
    size = data.shape[0]
    ratio = setup["focal_mm"] / setup["aperture_mm"]
    w020 = start["r"] * setup["pixel_um"] * 1e3 / (4 * ratio) / baseline.REFERENCE_NM
    quick = baseline.Model(setup | {"bandwidth_nm": 0.0}, size, 1)
    shift = 2 * ratio * 0.55 / setup["pixel_um"] * 7 * math.sqrt(8) / 3
    level = np.percentile(data, 97)
    root = 1 / np.hypot(noise, 0.02 * level)
    blur0 = (start["r"] / 15) ** (5 / 3)

    def residual_of(model, p):
        picture, _ = model.evaluate(p[:8], p[8:10], max(p[10], 0), False)
        flux = (data * picture).sum() / (picture**2).sum()
        return float(((flux * picture - data) ** 2).sum()), flux

    best = None
    for scale in (0.94, 1.0, 1.06):
        for coma in [(0, 0)] + [(0.14 * math.cos(a), 0.14 * math.sin(a)) for a in np.arange(6) * math.pi / 3]:
            waves = np.zeros(8)
            waves[0] = scale * w020 / (2 * math.sqrt(3))
            waves[3], waves[4] = coma[1], coma[0]
            p = np.concatenate([waves, [start["x"] - shift * coma[0], start["y"] + shift * coma[1], blur0]])
            chi, flux = residual_of(quick, p)
            if best is None or chi < best[0]:
                best = (chi, p, flux)
    model = baseline.Model(setup, size, baseline.wavelengths_for(setup, w020))
    _, p, flux = best
    kept = {}

    def both(p):
        key = p.tobytes()
        if kept.get("key") != key:
            picture, columns = model.evaluate(p[:8], p[8:10], max(p[10], 0), True)
            whole = p[11] * picture + p[12] + p[13] * model.plane[0] + p[14] * model.plane[1]
            columns = [p[11] * c for c in columns] + [picture, np.ones_like(picture), *model.plane]
            kept.update(
                key=key,
                residual=((whole - data) * root).ravel(),
                jacobian=np.stack([(c * root).ravel() for c in columns], axis=1),
            )
        return kept

    low = np.full(15, -np.inf)
    low[10] = 0
    found = least_squares(
        lambda p: both(p)["residual"],
        np.concatenate([p, [flux, 0, 0, 0]]),
        lambda p: both(p)["jacobian"],
        bounds=(low, np.inf),
        x_scale="jac",
        ftol=1e-6,
        xtol=1e-6,
        max_nfev=60,
    )
    return found.x, found.nfev


def measure(files, told):
    """Coma (Z8, Z7) of one row of frames, waves RMS; None where no star is found."""
    pictures = [cleaned(p) for f in files for p in read(f)]
    flat = [without_sky(p)[0] for p in pictures]
    stack = stacked(flat)
    stack, noise = without_sky(stack)
    at = star_in(stack, noise)
    if at is None or at[2] < 5:
        return None
    cx, cy, r = at
    half = int(1.25 * r + 8)
    rows, cols = stack.shape
    half = min(half, int(min(cx, cols - 1 - cx)), int(min(cy, rows - 1 - cy)))
    if half < 0.8 * r:
        return None
    x0, y0 = round(cx) - half, round(cy) - half
    x0, y0 = max(x0, 0), max(y0, 0)
    size = min(2 * half + 1, rows - y0, cols - x0)
    stamp = stack[y0 : y0 + size, x0 : x0 + size]
    setup = {"wavelength_nm": 550.0, "bandwidth_nm": 100.0} | told
    setup["side"] = "outside"
    p, steps = fitted(stamp, noise, setup, {"x": cx - x0, "y": cy - y0, "r": r}, len(pictures))
    return {"coma": [float(p[4]), float(p[3])], "steps": steps}


def measure_case(case, folder):
    """One set, or both of a pair averaged."""
    files = case["files"]
    sets = files.values() if isinstance(files, dict) else [files]
    found = [measure([folder / f for f in s], case["told"]) for s in sets]
    if any(f is None for f in found):
        return None
    return {"coma": np.mean([f["coma"] for f in found], axis=0).tolist()}
