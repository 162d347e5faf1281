//! From a stamp to what one stage of the fit works on: a window around the
//! light, perhaps with pixels joined, and the model that goes with it.
//!
//! The first stage is cheap: pixels joined until the donut is some sixteen
//! pixels in radius, one wavelength, a focal grid just fine enough for the
//! field. It walks most of the way. The last stage has every wavelength and
//! the camera's own pixels; its derivatives may still be computed more coarsely
//! than its pictures, because a derivative only points the way.

use super::{
    FitError, FitOptions, Start,
    model::{Fineness, Model, Sizes, State},
    solve::{A4, BLUR, FLUX, OWN, Picture, REGISTERED, SKY, STRETCH, X, Y},
};
use crate::frame::{Setup, Side, Stamp};
use optics::{REFERENCE_NM, pupil::Pupil, wavefront};

/// See [`tractable`].
pub(super) const MOST_WAVES: f64 = 30.0;

/// Radius, in joined pixels, that the donut keeps in the first stage.
const COARSE_RADIUS: f64 = 16.0;

/// A square part of a stamp, `join` x `join` pixels taken together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Window {
    /// Top left pixel.
    pub left: usize,
    pub top: usize,
    /// Pixels along one side, after joining.
    pub size: usize,
    pub join: usize,
    /// Side of the whole stamp.
    pub stamp: usize,
}

impl Window {
    /// The part of a stamp within `half` pixels of `centre`, cut at the stamp's
    /// edges but never smaller than the smaller of stamp and 12 joined pixels.
    pub fn around(stamp: usize, centre: [f64; 2], half: f64, join: usize) -> Self {
        let most = stamp / join;
        let size = ((2.0 * half / join as f64).ceil() as usize).clamp(12.min(most), most);
        let first = |c: f64| {
            let at = c - (size * join) as f64 / 2.0 + 0.5;
            at.round().clamp(0.0, (stamp - size * join) as f64) as usize
        };
        Self {
            left: first(centre[0]),
            top: first(centre[1]),
            size,
            join,
            stamp,
        }
    }

    /// A picture's own parameters as this window has them, from those of the
    /// whole stamp.
    pub fn enter(&self, own: &[f64]) -> [f64; OWN] {
        let b = self.join as f64;
        let mut out = [0.0; OWN];
        out.copy_from_slice(own);
        out[X] = (own[X] - self.left as f64 - (b - 1.0) / 2.0) / b;
        out[Y] = (own[Y] - self.top as f64 - (b - 1.0) / 2.0) / b;
        for i in [BLUR, STRETCH, STRETCH + 1] {
            out[i] = own[i] / b.powf(5.0 / 3.0);
        }
        out[FLUX] = own[FLUX] / (b * b);
        let (shift, share) = self.sky_geometry();
        out[SKY] = own[SKY] + own[SKY + 1] * shift[0] + own[SKY + 2] * shift[1];
        out[SKY + 1] = own[SKY + 1] * share;
        out[SKY + 2] = own[SKY + 2] * share;
        out
    }

    /// A place of the stamp as this window has it.
    fn enter_place(&self, at: [f64; 2]) -> [f64; 2] {
        let b = self.join as f64;
        let first = [self.left, self.top].map(|v| v as f64 + (b - 1.0) / 2.0);
        [0, 1].map(|k| (at[k] - first[k]) / b)
    }

    /// The reverse of [`Window::enter`].
    pub fn leave(&self, own: &[f64]) -> [f64; OWN] {
        let b = self.join as f64;
        let mut out = [0.0; OWN];
        out.copy_from_slice(own);
        out[X] = own[X] * b + (b - 1.0) / 2.0 + self.left as f64;
        out[Y] = own[Y] * b + (b - 1.0) / 2.0 + self.top as f64;
        for i in [BLUR, STRETCH, STRETCH + 1] {
            out[i] = own[i] * b.powf(5.0 / 3.0);
        }
        out[FLUX] = own[FLUX] * b * b;
        let (shift, share) = self.sky_geometry();
        out[SKY + 1] = own[SKY + 1] / share;
        out[SKY + 2] = own[SKY + 2] / share;
        out[SKY] = own[SKY] - out[SKY + 1] * shift[0] - out[SKY + 2] * shift[1];
        out
    }

    /// Where the window's middle lies in the stamp (shares of its side from its
    /// middle), and the window's side as a share of the stamp's.
    fn sky_geometry(&self) -> ([f64; 2], f64) {
        let (side, whole) = ((self.size * self.join) as f64, self.stamp as f64);
        let shift = |first: usize| (first as f64 + side / 2.0) / whole - 0.5;
        ([shift(self.left), shift(self.top)], side / whole)
    }

