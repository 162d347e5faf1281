"""Moving air: optical path over the pupil at a time, in waves at 550 nm.

World A: aotools. A frozen layer is Assemat and Wilson's infinite von Karman screen,
blown across row by row; a boiling layer is a chain of Fourier screens, each holding
a share of the last. World B: GalSim's layers of autoregressive screens, whose share
kept per step makes them frozen (1) or boiling. World C: pyturb's layers at
heights, whose finer structure boils faster and smoothly in time; light goes on
from layer to layer by Fresnel's propagation, so the star scintillates.
Times are asked for in order.
"""

import math
import os
import warnings
from contextlib import redirect_stdout

import numpy as np
from scipy.interpolate import RectBivariateSpline
from scipy.ndimage import map_coordinates

from optics import SPAN


class Aotools:
    CELLS = 56  # across the piece of screen that is kept, 1.5 apertures wide

    def __init__(self, aperture_mm, spec, x, y, rng):
        from aotools.turbulence.infinitephasescreen import PhaseScreenVonKarman
        from aotools.turbulence.phasescreen import ft_sh_phase_screen

        self.ft, self.rng, self.spec = ft_sh_phase_screen, rng, spec
        self.D = aperture_mm * 1e-3
        self.cell = 1.5 * self.D / self.CELLS
        self.x, self.y = x, y
        # r0 is told at 500 nm; the screens' radians are of 550 nm.
        self.r0 = self.D / spec["d_over_r0_500"] * (550 / 500) ** 1.2
        self.layers = []
        for layer in spec["layers"]:
            r0 = self.r0 * layer["share"] ** (-3 / 5)
            if layer["kind"] == "frozen":
                screen = PhaseScreenVonKarman(
                    self.CELLS, self.cell, r0, spec["outer_m"], random_seed=int(rng.integers(2**31))
                )
                self.layers.append(dict(layer, screen=screen, rows=0))
            else:
                self.layers.append(dict(layer, r0=r0, now=self._fresh(r0), then=0.0))

    def _fresh(self, r0):
        return self.ft(
            r0, self.CELLS, self.cell, self.spec["outer_m"], 0.005, seed=int(self.rng.integers(2**31))
        )

    def waves(self, t):
        total = 0.0
        centre = (self.CELLS - 1) / 2
        for layer in self.layers:
            if layer["kind"] == "frozen":
                gone = layer["wind_m_s"] * t / self.cell
                while layer["rows"] < math.floor(gone):
                    layer["screen"].add_row()
                    layer["rows"] += 1
                screen, shift = layer["screen"].scrn, gone - layer["rows"]
            else:
                hold = math.exp(-(t - layer["then"]) / layer["life_s"])
                layer["now"] = hold * layer["now"] + math.sqrt(1 - hold**2) * self._fresh(layer["r0"])
                layer["then"] = t
                screen, shift = layer["now"], 0.0
            a = math.radians(layer["angle_deg"])
            u = self.x * math.cos(a) + self.y * math.sin(a)
            v = self.y * math.cos(a) - self.x * math.sin(a)
            k = self.D / 2 / self.cell
            total = total + map_coordinates(
                screen, [centre + v * k - shift, centre + u * k], order=3, mode="nearest"
            )
        return total / (2 * np.pi)


class Galsim:
    def __init__(self, aperture_mm, spec, x, y, rng):
        import galsim

        self.D = aperture_mm * 1e-3
        step = spec["step_s"]
        # A boiling screen is drawn anew at every step, so it is kept small.
        wide = [(16 if v["hold"] == 1 else 8) * self.D for v in spec["layers"]]
        rand = galsim.BaseDeviate(int(rng.integers(1, 2**31)))
        layers = spec["layers"]
        with open(os.devnull, "w") as null, redirect_stdout(null):
            self.air = galsim.Atmosphere(
                screen_size=wide,
                screen_scale=self.D / 24,
                rng=rand,
                altitude=[0.0] * len(layers),
                r0_500=self.D / spec["d_over_r0_500"],
                r0_weights=[v["share"] for v in layers],
                L0=[spec["outer_m"]] * len(layers),
                speed=[v["wind_m_s"] for v in layers],
                direction=[v["angle_deg"] * galsim.degrees for v in layers],
                alpha=[v["hold"] for v in layers],
                time_step=[None if v["hold"] == 1 else step for v in layers],
                suppress_warning=True,
            )
        self.u, self.v = (x * self.D / 2).ravel(), (y * self.D / 2).ravel()
        self.shape, self.nm = x.shape, 550.0

    def waves(self, t):
        # The layers' boiling needs times in order; GalSim rewinds by itself otherwise.
        w = self.air.wavefront(self.u, self.v, t)
        return np.asarray(w).reshape(self.shape) / self.nm


class Pyturb:
    """`veil` is the amplitude that came with the last `waves`."""

    CELLS, OVER, SPAN = 24, 5, 1.1  # across the pupil's piece; screens to pieces; pieces to apertures

    def __init__(self, aperture_mm, spec, x, y, rng):
        import pyturb

        # The screens repeat; what boils meanwhile makes them new.
        warnings.simplefilter("ignore", pyturb.PeriodicWrapWarning)
        self.D = aperture_mm * 1e-3
        layers = [
            pyturb.Layer(
                altitude=v["height_m"], cn2_fraction=v["share"], wind_speed=v["wind_m_s"],
                wind_direction=v["angle_deg"], L0=spec["outer_m"],
            )
            for v in spec["layers"]
        ]  # fmt: skip
        # A layer's life is told at the scale of two apertures, pyturb wants it at the outer scale.
        # What comes round again is another's by then: it has lived twice.
        round_s = [self.OVER * self.SPAN * self.D / v["wind_m_s"] for v in spec["layers"]]
        lives = [min(v["life_s"], s / 2) for v, s in zip(spec["layers"], round_s)]
        longer = max(spec["outer_m"] / (2 * self.D), 1.0) ** (2 / 3)
        self.air = pyturb.Atmosphere(
            layers, r0=self.D / spec["d_over_r0_500"], wavelength=500e-9, diameter=self.SPAN * self.D,
            n=self.CELLS, oversample=self.OVER, tau_boil=[v * longer for v in lives],
            boil_model="ar2", boil_scaling="kolmogorov", seed=int(rng.integers(2**31)),
        )  # fmt: skip
        self.cells = np.arange(self.CELLS) - (self.CELLS - 1) / 2
        self.at = [v / 2 * self.CELLS / self.SPAN for v in (y[:, 0], x[0])]
        self.nm, self.veil = 550.0, 1.0

    def waves(self, t):
        if t > self.air.time:
            self.air.evolve(t - self.air.time)
        light = self.air.pupil_field(wavelength=self.nm * 1e-9)
        waves = np.asarray(light.opd, dtype=float) / (self.nm * 1e-9)
        # On the way the wave smooths out a little: its phase is not quite the layers' sum.
        waves = waves + np.angle(light.field * np.exp(-2j * np.pi * waves)) / (2 * np.pi)
        over = lambda a: RectBivariateSpline(self.cells, self.cells, a)(*self.at)  # noqa: E731
        self.veil = np.maximum(over(np.abs(light.field)), 0)
        return over(waves)


AIR = {"A": Aotools, "B": Galsim, "C": Pyturb}
