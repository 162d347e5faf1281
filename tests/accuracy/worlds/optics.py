"""Pupils, Zernike modes and pictures by POPPY (world A), prysm (B) and LightPipes (C).

Arrays are rows UP (index 0 is the lowest row), x to the right. Light from pupil
point (x, y) lands at + grad W. The pupil's array is SPAN apertures wide. `veil` is
what the air leaves of the amplitude (it takes and gives, by scintillation).
"""

import math
import warnings

import numpy as np
from scipy.fft import fft, ifft, next_fast_len

SPAN = 1.04
REFERENCE_NM = 550.0
FINE = 4  # the pupil's edges are drawn this much finer, then averaged


def binned(array, k):
    n = array.shape[0] // k
    return array.reshape(n, k, array.shape[1] // k, k).mean(axis=(1, 3))


def flaws(amp, x, y, tube):
    """What cuts into a pupil from outside: a focuser's tube, a dew cap."""
    intrude = tube.get("focuser")
    if intrude:
        a = math.radians(intrude["angle_deg"])
        along, across = x * math.cos(a) + y * math.sin(a), y * math.cos(a) - x * math.sin(a)
        amp = amp * ~((along > 1 - intrude["depth"]) & (np.abs(across) < intrude["half_width"]))
    cap = tube.get("dew_cap")
    if cap:
        a = math.radians(cap["angle_deg"])
        d, r = cap["shift"], cap["radius"]
        amp = amp * (np.hypot(x + d * math.cos(a), y + d * math.sin(a)) < r)
    return amp


def figure(tube, rho):
    """What polishing left of a surface, waves at 550 nm: a zone and a turned edge, both round."""
    f = tube.get("figure")
    if not f:
        return 0.0
    zone = f["zone"] * np.exp(-(((rho - f["at"]) / f["width"]) ** 2) / 2)
    return zone + f["edge"] * np.clip((rho - f["from"]) / (1 - f["from"]), 0, 1.2) ** 2


class Poppy:
    """Aperture and obstruction, Noll modes and matrix Fourier transform by POPPY."""

    def __init__(self, tube, n):
        warnings.simplefilter("ignore")
        import astropy.units as u
        import poppy
        from poppy import matrixDFT, zernike

        self.n, self.zernike, self.dft = n, zernike, matrixDFT.matrix_dft
        c = (np.arange(n) + 0.5) / n * 2 * SPAN - SPAN
        self.x, self.y = np.meshgrid(c, c)
        m = n * FINE
        f = (np.arange(m) + 0.5) / m * 2 * SPAN - SPAN
        fx, fy = np.meshgrid(f, f)
        shift = tube.get("decentre", (0.0, 0.0))
        parts = [poppy.CircularAperture(radius=1 * u.m, gray_pixel=False)]
        radius_mm = tube["aperture_mm"] / 2
        if tube["obstruction"] > 0:
            vanes = tube.get("vanes")
            parts.append(
                poppy.SecondaryObscuration(
                    secondary_radius=tube["obstruction"] * u.m,
                    n_supports=vanes["count"] if vanes else 0,
                    support_width=(vanes["width_mm"] / radius_mm if vanes else 0.01) * u.m,
                    support_angle_offset=vanes["angle_deg"] if vanes else 0.0,
                    shift_x=shift[0],
                    shift_y=shift[1],
                )
            )
        optic = poppy.CompoundAnalyticOptic(parts)
        fine = optic.sample(npix=m, grid_size=2 * SPAN * u.m)
        self.amp = binned(flaws(fine, fx, fy, tube), FINE)

    def mode(self, j):
        rho, theta = np.hypot(self.x, self.y), np.arctan2(self.y, self.x)
        inside, h = np.minimum(rho, 1.0), 1e-4
        at = lambda r: self.zernike.zernike1(j, rho=r, theta=theta, outside=0.0)  # noqa: E731
        edge = at(inside)
        # POPPY's modes end at the rim; the rim's own cells reach a little past it.
        return edge + (rho - inside) * (edge - at(inside - h)) / h

    def light(self, waves550, nm, f_ratio, pixel_um, size, os, veil=1.0):
        """Intensity, normalised to the pupil's light, and the pixel of the axis."""
        field = self.amp * veil * np.exp(-2j * np.pi * waves550 * REFERENCE_NM / nm)
        wide = size * pixel_um / (nm * 1e-3 * f_ratio) * SPAN
        e = self.dft(field, wide, size * os, centering="SYMMETRIC")
        i = (e.real**2 + e.imag**2).reshape(size, os, size, os).sum(axis=(1, 3))
        return i / (self.amp**2).sum(), (size - 1) / 2


class Prysm:
    """The same by prysm: geometry, Zernike polynomials, fixed-sampling propagation."""

    def __init__(self, tube, n):
        from prysm import geometry, polynomials, propagation
        from prysm.coordinates import cart_to_polar

        self.n, self.polynomials, self.propagation = n, polynomials, propagation
        c = (np.arange(n) - n // 2) / n * 2 * SPAN
        self.x, self.y = np.meshgrid(c, c)
        self.rho, self.theta = cart_to_polar(self.x, self.y)
        half = (np.arange(FINE) + 0.5) / FINE - 0.5
        f = ((np.arange(n) - n // 2)[:, None] + half[None, :]).ravel() / n * 2 * SPAN
        fx, fy = np.meshgrid(f, f)
        amp = geometry.circle(1.0, np.hypot(fx, fy)).astype(float)
        if tube["obstruction"] > 0:
            dx, dy = tube.get("decentre", (0.0, 0.0))
            amp *= ~geometry.circle(tube["obstruction"], np.hypot(fx - dx, fy - dy))
            if tube.get("vanes"):
                v = tube["vanes"]
                width = v["width_mm"] / (tube["aperture_mm"] / 2)
                amp *= geometry.spider(
                    v["count"], width, fx, fy, rotation=v["angle_deg"], center=(dx, dy)
                )
        self.amp = binned(flaws(amp, fx, fy, tube), FINE)
        self.aperture_mm = tube["aperture_mm"]

    def mode(self, j):
        n, m = self.polynomials.noll_to_nm(j)
        return self.polynomials.zernike_nm(n, m, self.rho, self.theta, norm=True)

    def light(self, waves550, nm, f_ratio, pixel_um, size, os, veil=1.0):
        field = self.amp * veil * np.exp(2j * np.pi * waves550 * REFERENCE_NM / nm)
        e = self.propagation.focus_fixed_sampling(
            field,
            self.aperture_mm * SPAN / self.n,
            self.aperture_mm * f_ratio,
            nm * 1e-3,
            pixel_um / os,
            size * os,
        )
        i = (e.real**2 + e.imag**2).reshape(size, os, size, os).sum(axis=(1, 3))
        return i / i.sum(), (size * os // 2 - (os - 1) / 2) / os


class Lightpipes:
    """Screens, Zernike polynomials and Fresnel propagation by LightPipes.

    The camera stands out of focus by real millimetres, W020 waves of 550 nm by the sag of the wave:
    1/z = 1/f + 2 W020 / R^2. LightPipes goes there in coordinates that shrink with the beam, so that
    one cell of the pupil becomes one cell of the picture at every wavelength. Outside focus the
    picture is upside down, and larger by z / f than by similar triangles with the focal length.
    """

    def __init__(self, tube, w020, fine_um, size):
        import LightPipes
        from LightPipes.zernike import noll_to_zern
        from LightPipes.zernikemath import zernike

        self.lp, self.zernike, self.noll = LightPipes, zernike, noll_to_zern
        self.ways = {}
        # Near focus the beam has no size to go by; the rest of the way is left as a phase.
        self.plane = w020 if abs(w020) >= 3 else math.copysign(4, w020)
        radius, self.focal = tube["aperture_mm"] / 2e3, tube["focal_mm"] * 1e-3
        self.z = 1 / (1 / self.focal + 2 * self.plane * REFERENCE_NM * 1e-9 / radius**2)
        self.shrinks = 1 - self.z / self.focal
        self.cell = fine_um * 1e-6 / abs(self.shrinks)
        across = 2 * radius / self.cell
        self.n = 2 * math.ceil(SPAN * across / 2)
        self.wide = next_even(max(1.6 * across, 1.08 * size, self.n))
        c = (np.arange(self.n) - self.n // 2) * self.cell / radius
        self.x, self.y = np.meshgrid(c, c)
        self.rho, self.theta = np.hypot(self.x, self.y), np.arctan2(self.y, self.x)
        k = FINE if self.n < 400 else 2
        self.amp = binned(self._pupil(tube, radius, k), k)

    def _pupil(self, tube, radius, k):
        lp, fine = self.lp, self.cell / k
        # LightPipes' zero is cell m / 2; a coarse cell's middle is between its fine ones.
        at = (k - 1) / 2 * fine
        field = lp.CircAperture(lp.Begin(self.n * self.cell, REFERENCE_NM * 1e-9, self.n * k), radius, at, at)
        c = (np.arange(self.n * k) - self.n * k // 2 - (k - 1) / 2) * fine / radius
        fx, fy = np.meshgrid(c, c)
        if tube["obstruction"] > 0:
            dx, dy = tube.get("decentre", (0.0, 0.0))
            size, oval = tube["obstruction"], tube.get("oval")
            if oval:
                a, stretch = math.radians(oval["angle_deg"]), math.sqrt(oval["ratio"])
                u, v = fx - dx, fy - dy
                along, across = u * math.cos(a) + v * math.sin(a), v * math.cos(a) - u * math.sin(a)
                field.field *= np.hypot(along / stretch, across * stretch) > size
            else:
                field = lp.CircScreen(field, size * radius, at + dx * radius, at + dy * radius)
            bars = []
            if tube.get("vanes"):
                v = tube["vanes"]
                bars = [(v["angle_deg"] + 360 / v["count"] * i, 0.0, 1.2, v["width_mm"] * 1e-3) for i in range(v["count"])]
            if tube.get("holder"):
                h = tube["holder"]
                bars.append((h["angle_deg"], size - 0.02, size + h["beyond"], h["width"] * radius))
            for angle, inner, outer, width in bars:
                a, middle = math.radians(angle), (inner + outer) / 2
                x, y = dx + middle * math.cos(a), dy + middle * math.sin(a)
                field = lp.RectScreen(field, (outer - inner) * radius, width, at + x * radius, at + y * radius, -angle)
        return flaws(np.abs(field.field), fx, fy, tube)

    def mode(self, j):
        n, m = self.noll(j)
        return math.sqrt(n + 1 if m == 0 else 2 * (n + 1)) * self.zernike(n, m, self.rho, self.theta)

    def light(self, waves550, nm, f_ratio, pixel_um, size, os, veil=1.0):
        waves = (waves550 - self.plane * self.rho**2) * REFERENCE_NM / nm
        # Single precision errs by far less than a photon, and is twice as fast.
        field = (self.amp * veil * np.exp(2j * np.pi * waves)).astype(np.complex64)
        e = fft(fft(field, self.wide, axis=0), self.wide, axis=1) * self._way(nm)
        # The pupil's middle is cell n / 2 here, and outside focus the picture is upside down.
        cells = np.arange(size * os) - size * os // 2
        cells = (cells if self.shrinks > 0 else -cells) + self.n // 2
        e = ifft(ifft(e, axis=0)[cells % self.wide], axis=1)[:, cells % self.wide]
        i = (e.real**2 + e.imag**2).reshape(size, os, size, os).sum(axis=(1, 3))
        return i / (self.amp**2).sum(), (size * os // 2 - (os - 1) / 2) / os

    def _way(self, nm):
        """LightPipes' way from pupil to plane at a wavelength: what it makes of one bright cell, transformed."""
        if nm not in self.ways:
            spot = self.lp.Begin(self.wide * self.cell, nm * 1e-9, self.wide)
            spot.field[:] = 0
            spot.field[self.wide // 2, self.wide // 2] = 1
            out = self.lp.LensForvard(spot, self.focal, self.z).field * self.shrinks
            # Outside focus it turns the picture; here that is done where the picture is cut out.
            out = out if self.shrinks > 0 else out[::-1, ::-1]
            self.ways[nm] = fft(fft(np.fft.ifftshift(out), axis=0), axis=1).astype(np.complex64)
        return self.ways[nm]


def next_even(least):
    """An even size that Fourier transforms like."""
    return 2 * next_fast_len(math.ceil(least / 2))


OPTICS = {"A": Poppy, "B": Prysm, "C": Lightpipes}
