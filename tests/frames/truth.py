"""What is true of a picture, and a check of it that uses no wavefront at all.

`ring_geometry` looks at pixels only: it cuts each azimuth at a quarter of its
own ring's level and fits circles, or, without an obstruction, sets the light's
centroid against the outer edge.
"""

import math

import numpy as np
from scipy.ndimage import map_coordinates

from optic import REFERENCE_NM


def clock(x, y):
    """Degrees clockwise from up of a vector with y up."""
    return math.degrees(math.atan2(x, y)) % 360


def clock_gap(a, b):
    """Absolute difference of two clock angles."""
    return abs((a - b + 180) % 360 - 180)


def ray_truth(tube, wave, pixel_um):
    """Ring positions by rays (image point = 2 N dW/dp), pixels with y UP, from
    where untilted light falls: outer edge, shadow's edge, light's centroid."""
    scale = 2 * tube.n * REFERENCE_NM * 1e-3 / pixel_um
    cx, cy = wave.coma
    w = 3 * math.sqrt(8)
    tilt = 2 * math.sqrt(8)

    def edge(rho):
        # Radially seen, an edge moves by dW/drho along the axis.
        f = scale * (w * 3 * rho**2 - tilt)
        return f * cx, f * cy

    outer = edge(1.0)
    e = tube.obstruction
    d4 = scale * 2 * wave.w020
    inner = tuple(v + d4 * s for v, s in zip(edge(e), wave.shadow))
    mean = scale * (w * (1 + e**2) - tilt)
    off = (inner[0] - outer[0], inner[1] - outer[1])
    return {
        "outer": outer,
        "shadow": inner if e > 0 else None,
        "light": (mean * cx, mean * cy) if wave.shadow == (0.0, 0.0) else None,
        "shadow_offset": off if e > 0 else None,
    }


def _edge_radii(picture, centre, r_out, azimuths, outward, inner_guess=None):
    """Radius per azimuth where light falls to a quarter of its own ring's level."""
    radii = np.arange(0, r_out * 1.35, 0.25)
    a = np.radians(azimuths)[:, None]
    ys = centre[1] - radii[None, :] * np.cos(a)
    xs = centre[0] + radii[None, :] * np.sin(a)
    cut = map_coordinates(picture, [ys, xs], order=1, mode="nearest")
    cut = np.apply_along_axis(lambda v: np.convolve(v, np.ones(5) / 5, "same"), 1, cut)
    lo = (inner_guess or 0.0) + 0.15 * (r_out - (inner_guess or 0.0))
    hi = r_out - 0.15 * (r_out - (inner_guess or 0.0))
    found = np.full(len(azimuths), np.nan)
    for k, v in enumerate(cut):
        level = 0.25 * np.median(v[(radii > lo) & (radii < hi)])
        below = v < level
        mid = np.searchsorted(radii, (lo + hi) / 2)
        if outward:
            idx = np.nonzero(below[mid:])[0]
            if len(idx) and idx[0] > 0:
                i = mid + idx[0]
                found[k] = radii[i - 1] + 0.25 * (v[i - 1] - level) / (v[i - 1] - v[i])
        else:
            idx = np.nonzero(below[:mid])[0]
            if len(idx):
                i = idx[-1]
                found[k] = radii[i] + 0.25 * (level - v[i]) / (v[i + 1] - v[i])
    return found


def _harmonics(azimuths, radii):
    """(mean radius, shift x, shift y up) of an edge, by least squares on r(azimuth)."""
    ok = np.isfinite(radii)
    a = np.radians(azimuths[ok])
    m = np.stack([np.ones_like(a), np.sin(a), np.cos(a), np.sin(2 * a), np.cos(2 * a)], axis=1)
    c, *_ = np.linalg.lstsq(m, radii[ok], rcond=None)
    return c[0], c[1], c[2]


def ring_geometry(picture, obstruction, start, r_start):
    """Measure a donut (background taken off) from pixels alone.

    start: a rough centre (x right, y down), r_start a rough outer radius.
    Gives radii, centre and the shadow's offset from the outer edge (y UP), and
    the clock direction in which the ring is thinnest. `shadow_seen` is the share
    of azimuths along which there is a shadow's edge at all: near focus the bright
    spot behind a small obstruction fills it or is taken for it, and then the offset
    means nothing.
    """
    azimuths = np.arange(0, 360, 3.0)
    centre, r_out = np.array(start, float), float(r_start)
    for _ in range(4):
        guess = obstruction * r_out
        r, sx, sy = _harmonics(azimuths, _edge_radii(picture, centre, r_out, azimuths, True, guess))
        centre = centre + [sx, -sy]
        r_out = r
    result = {"outer_radius_px": float(r_out), "centre_px": [float(v) for v in centre]}
    if obstruction > 0:
        inner = centre.copy()
        for _ in range(4):
            radii = _edge_radii(picture, inner, r_out, azimuths, False, obstruction * r_out)
            ri, sx, sy = _harmonics(azimuths, radii)
            inner = inner + [sx, -sy]
        off = (inner[0] - centre[0], -(inner[1] - centre[1]))
        result["shadow_radius_px"] = float(ri)
        result["shadow_seen"] = float(np.mean(np.isfinite(radii)))
    else:
        y, x = np.mgrid[0 : picture.shape[0], 0 : picture.shape[1]]
        near = np.hypot(x - centre[0], y - centre[1]) < 1.3 * r_out
        light = np.where(near, picture, 0.0)
        total = light.sum()
        # The outer edge moves most, so the light stays behind on the thin side.
        off = (
            (light * x).sum() / total - centre[0],
            centre[1] - (light * y).sum() / total,
        )
    result["shadow_offset_px"] = [float(off[0]), float(off[1])]
    result["thin_clock_deg"] = clock(*off)
    return result
