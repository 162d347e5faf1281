"""One set of frames: light through tube and air, on a camera; and how well it could be measured."""

import math

import numpy as np
from scipy.ndimage import gaussian_filter

import draw
from air import AIR
from camera import Camera
from optics import OPTICS, SPAN, figure


def kolmogorov(picture, fwhm_px):
    """A long exposure's blur, exp(-3.44 (f s)^(5/3)), of a full width at half maximum."""
    pad = int(4 * fwhm_px) + 4
    wide = np.pad(picture, pad)
    f = np.hypot(np.fft.fftfreq(wide.shape[0])[:, None], np.fft.rfftfreq(wide.shape[1])[None, :])
    otf = np.exp(-3.44 * (f * fwhm_px / 0.976) ** (5 / 3))
    return np.fft.irfft2(np.fft.rfft2(wide) * otf, s=wide.shape)[pad:-pad, pad:-pad]


class Star:
    """Tube and wavefront as pictures of unit flux on a window of whole pixels."""

    def __init__(self, world, tube, z, pixel_um, window, band, with_air=False):
        self.tube, self.z, self.pixel_um, self.window, self.band = tube, z, pixel_um, window, band
        self.f_ratio = tube["focal_mm"] / tube["aperture_mm"]
        # The transform repeats itself every n / SPAN lambda N: neither donut nor window may reach so far.
        finest = min(nm for nm, _ in band) * 1e-3
        slope = 4 * math.sqrt(3) * abs(z[4]) + 20 * math.hypot(z[7], z[8]) + 3
        across = max(5.6 * slope * 0.55 / finest, 1.15 * SPAN * window * pixel_um / (finest * self.f_ratio))
        n = max(math.ceil(across), 112) // 2 * 2
        self.os = int(np.clip(math.ceil(pixel_um / (0.45 * finest * self.f_ratio)), 2, 8))
        if world == "C":
            # Its pupil's cells go with the picture's, so few of them need to be made more.
            w020 = 2 * math.sqrt(3) * z[4]
            self.os = max(self.os, math.ceil(96 / max(draw.donut_px(tube, w020, pixel_um), 14)))
            self.optics = OPTICS[world](tube, w020, pixel_um / self.os, window * self.os)
        else:
            self.optics = OPTICS[world](tube, n)
        self.modes = {j: self.optics.mode(j) for j in {*z, *range(2, 12)}}
        self.base = sum(c * self.modes[j] for j, c in z.items() if c)
        self.base = self.base + figure(tube, np.hypot(self.optics.x, self.optics.y))
        self.axis = None

    def shift(self, dx_px, dy_px):
        """Optical path that moves the picture by so much."""
        unit = 4 * self.f_ratio * 0.55 / self.pixel_um
        return dx_px / unit * self.modes[2] + dy_px / unit * self.modes[3]

    def light(self, extra=0.0, band=None, veil=1.0):
        total = 0.0
        for nm, weight in band or self.band:
            i, self.axis = self.optics.light(
                self.base + extra, nm, self.f_ratio, self.pixel_um, self.window, self.os, veil
            )
            total = total + weight * i
        return total / sum(w for _, w in band or self.band)


def paste(light, axis, shape, at):
    """The window on a frame, its axis in pixel `at` (column, row from below, whole)."""
    frame = np.zeros(shape)
    c, r = at[0] - int(round(axis)), at[1] - int(round(axis))
    n = light.shape[0]
    r0, c0, r1, c1 = max(r, 0), max(c, 0), min(r + n, shape[0]), min(c + n, shape[1])
    if r1 > r0 and c1 > c0:
        frame[r0:r1, c0:c1] = light[r0 - r : r1 - r, c0 - c : c1 - c]
    return frame


def extent(tube, z, pixel_um):
    """Radius of the donut with its flare, px."""
    n = tube["focal_mm"] / tube["aperture_mm"]
    return draw.donut_px(tube, 2 * math.sqrt(3) * z[4], pixel_um) / 2 + 2 * n * 0.55 / pixel_um * 9 * math.hypot(z[7], z[8])


def photon_floor(star, blur, flux, variance, frames, at):
    """Least standard deviation (Z8, Z7) that photons and the camera allow: Cramer and Rao, with
    Z4 to Z11, place, flux and a sloping sky free. One wavelength; blurred as the picture is."""
    mid = [(sum(nm * w for nm, w in star.band) / sum(w for _, w in star.band), 1.0)]
    shape = variance.shape
    lay = lambda picture: blur(paste(picture, star.axis, shape, at))  # noqa: E731
    star.light(band=mid)
    h, columns = 0.004, []
    for j in (8, 7, 4, 5, 6, 9, 10, 11, 2, 3):
        up, down = star.light(h * star.modes[j], mid), star.light(-h * star.modes[j], mid)
        columns.append(flux * lay((up - down) / (2 * h)))
    columns.append(flux * lay(star.light(band=mid)))
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]] / max(shape) - 0.5
    columns += [np.ones(shape), x, y]
    a = np.stack([(c / np.sqrt(variance)).ravel() for c in columns], axis=1) * math.sqrt(frames)
    scale = np.sqrt((a**2).sum(axis=0))
    cov = np.linalg.inv((a / scale).T @ (a / scale)) / np.outer(scale, scale)
    return [float(math.sqrt(cov[0, 0])), float(math.sqrt(cov[1, 1]))]