    /// Joined values and weights, column by column. `floor` is added to each
    /// pixel's sigma; it is alike in neighbours, so joining does not lessen it.
    pub fn cut(&self, stamp: &Stamp, floor: f64) -> (Vec<f32>, Vec<f32>) {
        let mut data = Vec::with_capacity(self.size * self.size);
        let mut root_weight = Vec::with_capacity(self.size * self.size);
        for x in 0..self.size {
            for y in 0..self.size {
                let (mut sum, mut variance, mut n) = (0.0, 0.0, 0.0);
                for row in 0..self.join {
                    let at =
                        (self.top + y * self.join + row) * self.stamp + self.left + x * self.join;
                    for i in at..at + self.join {
                        let (d, s) = (stamp.data[i], stamp.sigma[i]);
                        if d.is_finite() && s.is_finite() {
                            sum += d;
                            variance += s * s;
                            n += 1.0;
                        }
                    }
                }
                let sigma = if n > 0.0 {
                    (variance / (n * n)).sqrt().hypot(floor)
                } else {
                    0.0
                };
                data.push(if n > 0.0 { (sum / n) as f32 } else { 0.0 });
                root_weight.push(if sigma > 0.0 {
                    (1.0 / sigma) as f32
                } else {
                    0.0
                });
            }
        }
        (data, root_weight)
    }

    /// Lays a picture of this window (column by column, not joined) into a
    /// whole stamp, row by row; `outside` gives what stands around it.
    pub fn lay<T: Copy>(&self, picture: &[T], outside: impl Fn(usize) -> T) -> Vec<T> {
        let mut out: Vec<T> = (0..self.stamp * self.stamp).map(outside).collect();
        for x in 0..self.size {
            for y in 0..self.size {
                out[(self.top + y) * self.stamp + self.left + x] = picture[x * self.size + y];
            }
        }
        out
    }
}

/// Level of the donut above the sky, for the model floor: from the middle of
/// the ring and from beyond it.
pub(super) fn level(stamp: &Stamp, start: &Start) -> f64 {
    let (mut ring, mut beyond) = (Vec::new(), Vec::new());
    for (i, &v) in stamp.data.iter().enumerate().filter(|(_, v)| v.is_finite()) {
        let (x, y) = ((i % stamp.size) as f64, (i / stamp.size) as f64);
        let r = (x - start.centre_px[0]).hypot(y - start.centre_px[1]) / start.outer_radius_px;
        if (0.5..0.9).contains(&r) {
            ring.push(v);
        } else if r > 1.2 {
            beyond.push(v);
        }
    }
    let middle = |v: &mut Vec<f64>| {
        let k = v.len() / 2;
        if v.is_empty() {
            0.0
        } else {
            *v.select_nth_unstable_by(k, f64::total_cmp).1
        }
    };
    (middle(&mut ring) - middle(&mut beyond)).abs()
}

/// Where the ray through a point of the pupil falls, stamp pixels.
pub(super) fn ray(setup: &Setup, modes: &[usize], state: &State, pupil: [f64; 2]) -> [f64; 2] {
    let scale = 2.0 * setup.focal_mm / setup.aperture_mm * REFERENCE_NM * 1e-3 / setup.pixel_um;
    let mut w = wavefront::Wavefront::flat();
    for (&j, &a) in modes.iter().zip(&state.waves) {
        w.set(j, a);
    }
    let ([u, v], h) = (pupil, 1e-4);
    [
        state.at[0] + scale * (w.at(u + h, v) - w.at(u - h, v)) / (2.0 * h),
        // Rows run downwards.
        state.at[1] - scale * (w.at(u, v + h) - w.at(u, v - h)) / (2.0 * h),
    ]
}

/// The box, around (x, y) of the chief ray, that the rays of a state fill:
/// centre and half side, stamp pixels.
pub(super) fn ray_box(setup: &Setup, modes: &[usize], state: &State) -> ([f64; 2], f64) {
    let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
    for ring in [0.4, 0.7, 1.0] {
        for k in 0..24 {
            let (s, c) = (std::f64::consts::TAU * f64::from(k) / 24.0).sin_cos();
            let at = ray(setup, modes, state, [ring * c, ring * s]);
            for a in 0..2 {
                low[a] = f64::min(low[a], at[a]);
                high[a] = f64::max(high[a], at[a]);
            }
        }
    }
    let half = (high[0] - low[0]).max(high[1] - low[1]) / 2.0;
    ([(low[0] + high[0]) / 2.0, (low[1] + high[1]) / 2.0], half)
}

