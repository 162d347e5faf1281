//! Shift, turn and size of one picture against the other by least squares.

use nalgebra::{SMatrix, SVector};
use optics::barrels::ARCMIN_PER_RAD;

use super::prepare::{Detail, Refused};

/// Shift in long sides, turn, size, bend, gain, offset.
type Pull = SVector<f64, 7>;
type Normal = SMatrix<f64, 7, 7>;

/// Where the right picture shows what the left one shows at x, px of the picture as
/// taken from its middle: (1 + larger) turn(x) + shift, both pictures being bent as the
/// eyepieces bend them. x to the right, y down, a turn clockwise as displayed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Map {
    pub shift: [f64; 2],
    pub turn: f64,
    pub larger: f64,
    /// What is at x from the middle of the field would be at x (1 + bend x^2) without the
    /// eyepiece's distortion, x in long sides of the picture.
    pub bend: f64,
}

/// How far apart both pictures stand, in the middle of the field.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Aligned {
    /// Left less right, px of the picture, to the right and up.
    pub apart_px: [f64; 2],
    pub sigma_px: [f64; 2],
    /// The left picture is turned clockwise by this.
    pub turn_arcmin: f64,
    pub turn_sigma_arcmin: f64,
    /// The left picture's size over the right one's, less 1.
    pub larger: f64,
    pub larger_sigma: f64,
    pub alike: f64,
}

/// Long sides at which the fit is made, one after the other, px.
const LEVELS: [usize; 3] = [225, 450, 900];
const ROUNDS: usize = 12;
/// Where the pictures do not tell, this is believed, 1-sigma: shift as a share of the
/// long side, turn in radians, size as a share, bend (3 % at half a long side).
const BELIEVED: [f64; 5] = [0.05, 0.05, 0.015, 0.01, 0.12];
/// What the fit leaves out (an eyepiece's finer distortion, the light's own edge), as a
/// share of the shift or turn, and in px and arc minutes; found on drawn pictures.
const LEFT_OUT: f64 = 0.01;
const LEFT_OUT_PX: f64 = 0.15;
const LEFT_OUT_TURN_ARCMIN: f64 = 0.8;
/// The overlap is cut into so many tiles each way: tiles err apart from each other.
const TILES: usize = 6;
/// Neighbouring px err alike: so many count as one.
const ALIKE_PX: f64 = 6.0;
const LEAST_ALIKE: f64 = 0.7;
/// Where detail is this share of the px or less, as of stars, two may be taken for two
/// others: then pictures must be more alike than that.
const FEW: f64 = 0.02;
const LEAST_ALIKE_FEW: f64 = 0.85;
/// No eyes join pictures turned by more, and the search ends a little farther.
const MOST_TURN_DEG: f64 = 5.0;
const LEAST_OVERLAP: f64 = 0.4;

impl Detail {
    /// Value and slopes at a place, px from the first; none outside the mask.
    pub fn sample(&self, at: [f64; 2]) -> Option<[f64; 3]> {
        let (x, y) = (at[0].floor(), at[1].floor());
        if x < 0.0 || y < 0.0 || x + 1.0 >= self.width as f64 || y + 1.0 >= self.height as f64 {
            return None;
        }
        let i = y as usize * self.width + x as usize;
        let corners = [i, i + 1, i + self.width, i + self.width + 1];
        if corners.iter().any(|k| !self.mask[*k]) {
            return None;
        }
        let [a, b, c, d] = corners.map(|k| f64::from(self.data[k]));
        let (u, v) = (at[0] - x, at[1] - y);
        Some([
            (a * (1.0 - u) + b * u) * (1.0 - v) + (c * (1.0 - u) + d * u) * v,
            (b - a) * (1.0 - v) + (d - c) * v,
            (c - a) * (1.0 - u) + (d - b) * u,
        ])
    }
}

/// Normal equations of one round.
struct Round {
    normal: Normal,
    right: Pull,
    /// Gradients of each tile.
    tiles: Vec<Pull>,
    residual: f64,
    pixels: f64,
    /// Px that have detail in either picture.
    detailed: f64,
    /// Sums of l l, r r and l r.
    products: [f64; 3],
}

fn round(left: &Detail, right: &Detail, map: &Map, gain: f64, offset: f64) -> Round {
    let mid = [
        0.5 * (left.width as f64 - 1.0),
        0.5 * (left.height as f64 - 1.0),
    ];
    let long = left.width.max(left.height) as f64;
    let (s, c) = map.turn.sin_cos();
    let size = 1.0 + map.larger;
    let mut out = Round {
        normal: Normal::zeros(),
        right: Pull::zeros(),
        tiles: vec![Pull::zeros(); TILES * TILES],
        residual: 0.0,
        pixels: 0.0,
        detailed: 0.0,
        products: [0.0; 3],
    };
    for y in 0..left.height {
        for x in 0..left.width {
            let i = y * left.width + x;
            if !left.mask[i] {
                continue;
            }
            let (u, v) = (x as f64 - mid[0], y as f64 - mid[1]);
            // Bent straight about the middle of the left field, bent again about the right's.
            let (fu, fv) = (u - left.middle[0], v - left.middle[1]);
            let l2 = (fu * fu + fv * fv) / (long * long);
            let (u, v) = (u + fu * map.bend * l2, v + fv * map.bend * l2);
            let (du, dv) = (size * (c * u - s * v), size * (s * u + c * v));
            let (gu, gv) = (
                du + map.shift[0] / right.reduced - right.middle[0],
                dv + map.shift[1] / right.reduced - right.middle[1],
            );
            let mut r2 = (gu * gu + gv * gv) / (long * long);
            for _ in 0..2 {
                let back = 1.0 / (1.0 + map.bend * r2);
                r2 = (gu * gu + gv * gv) * back * back / (long * long);
            }
            let back = 1.0 / (1.0 + map.bend * r2);
            let at = [
                gu * back + right.middle[0] + mid[0],
                gv * back + right.middle[1] + mid[1],
            ];
            let (bu, bv) = (
                c * fu * l2 - s * fv * l2 - gu * r2,
                s * fu * l2 + c * fv * l2 - gv * r2,
            );
            let Some([r, rx, ry]) = right.sample(at) else {
                continue;
            };
            let l = f64::from(left.data[i]);
            let miss = l - gain * r - offset;
            // Slopes by shift in long sides, turn, size, gain and offset.
            let slope = Pull::from([
                gain * rx * long,
                gain * ry * long,
                gain * (ry * du - rx * dv),
                gain * (rx * du + ry * dv) / size,
                gain * (rx * bu + ry * bv),
                r,
                1.0,
            ]);
            out.normal += slope * slope.transpose();
            let pull = slope * miss;
            out.right += pull;
            let tile = (y * TILES / left.height) * TILES + x * TILES / left.width;
            out.tiles[tile] += pull;
            out.residual += miss * miss;
            out.pixels += 1.0;
            out.detailed += f64::from(u8::from(l != 0.0 || r != 0.0));
            out.products[0] += l * l;
            out.products[1] += r * r;
            out.products[2] += l * r;
        }
    }
    out
}

