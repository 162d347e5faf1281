"""Pupils, Zernike modes and pictures by POPPY (world A) and by prysm (world B).

Arrays are rows UP (index 0 is the lowest row), x to the right. Light from pupil
point (x, y) lands at + grad W. The pupil's array is SPAN apertures wide.
"""

import math
import warnings

import numpy as np

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

    def light(self, waves550, nm, f_ratio, pixel_um, size, os):
        """Intensity, normalised to the pupil's light, and the pixel of the axis."""
        field = self.amp * np.exp(-2j * np.pi * waves550 * REFERENCE_NM / nm)
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

    def light(self, waves550, nm, f_ratio, pixel_um, size, os):
        field = self.amp * np.exp(2j * np.pi * waves550 * REFERENCE_NM / nm)
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


OPTICS = {"A": Poppy, "B": Prysm}
