"""Pictures of a defocused star, by HCIPy (https://hcipy.org): pupil, Zernike
modes, turbulence and propagation are that library's; nothing here is shared
with Tubewright's own model.

Axes: x right, y UP, as displayed. Pupil coordinates are chosen so that light
from pupil point p lands at the image point 2 N dW/dp: an outside-focus picture
(W020 > 0) shows the pupil upright, an inside-focus one (W020 < 0) shows it
turned by half a turn. Arrays handed out have their FIRST ROW ON TOP.
Wavefronts are in waves at 550 nm, Noll order, over the full circle.
"""

import math
from dataclasses import dataclass

import hcipy as hp
import numpy as np
from scipy import fft as sfft
from scipy.ndimage import map_coordinates

REFERENCE_NM = 550.0


@dataclass(frozen=True)
class Tube:
    """An instrument: lengths in mm, obstruction by diameter."""

    design: str
    aperture_mm: float
    focal_mm: float
    obstruction: float
    vanes: int = 0
    vane_mm: float = 0.0
    vane_clock_deg: float = 0.0

    @property
    def n(self):
        """Focal ratio."""
        return self.focal_mm / self.aperture_mm


@dataclass
class Wave:
    """A wavefront: `noll` maps index (4..15) to waves RMS at 550 nm.

    `shadow` is the obstruction's decentre (x, y) in pupil radii.
    """

    noll: dict
    shadow: tuple = (0.0, 0.0)

    @property
    def w020(self):
        """Peak defocus, waves at 550 nm: 2 sqrt(3) a4."""
        return 2 * math.sqrt(3) * self.noll.get(4, 0.0)

    @property
    def coma(self):
        """Coma vector (x, y) = (a8, a7)."""
        return self.noll.get(8, 0.0), self.noll.get(7, 0.0)


@dataclass(frozen=True)
class Band:
    """A flat band: centre and full width in nm, and its share of the light."""

    centre_nm: float = 550.0
    width_nm: float = 0.0
    share: float = 1.0

    def lines(self, w020):
        """Wavelengths (nm) and weights of a midpoint sum fine enough that the
        rings of neighbouring lines differ by under 0.4 of a ring."""
        if self.width_nm <= 0:
            return [(self.centre_nm, 1.0)]
        slip = abs(w020) * REFERENCE_NM * self.width_nm / self.centre_nm**2
        k = max(3, math.ceil(slip / 0.4))
        return [(self.centre_nm + self.width_nm * ((i + 0.5) / k - 0.5), 1.0 / k) for i in range(k)]


_pupil_cache = {}


def pupil(tube, shadow=(0.0, 0.0), samples=256):
    """(grid, transmission) of the entrance pupil on a grid of unit diameter."""
    key = (tube, tuple(shadow), samples)
    if key not in _pupil_cache:
        if len(_pupil_cache) > 40:
            _pupil_cache.clear()
        # A shade wider than the pupil, so that the rim's grey cells are whole.
        grid = hp.make_pupil_grid(samples, 1.0 + 4.0 / samples)
        light = hp.evaluate_supersampled(hp.make_circular_aperture(1.0), grid, 8)
        if tube.obstruction > 0:
            hole = hp.make_circular_aperture(
                tube.obstruction, center=(shadow[0] / 2, shadow[1] / 2)
            )
            light = light * (1 - hp.evaluate_supersampled(hole, grid, 8))
        for i in range(tube.vanes):
            clock = math.radians(tube.vane_clock_deg + 360.0 * i / tube.vanes)
            vane = hp.make_spider(
                (shadow[0] / 2, shadow[1] / 2),
                (0.7 * math.sin(clock), 0.7 * math.cos(clock)),
                tube.vane_mm / tube.aperture_mm,
            )
            light = light * hp.evaluate_supersampled(lambda g, v=vane: v(g) * 1.0, grid, 8)
        modes = {j: hp.zernike_noll(j, 1.0, grid, radial_cutoff=False) for j in range(1, 16)}
        _pupil_cache[key] = (grid, light, modes)
    return _pupil_cache[key]


def wavefront(tube, wave, samples):
    """OPD in waves at 550 nm on the pupil grid."""
    grid, _, modes = pupil(tube, wave.shadow, samples)
    opd = grid.zeros()
    for j, a in wave.noll.items():
        opd = opd + a * modes[j]
    return opd


def outer_radius_px(tube, wave, pixel_um):
    """Radius of the donut by geometry, 4 N W020, in pixels."""
    return 4 * tube.n * abs(wave.w020) * REFERENCE_NM * 1e-3 / pixel_um


def samples_for(tube, band, pixel_um, half_px, radius_px):
    """Pupil samples that keep the repeats of the discrete transform off the picture."""
    shortest_um = (band.centre_nm - band.width_nm / 2) * 1e-3
    need = 1.15 * (1.42 * half_px + radius_px) * pixel_um / (shortest_um * tube.n)
    return max(128, 32 * math.ceil(need / 32))