def swing(mount, t):
    """Where a mount's drive and the wind hold the star at a time, px (x, y)."""
    if not mount:
        return np.zeros(2)
    worm = mount["worm_px"] * math.sin(2 * math.pi * (t / mount["worm_s"] + mount["worm_phase"]))
    at = worm * np.array([math.cos(mount["worm_rad"]), math.sin(mount["worm_rad"])])
    for g in mount["gusts"]:
        since = t - g["at_s"]
        if since > 0:
            shake = g["px"] * math.exp(-since / g["life_s"]) * math.sin(2 * math.pi * g["hertz"] * since)
            at = at + shake * np.array([math.cos(g["rad"]), math.sin(g["rad"])])
    return at


def through_air(world, star, spec, frames, rng, jitter_px, drift_px, mount=None):
    """Light of every frame (unit flux), and the air's own coma in each."""
    o = star.optics
    air = AIR[world](star.tube["aperture_mm"], spec, o.x, o.y, rng)
    circle = np.hypot(o.x, o.y) <= 1
    basis = np.stack([np.ones(circle.sum())] + [star.optics.mode(j)[circle] for j in range(2, 16)], axis=1)
    onto = np.linalg.inv(basis.T @ basis) @ basis.T
    fastest = max(v.get("wind_m_s", 0) for v in spec["layers"])
    subs = int(np.clip(math.ceil(fastest * spec["exposure_s"] / (0.12 * star.tube["aperture_mm"] * 1e-3)), 1, 4))
    band = star.band if len(star.band) <= 4 else star.band[::2]
    pictures, coma = [], []
    walk = rng.normal(0, 1, 2)
    for k in range(frames):
        walk = 0.7 * walk + math.sqrt(1 - 0.49) * rng.normal(0, 1, 2)
        hop = jitter_px * walk + np.array(drift_px) * (k - frames / 2)
        total, own = 0.0, np.zeros(2)
        for s in range(subs):
            t = k * spec["interval_s"] + (s + 0.5) / subs * spec["exposure_s"]
            w = air.waves(t)
            a = onto @ w[circle]
            own += np.array([a[7], a[6]]) / subs
            here = star.shift(*(hop + swing(mount, t)))
            total = total + star.light(w - a[0] + here, band, getattr(air, "veil", 1.0)) / subs
        pictures.append(total)
        coma.append(own)
    return pictures, np.array(coma), subs


def blur_of(rng, sigma_px):
    """A quiet night's blur: half of the time Gaussian, half as the air's long exposures have it."""
    if sigma_px < 0.15:
        return lambda p: p
    if rng.random() < 0.5:
        return lambda p: gaussian_filter(p, sigma_px, mode="constant")
    return lambda p: kolmogorov(p, 2.355 * sigma_px)


def trail(streak, shape, at):
    """A satellite's streak, one at its middle line."""
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]]
    a = streak["rad"]
    off = (x - at[0]) * math.sin(a) - (y - at[1]) * math.cos(a) - streak["off_px"]
    return streak["bright"] * np.exp(-((off / streak["width_px"]) ** 2) / 2)


def expose(star, camera_spec, shape, at, pictures, snr, rng, clip=None, blur=lambda p: p, levels=None, streak=None):
    """Counts of every frame, the camera, the flux in electrons and the mean light. `levels` is
    each frame's share of the light; a `streak` goes through one frame."""
    frames = [blur(paste(p, star.axis, shape, at)) for p in pictures]
    if levels:
        frames = [f * v for f, v in zip(frames, levels)]
    mean = np.mean(frames, axis=0)
    bright = mean[mean > 0.5 * np.percentile(mean[mean > 0.1 * mean.max()], 95)].mean()
    flux = draw.level_of(snr, camera_spec) / bright
    peak = max(f.max() for f in frames) * flux
    if clip is None:
        draw.exposed(camera_spec, peak)
    else:
        # So bright that this share of the donut's pixels goes over the top.
        over = np.percentile(mean[mean > 0.3 * bright] * flux, 100 * (1 - clip))
        span = 2 ** camera_spec["bits"] - 1 - camera_spec["black_adu"]
        camera_spec["gain_e_per_adu"] = (over + camera_spec["sky_e"]) / span
    camera = Camera(camera_spec, shape, rng)
    light = [flux * f for f in frames]
    if streak:
        light[streak["frame"]] = light[streak["frame"]] + flux * bright * trail(streak, shape, at)
    counts = np.stack([camera.counts(e) for e in light])
    return counts, camera, flux, mean
