"""Misalignments traced with RayOptics, for tests/optics_trace.rs.

Writes misalignments.json beside itself: for each system and each element
tilted by one arc minute, the star left where it is and brought back to the
middle, RMS coma (third Noll mode) in nm, the r^3 term alone as W131 in nm, and
how far the star's middle moves.

    python -m venv venv
    venv/bin/pip install -r tests/reference/requirements-misalignments.txt
    venv/bin/python tests/reference/misalignments.py
"""

import json
import pathlib

import numpy as np
from rayoptics.elem import profiles
from rayoptics.elem.surface import Surface
from rayoptics.raytr import raytrace

NM = 550.0
ARCMIN = np.pi / 10800
BK7 = 1.51872

# Surfaces in the order light meets them: element, z (mm, towards the sky),
# radius (mm, positive concave to the sky), conic, (r^4, r^6, r^8), what it does.
SYSTEMS = {
    "schmidt-cassegrain": dict(
        aperture=200.0,
        focus=-200.0,
        surfaces=[
            ("plate", 325.0, None, 0.0, None, BK7),
            ("plate", 320.0, None, 0.0, (-6.7021784e-10, -3.632204e-16, 4.48058e-22), 1.0),
            ("primary", 0.0, 800.0, 0.0, None, "mirror"),
            ("secondary", 300.0, 250.0, 0.0, None, "mirror"),
        ],
    ),
    "classical-cassegrain": dict(
        aperture=200.0,
        focus=-200.0,
        surfaces=[
            ("primary", 0.0, 1600.0, -1.0, None, "mirror"),
            ("secondary", 550.0, 750.0, -4.0, None, "mirror"),
        ],
    ),
    "ritchey-chretien": dict(
        aperture=200.0,
        focus=-324.0,
        surfaces=[
            ("primary", 0.0, 1200.0, -1.2036638, None, "mirror"),
            ("secondary", 348.0, 806.4, -6.8262069, None, "mirror"),
        ],
    ),
    "gregory-maksutov": dict(
        aperture=150.0,
        focus=None,
        surfaces=[
            ("meniscus", 344.256, 320.734, 0.0, None, BK7),
            ("meniscus", 329.256, 346.579, 0.0, None, 1.0),
            ("primary", 0.0, 880.0, 0.0, None, "mirror"),
        ]
        + [("meniscus", 329.256, 346.579, 0.0, None, "mirror")],
    ),
    "newtonian-f5": dict(
        aperture=200.0,
        focus=1000.0,
        surfaces=[("primary", 0.0, 2000.0, -1.0, None, "mirror")],
    ),
}


def rotation(tilt):
    """Raises the side at +y towards the sky (+z) by `tilt` radians."""
    c, s = np.cos(tilt), np.sin(tilt)
    return np.array([[1, 0, 0], [0, c, -s], [0, s, c]])


def interfaces(system, element=None, tilt=0.0, pivot=0.0):
    """(library surface, vertex, axes, index after) in order."""
    out = []
    for part, z, radius, conic, asphere, action in system["surfaces"]:
        c = 0.0 if radius is None else 1.0 / radius
        if asphere is not None:
            profile = profiles.EvenPolynomial(c=c, cc=conic, coefs=[0.0, *asphere])
        else:
            profile = profiles.Conic(c=c, cc=conic)
        mirror = action == "mirror"
        ifc = Surface(profile=profile, interact_mode="reflect" if mirror else "transmit")
        vertex, axes = np.array([0.0, 0.0, z]), np.eye(3)
        if part == element:
            axes = rotation(tilt)
            about = np.array([0.0, 0.0, pivot])
            vertex = about + axes @ (vertex - about)
        out.append((ifc, vertex, axes, None if mirror else action))
    return out


NODES, WEIGHTS = np.polynomial.legendre.leggauss(8)
R2 = (NODES + 1) / 2
ANGLE = 2 * np.pi * (np.arange(24) + 0.5) / 24
U = np.outer(np.sqrt(R2), np.cos(ANGLE)).ravel()
V = np.outer(np.sqrt(R2), np.sin(ANGLE)).ravel()
W = np.repeat(WEIGHTS / 2 / 24, 24)


