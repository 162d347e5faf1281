//! Where things stand, from where they are seen: least squares over all circles, with what is
//! believed beforehand.

use nalgebra::{Matrix6, Rotation3, Vector2, Vector3, Vector6};

use super::{MARK_SIGMA_MM, Rim, Rims, Told};

/// Farther from the hole's middle than this share of its radius the phone sees nothing,
/// 1 sigma being half of it.
const PHONE_SHARE: f64 = 0.5;

/// The middle of a picture is so near the lens's axis, as a tangent, 1 sigma (our choice).
const LENS_SIGMA: f64 = 0.005;
/// A holder is so concentric with its flat, mm, 1 sigma (our choice).
const HOLDER_SIGMA_MM: f64 = 0.2;
/// A cone about `to` whose half angle's tangent is `rho`: the middle of the ellipse in which
/// it cuts a plane across z at distance 1 (mean of the tangents of both ends).
fn centre(to: Vector3<f64>, rho: f64) -> Vector2<f64> {
    let across = Vector2::new(to.x, to.y);
    let cos2 = to.z * to.z / to.norm_squared();
    let sin_rho2 = rho * rho / (1.0 + rho * rho);
    across / to.z * (cos2 / (cos2 - sin_rho2).max(1e-6))
}

/// The other way round.
fn direction(at: Vector2<f64>, rho: f64) -> Vector3<f64> {
    let mut guess = at;
    for _ in 0..6 {
        guess += at - centre(Vector3::new(guess.x, guess.y, 1.0), rho);
    }
    Vector3::new(guess.x, guess.y, 1.0).normalize()
}

/// What one solving gives.
#[derive(Debug, Clone, Copy)]
pub(super) struct Solved {
    /// Phone, flat as seen, mark, rim, optical axis at the focus, all from the focuser's axis.
    pub phone: Vector2<f64>,
    pub flat: Vector2<f64>,
    pub mark: Vector2<f64>,
    pub rim: Vector2<f64>,
    pub optical: Vector2<f64>,
    /// 1-sigmas: phone, flat, mark, 2 x optical, mark less rim, rim in flat.
    pub sigmas: [f64; 6],
    pub to_flat: Option<f64>,
    pub chi2: f64,
}

impl Solved {
    /// What is reported, in the order of `sigmas`.
    pub fn all(&self, told: &Told) -> [Vector2<f64>; 6] {
        let share = self.to_flat.unwrap_or(0.0) / (told.focal_mm + told.outside_focus_mm);
        [
            self.phone,
            self.flat,
            self.mark,
            self.optical * 2.0,
            self.mark - self.rim,
            self.rim * share - self.flat,
        ]
    }
}

const P: usize = 0;
const E: usize = 1;
const S: usize = 2;
const M: usize = 3;
const RIM: usize = 4;
const H: usize = 5;