/// A stage's picture: window (one may be given), data, models.
#[expect(
    clippy::too_many_arguments,
    reason = "all of it differs from call to call"
)]
pub(super) fn picture(
    stamp: &Stamp,
    setup: &Setup,
    pupil: &Pupil,
    modes: &[usize],
    state: &State,
    floor: f64,
    kind: Kind,
    window: Option<Window>,
) -> (Window, Picture) {
    let (centre, rays) = ray_box(setup, modes, state);
    let setup = &tractable(setup, state);
    let ratio = setup.focal_mm / setup.aperture_mm;
    let unit = setup.wavelength_nm * 1e-3 * ratio / setup.pixel_um;
    let fwhm = state.blur.powf(0.6);
    let half = rays * 1.06 + 3.0 * unit + 1.5 * fwhm + 2.0;
    let join = match kind {
        Kind::Sketch { radius } => ((rays / radius) as usize).clamp(1, stamp.size / 12),
        Kind::Coarse => ((rays / COARSE_RADIUS) as usize).clamp(1, stamp.size / 12),
        Kind::Fine { .. } => 1,
    };
    let window = window.unwrap_or_else(|| Window::around(stamp.size, centre, half, join));
    let (data, root_weight) = window.cut(stamp, floor);
    let mut here = setup.clone();
    here.pixel_um *= join as f64;
    let model = |cells_per_lambda_n, lines| {
        let fineness = Fineness {
            cells_per_lambda_n,
            lines,
        };
        // No light is sought further off than the stamp is wide.
        let reach = half.min(stamp.size as f64) / join as f64;
        Model::new(&here, pupil.clone(), modes, window.size, reach, fineness)
    };
    let (model, sloper) = match kind {
        Kind::Coarse => (model(1.05, 1), None),
        Kind::Sketch { .. } => (model(1.05, 3), Some(model(1.05, 1))),
        Kind::Fine { lines } => {
            // Where the blur hides detail of lambda N and finer, folding of
            // such detail does no harm.
            let (for_pictures, for_slopes) = if fwhm > 1.2 * unit {
                (1.35, 1.1)
            } else {
                (1.8, 1.3)
            };
            (
                model(for_pictures, lines),
                Some(model(for_slopes, slope_lines(lines))),
            )
        }
    };
    (
        window,
        Picture {
            model,
            sloper,
            data,
            root_weight,
            registered: registered(stamp.frames),
            disc: {
                let at = window.enter_place(centre);
                [at[0], at[1], rays / join as f64]
            },
        },
    )
}

/// What is believed of how much of the blur is a short exposure's: a few exposures keep
/// their tilt, and what blurs them may be no air at all; many were put on their places,
/// some better than others.
fn registered(frames: usize) -> [f64; 2] {
    if frames < MANY {
        [0.0, 4.0]
    } else {
        [0.5, 1.0]
    }
}

/// So many frames average the air.
const MANY: usize = 6;

/// Fewer wavelengths do for derivatives; an odd number has the middle of the band.
fn slope_lines(lines: usize) -> usize {
    if lines < 3 { lines } else { (lines / 2) | 1 }.max(lines.min(3))
}

/// See [`super::picture_of`].
pub(super) fn picture_of(
    setup: &Setup,
    wavefront: &wavefront::Wavefront,
    at: [f64; 2],
    fwhm_px: f64,
    size: usize,
) -> Result<Vec<f64>, FitError> {
    let modes: Vec<usize> = (wavefront::FIRST..=wavefront::LAST).collect();
    let state = State {
        waves: modes.iter().map(|&j| wavefront.get(j)).collect(),
        shadow: [0.0, 0.0, setup.obstruction],
        at,
        blur: fwhm_px.max(0.0).powf(5.0 / 3.0),
        stretch: [0.0; 2],
        registered: 0.0,
        narrowing: 0.0,
        sizes: Sizes::default(),
    };
    if !(4..=2048).contains(&size) || !at.iter().chain(&state.waves).all(|v| v.is_finite()) {
        return Err(FitError::Input(
            "a picture needs 4 to 2048 pixels and finite numbers".into(),
        ));
    }
    let setup = &tractable(setup, &state);
    let (centre, rays) = ray_box(setup, &modes, &state);
    // Far enough that light does not come back in from the other side.
    let off = (centre[0] - state.at[0])
        .abs()
        .max((centre[1] - state.at[1]).abs());
    let reach = (1.2 * (rays + off) + 2.0 * fwhm_px).min(2.0 * size as f64);
    let lines = lines(
        setup,
        wavefront::w020_from_a4(state.waves[0]),
        &FitOptions::default(),
    );
    let fineness = Fineness {
        cells_per_lambda_n: 2.0,
        lines,
    };
    let mut model = Model::new(
        setup,
        pupil(setup, setup.side),
        &modes,
        size,
        reach,
        fineness,
    );
    let image: Vec<f64> = model.image(&state).into_iter().map(f64::from).collect();
    Ok((0..size * size)
        .map(|i| image[(i % size) * size + i / size])
        .collect())
}

