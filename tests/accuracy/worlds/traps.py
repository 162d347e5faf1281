"""Sets that no coma can be told from, each sort in five strengths (1 the plainest, 5 at the border)."""

import math

import numpy as np

import draw
import scene


def make(maker, name, rng, k):
    sort, strength = draw.TRAPS[(k // 5) % len(draw.TRAPS)], k % 5
    wrong_telling = sort == "wrong instrument"
    tube = dict(draw.tube_of(rng, maker.world, obstructed=wrong_telling))
    setting = maker.setting(rng, tube=tube)
    _, z, pixel, band, band_told = setting
    snr, camera = rng.uniform(40, 120), draw.camera_of(rng, maker.world)
    said, truth, frames, layout, clip, counts = {}, True, 1, None, None, None
    note = ""
    if sort == "in focus":
        w = (0.0, 0.2, 0.4, 0.6, 0.8)[strength]
        z[4] = w / (2 * math.sqrt(3)) * (1 if z[4] > 0 else -1)
        note = f"{w} waves out of focus"
    elif sort == "clipped":
        clip = (0.7, 0.5, 0.35, 0.22, 0.12)[strength]
        note = f"{clip:.0%} of the donut's pixels over the top"
    elif sort == "cut":
        share = (0.5, 0.35, 0.22, 0.14, 0.08)[strength]
        layout = lambda r, reach, margin: cut(maker, r, reach, margin, z, pixel, tube, share)  # noqa: E731
        note = f"{share:.0%} of the diameter beyond the edge"
    elif sort == "too faint":
        snr = (0.02, 0.1, 0.2, 0.35, 0.5)[strength]
        note = f"signal to noise {snr} a pixel"
    elif sort == "wrong instrument":
        if rng.random() < 0.5:
            step = (0.30, 0.24, 0.18, 0.13, 0.09)[strength]
            told = tube["obstruction"] + (step if tube["obstruction"] < 0.3 else -step)
            said["obstruction"] = max(round(told, 3), 0.0)
            note = f"obstruction told as {said['obstruction']}"
        else:
            factor = (2.6, 2.1, 1.7, 1.4, 1.25)[strength] ** (1 if rng.random() < 0.5 else -1)
            said["focal_mm"] = round(tube["focal_mm"] * factor, 1)
            note = f"focal length told {factor:.2f} times too long"
    if sort == "refocused":
        frames = 10
        grow = (1.0, 0.7, 0.5, 0.35, 0.25)[strength]
        note = f"focus moved by {grow:.0%} during the row"
        far = dict(z)
        far[4] = z[4] * (1 + grow)
        reach = scene.extent(tube, far, pixel)
        shape, at = maker.layout(rng, reach, 20, 10)
        pictures = []
        for i in range(frames):
            now = dict(z)
            now[4] = z[4] * (1 + grow * i / (frames - 1))
            star = scene.Star(maker.world, tube, now, pixel, int(2 * reach + 40) | 1, band)
            pictures.append(star.light())
        counts, *_ = scene.expose(star, camera, shape, at, pictures, snr, rng)
    elif sort == "disc":
        # A planet: evenly lit, darker to its limb, seen through some air. It has no rings.
        truth = False
        radius = draw.donut_px(tube, 2 * math.sqrt(3) * z[4], pixel) / 2
        shape, at = maker.layout(rng, radius, 20, 40)
        y, x = np.mgrid[0 : shape[0], 0 : shape[1]]
        rho = np.hypot(x - at[0], y - at[1]) / radius
        limb = (1.0, 0.8, 0.6, 0.3, 0.1)[strength]
        disc = np.where(rho < 1, 1 - limb + limb * np.sqrt(np.clip(1 - rho**2, 0, 1)), 0)
        disc = scene.gaussian_filter(disc, 0.05 * radius)
        flux = draw.level_of(snr, camera)
        draw.exposed(camera, flux)
        counts = scene.Camera(camera, shape, rng).counts(flux * disc)[None]
        note = f"a planet's disc, limb darkening {limb}"
    elif sort == "double star":
        ratio = (1.0, 0.75, 0.5, 0.35, 0.25)[strength]
        apart, angle = rng.uniform(0.25, 0.8), rng.uniform(0, 2 * math.pi)
        diameter = draw.donut_px(tube, 2 * math.sqrt(3) * z[4], pixel)
        reach = scene.extent(tube, z, pixel)
        shape, at = maker.layout(rng, reach + apart * diameter, 18, 10)
        star = scene.Star(maker.world, tube, z, pixel, int(2 * (reach + apart * diameter) + 30) | 1, band)
        one = star.light()
        dx, dy = apart * diameter * math.cos(angle), apart * diameter * math.sin(angle)
        two = np.roll(one, (round(dy), round(dx)), axis=(0, 1))
        counts, *_ = scene.expose(star, camera, shape, at, [one + ratio * two], snr, rng)
        note = f"companion of {ratio} of the light, {apart:.2f} diameters off"
    if counts is None:
        counts, camera, _, _ = maker.quiet(name, rng, setting, frames, snr, camera, layout, clip, floor=False)
    files = maker.store(name, counts, camera, rng)
    told = (
        draw_told(tube, pixel, z[4], band_told) | said
    )
    entry = maker.entry(name, "traps", tube, z, pixel, told, files, snr=float(snr), camera=camera, frames=len(counts),
                        shape=list(counts.shape), trap=sort, strength=strength + 1, note=note)  # fmt: skip
    return entry | {"must_refuse": True, "has_truth": truth}


def draw_told(tube, pixel, z4, band_told):
    told = dict(aperture_mm=tube["aperture_mm"], focal_mm=tube["focal_mm"], obstruction=tube["obstruction"],
                pixel_um=pixel, side="inside" if z4 > 0 else "outside")  # fmt: skip
    if band_told:
        told["wavelength_nm"], told["bandwidth_nm"] = band_told
    return told


def cut(maker, rng, reach, margin, z, pixel, tube, share):
    shape, at = maker.layout(rng, reach, margin, 40)
    radius = draw.donut_px(tube, 2 * math.sqrt(3) * z[4], pixel) / 2
    at = list(at)
    side = int(rng.integers(4))
    inside = math.floor(radius - 2 * radius * share)
    axis, far = side % 2, side // 2
    size = shape[1 - axis]
    at[axis] = size - 1 - inside if far else inside
    return shape, at