def trace(ifcs, at, along):
    """Last point and direction in the tube's axes, and the optical path."""
    index, z_dir = 1.0, -1.0
    poses = [(np.zeros(3), np.eye(3))] + [(v, r) for _, v, r, _ in ifcs]
    rows = []
    for i in range(len(poses)):
        if i > 0:
            ifc, after = ifcs[i - 1][0], ifcs[i - 1][3]
            if after is None:
                z_dir = -z_dir
            else:
                index = after
        else:
            ifc = None
        if i + 1 < len(poses):
            (v0, r0), (v1, r1) = poses[i], poses[i + 1]
            step = (r1.T @ r0, r0.T @ (v1 - v0))
        else:
            step = (np.eye(3), np.zeros(3))
        rows.append([ifc, None, step, index, z_dir])
    rows[0][0] = Surface(interact_mode="dummy")
    rays, path, _ = raytrace.trace_raw(iter(rows), at, along, NM, intersect_obj=False)
    v, r = poses[-1]
    return v + r @ rays[-1][0], r @ rays[-1][1], path


def image(system, ifcs, focus, field):
    """RMS coma and W131 in nm, and the star's middle, for a star at `field`."""
    a, top = system["aperture"] / 2, 1000.0
    along = -np.array([0.0, np.tan(field), 1.0])
    along /= np.linalg.norm(along)
    stop = max(s[1] for s in system["surfaces"]) + 1.0
    ends = []
    for u, v in zip(U, V):
        at = np.array([u * a, v * a, stop]) - along * top
        end, way, path = trace(ifcs, at, along)
        ends.append((end, way, path + along @ at))
    land = np.array([e + w * (focus - e[2]) / w[2] for e, w, _ in ends])
    centre = W @ land
    wave = -np.array([(centre - e) @ w + p for e, w, p in ends]) * 1e6
    r2 = U * U + V * V
    noll8 = np.sqrt(8) * (3 * r2 - 2) * V
    coma = W @ (wave * noll8)
    terms = np.stack([np.ones_like(V), V, r2, r2 * V, V * V, r2**2, r2**2 * V], axis=1)
    w131 = np.linalg.lstsq(terms, wave, rcond=None)[0][3]
    return coma, w131, centre[1]


def centred(system, ifcs, focus):
    """The field angle that brings the star back, by secants."""
    a, b = 0.0, 1e-5
    ya = image(system, ifcs, focus, a)[2]
    for _ in range(8):
        yb = image(system, ifcs, focus, b)[2]
        if abs(yb) < 1e-9:
            break
        a, ya, b = b, yb, b - yb * (b - a) / (yb - ya)
    return b


def paraxial_focus(system):
    end, way, _ = trace(
        interfaces(system), np.array([0.0, 1e-3, 1000.0]), np.array([0.0, 0.0, -1.0])
    )
    return end[2] - way[2] * end[1] / way[1]


def main():
    out = {}
    for name, system in SYSTEMS.items():
        focus = system["focus"] or paraxial_focus(system)
        answer = {"focus_z_mm": focus}
        for part in dict.fromkeys(s[0] for s in system["surfaces"] if s[0] != "plate"):
            pivot = [s[1] for s in system["surfaces"] if s[0] == part][-1]
            per = []
            for sign in (1.0, -1.0):
                ifcs = interfaces(system, part, sign * ARCMIN, pivot)
                left = image(system, ifcs, focus, 0.0)
                back = image(system, ifcs, focus, centred(system, ifcs, focus))
                per.append((left, back))
            half = lambda k, i: (per[0][k][i] - per[1][k][i]) / 2
            answer[part] = {
                "pivot_z_mm": pivot,
                "coma_rms_nm": half(0, 0),
                "w131_nm": half(0, 1),
                "jump_mm": half(0, 2),
                "centred_coma_rms_nm": half(1, 0),
                "centred_w131_nm": half(1, 1),
            }
        still = interfaces(system)
        up, down = (image(system, still, focus, s * ARCMIN) for s in (1.0, -1.0))
        answer["field"] = {
            "coma_rms_nm": (up[0] - down[0]) / 2,
            "w131_nm": (up[1] - down[1]) / 2,
            "jump_mm": (up[2] - down[2]) / 2,
        }
        out[name] = answer
    place = pathlib.Path(__file__).with_suffix(".json")
    place.write_text(json.dumps(out, indent=1) + "\n")
    print(place.read_text())


if __name__ == "__main__":
    main()
