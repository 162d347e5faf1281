"""The diffraction fit as one writes it with numpy and scipy: the yardstick for
Tubewright's own. Same model (pupil with obstruction, Noll Z4..Z11, a few
wavelengths, Kolmogorov blur, square pixels, position, flux, sloping sky), same
start, derivatives in closed form, scipy.optimize.least_squares; double
precision, one core. No trick that a careful person would not use, none left
out that she would.

Conventions as in src/optics/mod.rs: x right, y UP in the pupil, rows DOWN in
the stamp, light from pupil point p lands at 2 N dW/dp.
"""

import math

import numpy as np
from scipy import fft as sfft
from scipy.optimize import least_squares

REFERENCE_NM = 550.0
MODES = range(4, 12)


def noll(j, x, y):
    r2 = x * x + y * y
    s3, s5, s6, s8 = math.sqrt(3), math.sqrt(5), math.sqrt(6), math.sqrt(8)
    return {
        4: lambda: s3 * (2 * r2 - 1),
        5: lambda: s6 * 2 * x * y,
        6: lambda: s6 * (x * x - y * y),
        7: lambda: s8 * (3 * r2 - 2) * y,
        8: lambda: s8 * (3 * r2 - 2) * x,
        9: lambda: s8 * y * (3 * x * x - y * y),
        10: lambda: s8 * x * (x * x - 3 * y * y),
        11: lambda: s5 * (6 * r2 * r2 - 6 * r2 + 1),
    }[j]()


class Model:
    """Pictures of a star of flux 1 in a size x size stamp."""

    def __init__(self, setup, size, wavelengths):
        self.setup, self.size = setup, size
        n_ratio = setup["focal_mm"] / setup["aperture_mm"]
        if setup["bandwidth_nm"] > 0:
            t, w = np.polynomial.legendre.leggauss(wavelengths)
            nm = setup["wavelength_nm"] + t * setup["bandwidth_nm"] / 2
            w = w / 2
        else:
            nm, w = np.array([setup["wavelength_nm"]]), np.array([1.0])
        # The detector's pixels divided until two cells fall on lambda N.
        unit = nm.min() * 1e-3 * n_ratio / setup["pixel_um"]
        self.sub = max(1, math.ceil(2 / unit))
        self.view = sfft.next_fast_len(size)
        self.m = self.view * self.sub
        self.lines = []
        for l, weight in zip(nm, w):
            du = 2 * l * 1e-3 * n_ratio / setup["pixel_um"] / self.view
            half = math.floor(1 / du + 0.5)
            c = np.arange(-half, half + 1) * du
            x, y = np.meshgrid(c, -c)
            amp = self._pupil(x, y, du)
            basis = np.stack([noll(j, x, y) for j in MODES])
            self.lines.append((weight, REFERENCE_NM / l, amp, basis, (amp**2).sum()))
        f = sfft.fftfreq(self.m, 1 / self.sub)
        self.fx, self.fy = f[None, :], f[:, None]
        self.pixel = np.sinc(self.fx) * np.sinc(self.fy)
        self.k = 3.44 * (np.hypot(self.fx, self.fy) / 0.97586) ** (5 / 3)
        s = (np.arange(size) + 0.5) / size - 0.5
        self.plane = np.meshgrid(s, s)

    def _pupil(self, x, y, du, sub=8):
        off = ((np.arange(sub) + 0.5) / sub - 0.5) * du
        amp = np.zeros_like(x)
        for a in off:
            for b in off:
                r = np.hypot(x + a, y + b)
                amp += (r < 1) & (r > self.setup["obstruction"])
        return amp / sub**2

    def evaluate(self, waves, at, blur, slopes):
        """Picture, and the derivatives by waves, x, y, blur if asked."""
        m = self.m
        total = np.zeros((m, m))
        by_waves = np.zeros((len(waves), m, m)) if slopes else None
        for weight, scale, amp, basis, power in self.lines:
            n = amp.shape[0]
            a = np.zeros((m, m), complex)
            a[:n, :n] = amp * np.exp(2j * np.pi * scale * np.tensordot(waves, basis, 1))
            u = sfft.fft2(a)
            gain = weight / (power * m * m)
            total += gain * (u.real**2 + u.imag**2)
            if slopes:
                for j in range(len(waves)):
                    v = np.zeros((m, m), complex)
                    v[:n, :n] = basis[j] * a[:n, :n]
                    v = sfft.fft2(v)
                    by_waves[j] -= 4 * np.pi * scale * gain * (u.real * v.imag - u.imag * v.real)
        h = self.pixel * np.exp(-self.k * blur - 2j * np.pi * (self.fx * at[0] + self.fy * at[1]))
        spectrum = sfft.fft2(total) * h
        back = lambda s: sfft.ifft2(s).real[:: self.sub, :: self.sub][: self.size, : self.size] * self.sub**2
        picture = back(spectrum)
        if not slopes:
            return picture, None
        columns = [back(sfft.fft2(d) * h) for d in by_waves]
        columns.append(back(-2j * np.pi * self.fx * spectrum))
        columns.append(back(-2j * np.pi * self.fy * spectrum))
        columns.append(back(-self.k * spectrum))
        return picture, columns