/// Beyond [`MOST_WAVES`] of defocus the light is computed at a longer wavelength
/// that brings it down to that. The wavefront is a length, so the rays and with
/// them all the donut's geometry stay; only the rings of diffraction come out
/// coarser than they are, and in pictures so far out of focus the air has
/// washed those out.
fn tractable(setup: &Setup, state: &State) -> Setup {
    let stretch = (wavefront::w020_from_a4(state.waves[0]).abs() / MOST_WAVES).max(1.0);
    Setup {
        wavelength_nm: setup.wavelength_nm * stretch,
        bandwidth_nm: setup.bandwidth_nm * stretch,
        ..setup.clone()
    }
}

/// Which stage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Kind {
    Coarse,
    /// As coarse, but with the band, and joined until the donut has this radius.
    Sketch {
        radius: f64,
    },
    Fine {
        lines: usize,
    },
}

/// Wavelengths across the band: rings of neighbouring ones may slip by about a
/// ring.
pub(super) fn lines(setup: &Setup, w020: f64, options: &FitOptions) -> usize {
    let slip = w020.abs() * REFERENCE_NM * setup.bandwidth_nm / setup.wavelength_nm.powi(2);
    options.wavelengths.unwrap_or_else(|| {
        if setup.bandwidth_nm <= 0.0 {
            1
        } else {
            ((2 + (0.8 * slip).ceil() as usize) | 1).clamp(3, 9)
        }
    })
}

/// Size of the defocus a start stands for, waves at 550 nm.
pub(super) fn start_w020(setup: &Setup, start: &Start) -> f64 {
    let radius_nm = start.outer_radius_px * setup.pixel_um * 1e3;
    wavefront::w020_from_radius(radius_nm, setup.focal_mm / setup.aperture_mm) / REFERENCE_NM
}

/// The picture's own parameters from the geometric estimate, its defocus scaled.
pub(super) fn own_start(
    setup: &Setup,
    start: &Start,
    side: Side,
    coma: [f64; 2],
    scale: f64,
    frames: usize,
) -> [f64; OWN] {
    let sign = if side == Side::Inside { -1.0 } else { 1.0 };
    let ratio = setup.focal_mm / setup.aperture_mm;
    let w020 = scale * start_w020(setup, start);
    // The outer edge lies dW/dr at r = 1 away from the chief ray.
    let shift = 2.0 * ratio * REFERENCE_NM * 1e-3 / setup.pixel_um * 7.0 * 8f64.sqrt();
    let mut own = [0.0; OWN];
    own[A4] = sign * wavefront::a4_from_w020(w020);
    own[X] = start.centre_px[0] - shift * coma[0];
    own[Y] = start.centre_px[1] + shift * coma[1];
    // A fifteenth of the donut: enough to soften the rings at first.
    own[BLUR] = (start.outer_radius_px / 15.0).powf(5.0 / 3.0);
    own[REGISTERED] = registered(frames)[0];
    own
}

/// The pupil in outside-picture coordinates; the vanes' direction was read in a
/// picture taken on the side `read`.
pub(super) fn pupil(setup: &Setup, read: Side) -> Pupil {
    let pupil = Pupil::annular(setup.obstruction);
    match setup.vanes {
        Some(v) => {
            let turn = if read == Side::Inside { 180.0 } else { 0.0 };
            pupil.with_vanes(
                v.count,
                2.0 * v.width_mm / setup.aperture_mm,
                v.clock_deg + turn,
            )
        }
        None => pupil,
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]
    use super::*;

    #[test]
    fn a_window_gives_parameters_back() {
        let w = Window::around(100, [40.0, 61.0], 30.0, 3);
        assert_eq!((w.size, w.join), (20, 3));
        let mut own = [0.0; OWN];
        own[..11].copy_from_slice(&[1.0, 41.0, 60.0, 5.0, 1000.0, 7.0, 0.3, -0.2, 0.6, -0.4, 0.5]);
        let back = w.leave(&w.enter(&own));
        for (a, b) in own.iter().zip(back) {
            assert!((a - b).abs() < 1e-9, "{a} {b}");
        }
    }

    #[test]
    fn joining_keeps_the_mean_and_shrinks_the_noise() {
        let stamp = Stamp {
            size: 24,
            data: vec![5.0; 576],
            sigma: vec![2.0; 576],
            frames: 1,
        };
        let w = Window::around(24, [11.5, 11.5], 12.0, 2);
        let (data, weight) = w.cut(&stamp, 0.0);
        assert_eq!(data.len(), 144);
        assert!(data.iter().all(|d| (*d - 5.0).abs() < 1e-6));
        assert!(weight.iter().all(|w| (*w - 1.0).abs() < 1e-6));
    }
}