/// Refines a rough map.
pub(super) fn refine(left: &Detail, right: &Detail, rough: Map) -> Result<Aligned, Refused> {
    let mut map = rough;
    let mut last = None;
    for level in LEVELS {
        let (l, r) = (left.smaller(level), right.smaller(level));
        let (mut gain, mut offset) = (1.0, 0.0);
        let long_px = l.width.max(l.height) as f64 * l.reduced;
        let mut previous = f64::INFINITY;
        for n in 0..ROUNDS {
            let mut now = round(&l, &r, &map, gain, offset);
            let lit = l.mask.iter().filter(|m| **m).count() as f64;
            if now.pixels < LEAST_OVERLAP * lit {
                return Err(Refused::Unlike);
            }
            let sigma2 = (now.residual / now.detailed.max(1.0)).max(1e-12) * ALIKE_PX;
            let is = [0.0, 0.0, 0.0, map.larger, map.bend];
            for (k, (believed, is)) in BELIEVED.into_iter().zip(is).enumerate() {
                let weight = sigma2 / (believed * believed);
                now.normal[(k, k)] += weight;
                // Size and bend are drawn back to nothing.
                now.right[k] -= weight * is;
            }
            let Some(inverse) = now.normal.try_inverse() else {
                return Err(Refused::NoContrast);
            };
            let step = inverse * now.right;
            let small = step.fixed_rows::<5>(0).amax() < 2e-5;
            let done = n + 1 == ROUNDS || small || now.residual / now.pixels > 1.05 * previous;
            previous = now.residual / now.pixels;
            last = Some((now, inverse, sigma2, long_px));
            if done {
                break;
            }
            map.shift[0] += step[0] * long_px;
            map.shift[1] += step[1] * long_px;
            map.turn += step[2];
            map.larger += step[3];
            map.bend += step[4];
            gain += step[5];
            offset += step[6];
        }
    }
    let (now, inverse, sigma2, long_px) = last.ok_or(Refused::NoContrast)?;
    let [ll, rr, lr] = now.products;
    let alike = lr / (ll * rr).sqrt();
    let least = if now.detailed < FEW * now.pixels {
        LEAST_ALIKE_FEW
    } else {
        LEAST_ALIKE
    };
    if !alike.is_finite() || alike < least || map.turn.abs() > MOST_TURN_DEG.to_radians() {
        return Err(Refused::Unlike);
    }
    // Of noise alone, and of tiles that pull apart from each other; the larger counts.
    let spread: Normal = now.tiles.iter().map(|g| g * g.transpose()).sum();
    let apart = inverse * spread * inverse;
    // The middle of the field, from the middle of the picture.
    let (x, y) = (
        left.middle[0] * left.reduced / long_px,
        left.middle[1] * left.reduced / long_px,
    );
    let (s, c) = map.turn.sin_cos();
    let size = 1.0 + map.larger;
    let (tx, ty) = (size * (c * x - s * y), size * (s * x + c * y));
    let ways = [
        Pull::from([1.0, 0.0, -ty, tx, 0.0, 0.0, 0.0]),
        Pull::from([0.0, 1.0, tx, ty, 0.0, 0.0, 0.0]),
        Pull::from([0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0]),
        Pull::from([0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0]),
    ];
    let sigma = ways.map(|w| {
        let of = |m: &Normal| (w.transpose() * m * w)[0].max(0.0);
        of(&apart).max(sigma2 * of(&inverse)).sqrt()
    });
    let there = [tx * long_px + map.shift[0], ty * long_px + map.shift[1]];
    let apart_px = [x * long_px - there[0], there[1] - y * long_px];
    let left_out_px = (LEFT_OUT * apart_px[0].hypot(apart_px[1])).hypot(LEFT_OUT_PX * left.reduced);
    let turn_arcmin = -map.turn * ARCMIN_PER_RAD;
    Ok(Aligned {
        apart_px,
        sigma_px: [sigma[0] * long_px, sigma[1] * long_px].map(|s| s.hypot(left_out_px)),
        turn_arcmin,
        turn_sigma_arcmin: (sigma[2] * ARCMIN_PER_RAD)
            .hypot(LEFT_OUT_TURN_ARCMIN)
            .hypot(LEFT_OUT * turn_arcmin),
        larger: -map.larger,
        larger_sigma: sigma[3],
        alike,
    })
}