def wavelengths_for(setup, w020):
    """Neighbouring wavelengths' rings slip by about a ring."""
    slip = abs(w020) * REFERENCE_NM * setup["bandwidth_nm"] / setup["wavelength_nm"] ** 2
    return 1 if setup["bandwidth_nm"] <= 0 else min(max(2 + math.ceil(0.8 * slip), 3), 9)


def fit(data, sigma, setup, start):
    """Noll coefficients {j: waves} of one stamp. `start`: x, y, r, cx, cy."""
    size = data.shape[0]
    ratio = setup["focal_mm"] / setup["aperture_mm"]
    w020 = start["r"] * setup["pixel_um"] * 1e3 / (4 * ratio) / REFERENCE_NM
    sign = -1 if setup["side"] == "inside" else 1
    model = Model(setup, size, wavelengths_for(setup, w020))
    shift = 2 * ratio * REFERENCE_NM * 1e-3 / setup["pixel_um"] * 7 * math.sqrt(8)
    waves = np.zeros(8)
    waves[0] = sign * w020 / (2 * math.sqrt(3))
    waves[3], waves[4] = start["cy"], start["cx"]
    at = [start["x"] - shift * start["cx"], start["y"] + shift * start["cy"]]
    blur = (start["r"] / 15) ** (5 / 3)
    y, x = np.mgrid[0:size, 0:size]
    r = np.hypot(x - start["x"], y - start["y"]) / start["r"]
    sky = np.median(data[r > 1.2])
    level = np.median(data[(r > 0.5) & (r < 0.9)]) - sky
    root = 1 / np.hypot(sigma, 0.01 * level)
    picture, _ = model.evaluate(waves, at, blur, False)
    flux = ((data - sky) * picture).sum() / (picture**2).sum()
    p0 = np.concatenate([waves, at, [blur, flux, sky, 0, 0]])
    kept = {}

    def both(p):
        key = p.tobytes()
        if kept.get("key") != key:
            picture, columns = model.evaluate(p[:8], p[8:10], max(p[10], 0), True)
            model_picture = p[11] * picture + p[12] + p[13] * model.plane[0] + p[14] * model.plane[1]
            columns = [p[11] * c for c in columns] + [picture, np.ones_like(picture), *model.plane]
            kept.update(
                key=key,
                residual=((model_picture - data) * root).ravel(),
                jacobian=np.stack([(c * root).ravel() for c in columns], axis=1),
            )
        return kept

    low = np.full(15, -np.inf)
    low[10] = 0
    found = least_squares(
        lambda p: both(p)["residual"],
        p0,
        lambda p: both(p)["jacobian"],
        bounds=(low, np.inf),
        x_scale="jac",
        ftol=1e-6,
        xtol=1e-6,
    )
    return dict(zip(MODES, found.x[:8])), found.nfev