pub(super) fn solve(rims: &Rims, told: &Told) -> Option<Solved> {
    let (a, f) = (told.flat_mm, told.focal_mm);
    let s = f + told.outside_focus_mm;
    let px_per_tan = rims.primary.radius_px * 2.0 * s / told.aperture_mm;
    let tan = |rim: &Rim| rim.radius_px / px_per_tan;
    let b = rims.flat.as_ref().map(|r| 0.5 * a / tan(r));
    let d = told
        .draw_mm
        .zip(rims.draw.as_ref())
        .map(|(mm, r)| 0.5 * mm / tan(r));
    let front = told.front_clock_deg.map(|deg| {
        let (sin, cos) = deg.to_radians().sin_cos();
        Vector2::new(sin, cos)
    });
    let to = |rim: &Rim| {
        let at = Vector2::from(rim.at_px) / px_per_tan;
        direction(at, tan(rim))
    };
    let mut axis = to(&rims.primary);
    let mut answer = None;
    for _ in 0..5 {
        // Right and up stay those of the picture, to second order.
        let turn = Rotation3::rotation_between(&axis, &Vector3::z())?;
        let mut normal = Matrix6::<f64>::zeros();
        let mut right = [Vector6::<f64>::zeros(), Vector6::zeros()];
        let mut squares = 0.0;
        let mut add = |row: &[(usize, f64)], value: Vector2<f64>, sigma: f64| {
            let mut r = Vector6::zeros();
            for (i, x) in row {
                r[*i] += x;
            }
            let r = r / sigma;
            normal += r * r.transpose();
            squares += value.norm_squared() / sigma.powi(2);
            right[0] += r * (value.x / sigma);
            right[1] += r * (value.y / sigma);
        };
        let seen = |rim: &Rim| centre(turn * to(rim), tan(rim));
        let sigma = |rim: &Rim| {
            // What lies broad in the picture suffers most from a lens whose axis is elsewhere.
            (rim.sigma_px / px_per_tan).hypot(tan(rim).powi(2) * LENS_SIGMA)
        };
        let here = Vector2::zeros();
        // Wide beliefs, so that what nothing tells has a wide sigma.
        for (i, wide) in [(P, 1.0), (S, 50.0), (M, 200.0), (RIM, 200.0), (H, 50.0)] {
            add(&[(i, 1.0)], here, wide);
        }
        add(&[(E, 1.0)], here, PHONE_SHARE * told.hole_mm / 2.0);
        add(&[(M, 1.0), (RIM, -1.0)], here, MARK_SIGMA_MM);
        let r = &rims.primary;
        add(
            &[(P, 1.0), (RIM, 1.0 / s), (E, -1.0 / s)],
            seen(r),
            sigma(r),
        );
        if let Some(r) = &rims.mark {
            add(&[(P, 1.0), (M, 1.0 / s), (E, -1.0 / s)], seen(r), sigma(r));
        }
        if let (Some(r), Some(d)) = (&rims.draw, d) {
            add(&[(P, 1.0), (E, -1.0 / d)], seen(r), sigma(r));
        }
        if let (Some(r), Some(b)) = (&rims.flat, b) {
            let far = a * a / (4.0 * b * b);
            let (shift, doubt) = front.map_or((here, far), |u| (u * far, 0.0));
            let sigma = sigma(r).hypot(doubt);
            add(
                &[(P, 1.0), (S, 1.0 / b), (E, -1.0 / b)],
                seen(r) - shift,
                sigma,
            );
        }
        if let Some(r) = &rims.face {
            let g = (2.0 - s / f) * s;
            let row = [
                (P, 1.0),
                (M, 1.0 / s),
                (E, 1.0 / g - 1.0 / s),
                (H, -2.0 / g),
            ];
            add(&row, seen(r), sigma(r));
        }
        if let (Some(r), Some(b)) = (&rims.shadow, b) {
            let c = s - b;
            let k = (1.0 - c / f + c / s) * s;
            let row = [
                (P, 1.0),
                (M, 1.0 / s + (-1.0 + 2.0 * c / s - c / s) / k),
                (S, 1.0 / k),
                (H, -2.0 * c / s / k),
                (E, c / s / k - 1.0 / s),
            ];
            add(&row, seen(r), sigma(r).hypot(HOLDER_SIGMA_MM / s));
        }
        let inverse = normal.try_inverse()?;
        let x = [inverse * right[0], inverse * right[1]];
        let at = |i: usize| Vector2::new(x[0][i], x[1][i]);
        let of = |row: &[(usize, f64)]| {
            let mut r = Vector6::zeros();
            for (i, v) in row {
                r[*i] += v;
            }
            r.dot(&(inverse * r)).max(0.0).sqrt()
        };
        let share = b.unwrap_or(0.0) / s;
        let lag = b.map_or(0.0, |b| a * a / (4.0 * b));
        answer = Some(Solved {
            phone: at(E),
            flat: at(S) + front.map_or(here, |u| u * lag),
            mark: at(M),
            rim: at(RIM),
            optical: at(M) + (at(H) - at(M)) * (f / s),
            sigmas: [
                of(&[(E, 1.0)]),
                of(&[(S, 1.0)]).hypot(if front.is_some() { 0.0 } else { lag }),
                of(&[(M, 1.0)]),
                2.0 * of(&[(M, 1.0 - f / s), (H, f / s)]),
                of(&[(M, 1.0), (RIM, -1.0)]),
                of(&[(RIM, share), (S, -1.0)]),
            ],
            to_flat: b,
            chi2: squares - right[0].dot(&x[0]) - right[1].dot(&x[1]),
        });
        let p = at(P);
        axis = turn.inverse() * Vector3::new(p.x, p.y, 1.0).normalize();
    }
    answer
}