class Camera:
    """Propagates one instrument onto one patch of pixels."""

    def __init__(self, tube, pixel_um, shape, band, samples, shadow=(0.0, 0.0), w020=10.0):
        """`shape` is (rows, columns) of the patch."""
        self.tube, self.pixel_um, self.shape, self.samples = tube, pixel_um, shape, samples
        self.shadow = tuple(shadow)
        self.grid, self.light, _ = pupil(tube, shadow, samples)
        self.power = float(np.sum(self.light**2 * self.grid.weights))
        self.lines = band.lines(w020)
        shortest_um = min(nm for nm, _ in self.lines) * 1e-3
        self.sub = max(2, math.ceil(2.6 * pixel_um / (shortest_um * tube.n)))
        self._props = {}

    def _axes(self, centre):
        """Sub-pixel coordinates (um; x right, y up, rows from the BOTTOM) about the star."""
        rows, cols = self.shape
        step = np.arange(max(rows, cols) * self.sub)
        at = (step + 0.5) / self.sub - 0.5
        x = (at[: cols * self.sub] - centre[0]) * self.pixel_um
        y = (at[: rows * self.sub] - (rows - 1 - centre[1])) * self.pixel_um
        return x, y

    def _propagator(self, centre):
        key = tuple(np.round(centre, 9))
        if key not in self._props:
            if len(self._props) > 2:
                self._props.clear()
            x, y = self._axes(centre)
            # Image coordinates as if the pupil were 1 unit wide and the focal
            # length N units: um on the detector stay um of wavelength.
            out = hp.CartesianGrid(hp.SeparatedCoords((x, y)))
            out.weights = (self.pixel_um / self.sub) ** 2
            self._props[key] = hp.FraunhoferPropagator(self.grid, out, focal_length=self.tube.n)
        return self._props[key]

    def picture(self, opd_waves, centre, seeing_px=0.0, seeing_nm=REFERENCE_NM):
        """Share of the star's light in each pixel, first row on top.

        opd_waves: waves at 550 nm on the pupil grid. centre: where the star's
        untilted light falls, pixels from the centre of the top left pixel
        (x right, y down). seeing_px: FWHM at 550 nm of a long-exposure
        Kolmogorov blur, exp(-3.44 (lambda f nu / r0)^(5/3)), FWHM = 0.98 lambda / r0.
        """
        rows, cols = self.shape
        prop = self._propagator(centre)
        total = np.zeros((rows * self.sub, cols * self.sub))
        for nm, weight in self.lines:
            phase = 2 * np.pi * (REFERENCE_NM / nm) * opd_waves
            start = hp.Wavefront(self.light * np.exp(1j * phase), wavelength=nm * 1e-3)
            fine = np.array(prop(start).power.shaped)
            if seeing_px > 0:
                fine = self._blur(fine, seeing_px, nm)
            total += weight * fine
        light = total.reshape(rows, self.sub, cols, self.sub).sum(axis=(1, 3))
        return light[::-1] / self.power

    def _blur(self, fine, fwhm_px, nm):
        """Kolmogorov blur; spatial frequencies in cycles per pixel."""
        r0 = 0.976 / fwhm_px * (nm / REFERENCE_NM) ** 0.2
        fy = sfft.fftfreq(fine.shape[0], 1 / self.sub)[:, None]
        fx = sfft.rfftfreq(fine.shape[1], 1 / self.sub)[None, :]
        mtf = np.exp(-3.44 * (np.hypot(fx, fy) / r0) ** (5 / 3))
        return sfft.irfft2(sfft.rfft2(fine) * mtf, s=fine.shape)


class Air:
    """Evolving Kolmogorov turbulence: two HCIPy spectral-noise layers, frozen
    flow, blown across the pupil with different winds. Outer scale 50 apertures."""

    SPAN = 16

    def __init__(self, seed):
        # Screens on a coarser mesh are enough: 96 points across the aperture.
        self.mesh = 96
        self.factory = _noise_factory(self.mesh, self.SPAN)
        rng = np.random.default_rng(seed)
        noise = self.factory.make_random(rng)
        both = np.asarray(self.factory.fourier.backward(noise.C).shaped)
        self.layers = [both.real * math.sqrt(0.65), both.imag * math.sqrt(0.35)]
        self.at = rng.uniform(0, self.SPAN, (2, 2))
        angles = rng.uniform(0, 2 * math.pi, 2)
        self.wind = np.stack([np.cos(angles), np.sin(angles)], axis=1) * [[1.0], [1.7]]

    def blow(self, apertures):
        """Let the first layer move by so many apertures."""
        self.at = self.at + self.wind * apertures

    def opd(self, grid, d_over_r0):
        """OPD in waves at 550 nm on a pupil grid, piston removed."""
        side = self.mesh + 6
        size = self.mesh * self.SPAN
        total = np.zeros((side, side))
        for layer, at in zip(self.layers, self.at):
            i, j = (np.floor(at * self.mesh)).astype(int)
            rows = (np.arange(side) + j) % size
            cols = (np.arange(side) + i) % size
            total += layer[np.ix_(rows, cols)]
        total *= d_over_r0 ** (5 / 6) / (2 * math.pi)
        ys = np.array(grid.separated_coords[1]) * self.mesh + side / 2 - 0.5
        xs = np.array(grid.separated_coords[0]) * self.mesh + side / 2 - 0.5
        fine = map_coordinates(total, np.meshgrid(ys, xs, indexing="ij"), order=3, mode="nearest")
        return hp.Field(fine.ravel() - fine.mean(), grid)


_factories = {}


def _noise_factory(mesh, span):
    """Noise for r0 = 1 aperture; kept, because it is the dear part."""
    if (mesh, span) not in _factories:
        big = hp.make_uniform_grid([mesh * span] * 2, [span] * 2)
        psd = hp.power_spectral_density_von_karman(1.0, 50.0)
        _factories[mesh, span] = hp.SpectralNoiseFactoryFFT(psd, big)
    return _factories[mesh, span]


def project(opd_waves, tube, samples, modes=range(1, 12)):
    """Noll coefficients (waves) of an OPD over the full circle, least squares."""
    grid, _, basis = pupil(tube, (0.0, 0.0), samples)
    inside = grid.as_("polar").r < 0.5
    a = np.stack([np.asarray(basis[j])[inside] for j in modes], axis=1)
    found, *_ = np.linalg.lstsq(a, np.asarray(opd_waves)[inside], rcond=None)
    return dict(zip(modes, found.tolist()))
