//! The forward model: coefficients in, pixels out, with every derivative.
//!
//! For each of a few wavelengths the field is U = FT[P exp(2 pi i W)] and the
//! picture |U|^2; with V_j = FT[Z_j P exp(2 pi i W)] the derivative by the
//! coefficient of Z_j is -4 pi Im[conj(U) V_j] (times 550/lambda). The pictures
//! of all wavelengths are summed and pass one filter: the Kolmogorov blur
//! exp(-k(f) c) with c = fwhm^(5/3), the pixel's own sinc, and the phase ramp
//! that puts the star where it is. The filter is linear, so derivatives take the
//! same road, two at a time as the real and imaginary part of one array.
//!
//! Two grids share one field of view of `detector.size` pixels: a focal grid
//! of `focal.size` cells on which |U|^2 is formed, and the detector's pixels.
//! The spectrum is carried over from one to the other, zero-padded or folded:
//! folding is what a pixel that is coarser than the picture's detail does.
//!
//! Pixels are kept column by column here (index x * size + y), because that is
//! how an odd number of transpositions leaves them.

mod adjoint;

use super::line::{BY_BAND, Line, spectrum, weights};
use crate::frame::Setup;
use optics::{
    REFERENCE_NM,
    fourier::{Scratch, Square, fast_size, signed},
    pupil::Pupil,
    seeing,
};
use rayon::prelude::*;
use rustfft::num_complex::Complex32;
use std::{
    f64::consts::TAU,
    sync::{
        Arc, Mutex,
        atomic::{AtomicUsize, Ordering},
    },
};

/// What the fit may turn, for one picture.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct State {
    /// Coefficients, waves at 550 nm, one for each of [`Model::modes`].
    pub waves: Vec<f64>,
    /// Shadow decentre (u, v) and obstruction.
    pub shadow: [f64; 3],
    /// Where untilted light falls: pixels from the centre of the top left one.
    pub at: [f64; 2],
    /// fwhm^(5/3) of the blur, fwhm in pixels.
    pub blur: f64,
    /// How the blur differs with direction: along a direction at the angle t
    /// from x (y down) it is `blur` + stretch[0] cos 2t + stretch[1] sin 2t.
    pub stretch: [f64; 2],
    /// Share of Fried's short-exposure correction in the blur: 0 for long exposures, 1
    /// where every exposure was put on its own place before the sum.
    pub registered: f64,
    /// By how much the band is narrower than told, see [`weights`].
    pub narrowing: f64,
    /// How the picture's scale differs from the setup's.
    pub sizes: Sizes,
}

/// What scale and band are, beside what the model was planned with.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Sizes {
    /// Natural logarithm of the scale (pixels to an angle) over the planned one.
    pub scale: f64,
    /// How the scale differs with direction: x is stretched by 1 + unequal[0] and y
    /// squeezed by as much, unequal[1] the same along the diagonals (y up).
    pub unequal: [f64; 2],
    /// Natural logarithm of the band's wavelengths over the planned ones.
    pub colour: f64,
}

/// Derivatives of the picture of a star of flux 1.
pub(super) struct Slopes {
    pub image: Vec<f32>,
    /// One for each of [`Model::modes`].
    pub waves: Vec<Vec<f32>>,
    /// By the shadow's u, v and radius; empty unless asked for.
    pub shadow: Vec<Vec<f32>>,
    pub at: [Vec<f32>; 2],
    pub blur: Vec<f32>,
    pub stretch: [Vec<f32>; 2],
    pub registered: Vec<f32>,
    pub narrowing: Vec<f32>,
}

/// Arrays for one thread's work, kept between pictures.
#[derive(Default)]
struct Workspace {
    scratch: Scratch,
    pixel_scratch: Scratch,
    /// Focal side squared.
    field: Vec<Complex32>,
    sum: Vec<Complex32>,
    /// Detector side squared.
    pixels: Vec<Complex32>,
}

/// What the last picture was made of.
#[derive(Clone)]
struct Last {
    state: State,
    image: Vec<f32>,
    functions: Vec<Vec<Complex32>>,
    fields: Vec<Vec<Complex32>>,
    /// Spectrum of the sum of all wavelengths' light.
    spectrum: Vec<Complex32>,
}

/// How finely to compute.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Fineness {
    /// Focal cells per lambda N at the shortest wavelength; 2 is without
    /// aliasing, less is enough where the blur removes fine detail.
    pub cells_per_lambda_n: f64,
    /// Wavelengths across the band.
    pub lines: usize,
}

#[derive(Clone)]
pub(super) struct Model {
    pub modes: Vec<usize>,
    pub size: usize,
    focal: Square,
    detector: Square,
    lines: Vec<Line>,
    /// Wavelength (nm), place in the band and weight of each line.
    spectrum: Vec<(f64, [f64; 2])>,
    /// lambda N in pixels over lambda in nm, as planned.
    unit_per_nm: f64,
    sizes: Sizes,
    pupil: Pupil,
    bins: Vec<Bin>,
    /// k(f) of the blur for each distinct radius of a bin.
    exponents: Vec<f64>,
    /// Cube root of that radius over the optics' cut-off.
    thirds: Vec<f64>,
    spare: Arc<Mutex<Vec<Workspace>>>,
    last: Option<Last>,
    /// Two-dimensional transforms made so far.
    transforms: Transforms,
}

/// Counts transforms; a copy of a model begins anew.
#[derive(Default)]
struct Transforms(AtomicUsize);

impl Clone for Transforms {
    fn clone(&self) -> Self {
        Self::default()
    }
}

impl Model {
    /// Plans a model for stamps of `size` pixels with the given `pupil` and free
    /// `modes`. `reach_px` is the radius the light may reach from the star.
    pub fn new(
        setup: &Setup,
        pupil: Pupil,
        modes: &[usize],
        size: usize,
        reach_px: f64,
        fineness: Fineness,
    ) -> Self {
        let ratio = setup.focal_mm / setup.aperture_mm;
        let spectrum = spectrum(setup, fineness.lines);
        let shortest = spectrum.iter().map(|l| l.0).fold(f64::INFINITY, f64::min);
        let view = fast_size(size.max((2.0 * reach_px).ceil() as usize));
        // The shortest wavelength's lambda N in pixels.
        let unit = shortest * 1e-3 * ratio / setup.pixel_um;
        let focal = fast_size((fineness.cells_per_lambda_n * view as f64 / unit).ceil() as usize);
        let mut model = Self {
            modes: modes.to_vec(),
            size,
            focal: Square::new(focal),
            detector: Square::new(view),
            lines: Vec::new(),
            spectrum,
            unit_per_nm: 1e-3 * ratio / setup.pixel_um,
            sizes: Sizes::default(),
            pupil,
            bins: Vec::new(),
            exponents: Vec::new(),
            thirds: Vec::new(),
            spare: Arc::default(),
            last: None,
            transforms: Transforms::default(),
        };
        model.lay_lines();
        model.plan_filter();
        model.draw();
        model
    }

    /// Lays each wavelength's pupil on the grid that belongs to the sizes.
    fn lay_lines(&mut self) {
        let Sizes {
            scale,
            unequal,
            colour,
        } = self.sizes;
        let (view, focal) = (self.detector.size as f64, self.focal.size);
        let (pupil, modes) = (&self.pupil, &self.modes);
        self.lines = self
            .spectrum
            .par_iter()
            .map(|&(nm, weight)| {
                let nm = nm * colour.exp();
                let unit = nm * self.unit_per_nm * scale.exp();
                let cell = 2.0 * unit / view;
                Line::new(
                    pupil,
                    weight,
                    REFERENCE_NM / nm,
                    cell,
                    focal,
                    modes,
                    unequal,
                )
            })
            .collect();
    }

    /// Side of the focal grid.
    pub fn focal_size(&self) -> usize {
        self.focal.size
    }

    /// Two-dimensional transforms made since this was last asked.
    pub fn take_transforms(&self) -> usize {
        self.transforms.0.swap(0, Ordering::Relaxed)
    }

    fn draw(&mut self) {
        let pupil = &self.pupil;
        self.lines.par_iter_mut().for_each(|l| l.draw(pupil));
    }

    /// Takes over the shadow's place and size and the picture's scale, if they changed.
    fn follow(&mut self, state: &State) {
        let resized = self.sizes != state.sizes;
        if resized {
            self.sizes = state.sizes;
            self.lay_lines();
        }
        let (p, [u, v, eps]) = (&mut self.pupil, state.shadow);
        if resized || p.shadow != [u, v] || p.obstruction != eps {
            p.shadow = [u, v];
            p.obstruction = eps;
            self.draw();
        }
    }

    /// Puts another pupil in the place of the one there is.
    pub fn wear(&mut self, pupil: Pupil) {
        self.lines.par_iter_mut().for_each(|l| l.open_by(&pupil));
        self.pupil = pupil;
        self.draw();
        self.last = None;
    }

    fn count(&self, n: usize) {
        self.transforms.0.fetch_add(n, Ordering::Relaxed);
    }

    fn workspace(&self) -> Workspace {
        let kept = self.spare.lock().ok().and_then(|mut s| s.pop());
        kept.unwrap_or_default()
    }

    fn give_back(&self, workspace: Workspace) {
        if let Ok(mut spare) = self.spare.lock() {
            spare.push(workspace);
        }
    }

    /// The picture of a star of flux 1.
    pub fn image(&mut self, state: &State) -> Vec<f32> {
        self.follow(state);
        let filter = self.filter(state);
        let mut work = self.workspace();
        let functions = self.pupil_functions(state);
        let fields = self.spectrum_of_image(&functions, state, &mut work);
        let Workspace {
            pixel_scratch,
            sum,
            pixels,
            ..
        } = &mut work;
        let one = |_: &Bin| Complex32::new(1.0, 0.0);
        let (image, _) = self.to_detector(sum, &filter, one, pixels, pixel_scratch);
        self.count(1);
        let spectrum = std::mem::take(&mut work.sum);
        self.give_back(work);
        self.last = Some(Last {
            state: state.clone(),
            image: image.clone(),
            functions,
            fields,
            spectrum,
        });
        image
    }

    /// [`Model::image`], kept from the last time where that was of the same state.
    pub fn image_again(&mut self, state: &State) -> Vec<f32> {
        match &self.last {
            Some(last) if last.state == *state => last.image.clone(),
            _ => self.image(state),
        }
    }

    /// The picture and its derivatives; `by_shadow` says by which of the
    /// shadow's u, v and radius.
    pub fn slopes(&mut self, state: &State, by_shadow: std::ops::Range<usize>) -> Slopes {
        self.follow(state);
        let filter = self.filter(state);
        let functions = self.pupil_functions(state);
        let mut work = self.workspace();
        let fields = self.spectrum_of_image(&functions, state, &mut work);
        let Workspace {
            pixel_scratch,
            sum,
            pixels,
            ..
        } = &mut work;
        let exponent = |b: &Bin| self.exponents[b.radius as usize] as f32;
        let third = |b: &Bin| self.thirds[b.radius as usize] as f32;
        let (blurred, tilt) = (state.blur as f32, state.registered as f32);
        let (image, blur) = self.to_detector(
            sum,
            &filter,
            |b| Complex32::new(1.0, -exponent(b) * (1.0 - tilt * third(b))),
            pixels,
            pixel_scratch,
        );
        let by_place = self.by_place();
        let (dx, dy) = self.to_detector(sum, &filter, by_place, pixels, pixel_scratch);
        let by_stretch =
            |b: &Bin| Complex32::new(-exponent(b) * b.twice[0], -exponent(b) * b.twice[1]);
        let (along, across) = self.to_detector(sum, &filter, by_stretch, pixels, pixel_scratch);
        let by_tilt = |b: &Bin| Complex32::new(exponent(b) * third(b) * blurred, 0.0);
        let (registered, _) = self.to_detector(sum, &filter, by_tilt, pixels, pixel_scratch);
        self.count(4);
        self.give_back(work);

        let modes = self.modes.len();
        let narrowing = (self.lines.len() > 1).then_some(modes + BY_BAND);
        let which: Vec<usize> = (0..modes)
            .chain(by_shadow.map(|k| modes + k))
            .chain(narrowing)
            .collect();
        let mut columns = self.columns(&functions, &fields, state, &filter, &which);
        let narrowing = narrowing
            .and_then(|_| columns.pop())
            .unwrap_or_else(|| vec![0.0; self.size * self.size]);
        let shadow = columns.split_off(modes);
        Slopes {
            image,
            waves: columns,
            shadow,
            at: [dx, dy],
            blur,
            stretch: [along, across],
            registered,
            narrowing,
        }
    }

    /// What makes of a spectrum the picture's derivatives by x and by y.
    fn by_place(&self) -> impl Fn(&Bin) -> Complex32 + use<> {
        let turn = std::f32::consts::TAU / self.detector.size as f32;
        let m = self.focal.size;
        let at = move |k: u16| turn * signed(k as usize, m) as f32;
        // By x: -2 pi i kx / n; by y the same, a quarter turn on in the array.
        move |b: &Bin| Complex32::new(at(b.row), -at(b.column))
    }

    /// Some of the derivatives alone: `which` counts as in [`Model::columns`].
    pub fn some_slopes(&mut self, state: &State, which: &[usize]) -> Vec<Vec<f32>> {
        self.follow(state);
        let filter = self.filter(state);
        let functions = self.pupil_functions(state);
        let mut work = self.workspace();
        let fields = self.spectrum_of_image(&functions, state, &mut work);
        self.give_back(work);
        self.columns(&functions, &fields, state, &filter, which)
    }

    /// Derivatives by the coefficients of further modes, and by the place (u, v) of the rim.
    pub fn slopes_beyond(&self, state: &State, further: &[usize]) -> Vec<Vec<f32>> {
        let mut model = self.clone();
        model.sizes = state.sizes;
        model.modes.extend(further);
        model.lay_lines();
        model.draw();
        let mut state = state.clone();
        state.waves.extend(further.iter().map(|_| 0.0));
        let (first, last) = (self.modes.len(), model.modes.len());
        let rim = last + BY_BAND + 1;
        let which: Vec<usize> = (first..last).chain(rim..rim + 2).collect();
        model.some_slopes(&state, &which)
    }

    /// The derivatives by the shadow's place alone.
    pub fn slopes_by_shadow(&mut self, state: &State) -> Vec<Vec<f32>> {
        let modes = self.modes.len();
        self.some_slopes(state, &[modes, modes + 1])
    }

    /// Derivatives by the coefficients (0 to the number of modes), by the
    /// shadow (the three after them) and by the band's narrowing.
    fn columns(
        &self,
        functions: &[Vec<Complex32>],
        fields: &[Vec<Complex32>],
        state: &State,
        filter: &[Complex32],
        which: &[usize],
    ) -> Vec<Vec<f32>> {
        let weights = weights(&self.lines, state.narrowing);
        let (modes, cells) = (self.modes.len(), self.focal.size.pow(2));
        which
            .par_chunks(2)
            .flat_map_iter(|pair| {
                let mut work = self.workspace();
                let Workspace {
                    scratch,
                    pixel_scratch,
                    field,
                    sum,
                    pixels,
                } = &mut work;
                field.resize(cells, Complex32::default());
                sum.clear();
                sum.resize(cells, Complex32::default());
                for (part, &k) in pair.iter().enumerate() {
                    for (((line, a), u), w) in
                        self.lines.iter().zip(functions).zip(fields).zip(&weights)
                    {
                        if k == modes + BY_BAND {
                            let gain = line.gain(w[1], self.focal.size);
                            for (s, z) in sum.iter_mut().zip(u) {
                                let v = gain * z.norm_sqr();
                                if part == 0 { s.re += v } else { s.im += v }
                            }
                            continue;
                        }
                        let gain = line.gain(w[0], self.focal.size);
                        line.slope_field(a, k, modes, self.focal.size, field);
                        self.focal.forward(field, line.rows, scratch);
                        line.add_slope(u, field, k >= modes, gain, part, sum);
                    }
                }
                self.focal.forward(sum, self.focal.size, scratch);
                let one = |_: &Bin| Complex32::new(1.0, 0.0);
                let (a, b) = self.to_detector(sum, filter, one, pixels, pixel_scratch);
                self.count(pair.len() * self.lines.len() + 2);
                self.give_back(work);
                if pair.len() == 2 { vec![a, b] } else { vec![a] }
            })
            .collect()
    }

    fn pupil_functions(&self, state: &State) -> Vec<Vec<Complex32>> {
        self.lines
            .iter()
            .map(|line| line.pupil_function(&state.waves))
            .collect()
    }

    /// Leaves the spectrum of |U|^2, summed over wavelengths, in `work.sum`, and
    /// hands back the fields U.
    fn spectrum_of_image(
        &self,
        functions: &[Vec<Complex32>],
        state: &State,
        work: &mut Workspace,
    ) -> Vec<Vec<Complex32>> {
        let m = self.focal.size;
        let fields: Vec<Vec<Complex32>> = self
            .lines
            .par_iter()
            .zip(functions)
            .map(|(line, a)| {
                let mut mine = self.workspace();
                let mut u = vec![Complex32::default(); m * m];
                for (&i, &z) in line.index.iter().zip(a) {
                    u[i as usize] = z;
                }
                self.focal.forward(&mut u, line.rows, &mut mine.scratch);
                self.give_back(mine);
                u
            })
            .collect();
        work.sum.clear();
        work.sum.resize(m * m, Complex32::default());
        let weights = weights(&self.lines, state.narrowing);
        for ((line, u), weight) in self.lines.iter().zip(&fields).zip(&weights) {
            let w = line.gain(weight[0], m);
            for (s, z) in work.sum.iter_mut().zip(u) {
                s.re += w * z.norm_sqr();
            }
        }
        self.focal.forward(&mut work.sum, m, &mut work.scratch);
        self.count(self.lines.len() + 1);
        fields
    }

    /// Lists the frequencies the optics and the pixel let through.
    fn plan_filter(&mut self) {
        let (m, n) = (self.focal.size, self.detector.size);
        let half = m.div_ceil(2) as i64;
        // Beyond the optics' cut-off |U|^2 has nothing but the grid's noise.
        let cut = self.lines.iter().map(|l| 2.0 / l.cell).fold(0.0, f64::max) + 2.0;
        let sinc = |k: i64| {
            let x = std::f64::consts::PI * k as f64 / n as f64;
            if k == 0 { 1.0 } else { x.sin() / x }
        };
        let optics = self.lines.iter().map(|l| 2.0 / l.cell).sum::<f64>() / self.lines.len() as f64;
        let mut known = vec![u32::MAX; 2 * (m / 2 + 1).pow(2)];
        let shape: Vec<f64> = (0..m).map(|k| sinc(signed(k, m))).collect();
        for row in 0..m {
            for column in 0..m {
                let (kx, ky) = (signed(column, m), signed(row, m));
                let k2 = kx * kx + ky * ky;
                let base = shape[column] * shape[row] / (n * n) as f64;
                if kx == -half || ky == -half || k2 as f64 > cut * cut || base == 0.0 {
                    continue;
                }
                let radius = &mut known[k2 as usize];
                if *radius == u32::MAX {
                    *radius = self.exponents.len() as u32;
                    self.exponents
                        .push(seeing::transfer_exponent((k2 as f64).sqrt() / n as f64));
                    self.thirds
                        .push(((k2 as f64).sqrt() / optics).min(1.0).cbrt());
                }
                let side = n as i64;
                self.bins.push(Bin {
                    from: (row * m + column) as u32,
                    to: (ky.rem_euclid(side) * side + kx.rem_euclid(side)) as u32,
                    column: column as u16,
                    row: row as u16,
                    radius: *radius,
                    base: base as f32,
                    twice: [
                        ((kx * kx - ky * ky) as f64 / k2.max(1) as f64) as f32,
                        ((2 * kx * ky) as f64 / k2.max(1) as f64) as f32,
                    ],
                });
            }
        }
    }

    /// The filter at each of [`Model::bins`].
    fn filter(&self, state: &State) -> Vec<Complex32> {
        let (m, n) = (self.focal.size, self.detector.size as f64);
        let ramp = |shift: f64| -> Vec<Complex32> {
            (0..m)
                .map(|k| {
                    let (s, c) = (-TAU * signed(k, m) as f64 / n * shift).sin_cos();
                    Complex32::new(c as f32, s as f32)
                })
                .collect()
        };
        let (x, y) = (ramp(state.at[0]), ramp(state.at[1]));
        let blur: Vec<f32> = self
            .exponents
            .iter()
            .zip(&self.thirds)
            .map(|(e, t)| (-e * (1.0 - state.registered * t) * state.blur).exp() as f32)
            .collect();
        let round = state.stretch == [0.0; 2];
        let [along, across] = state.stretch.map(|v| v as f32);
        self.bins
            .iter()
            .map(|b| {
                let mut pass = b.base * blur[b.radius as usize];
                if !round {
                    let k = self.exponents[b.radius as usize] as f32;
                    pass *= (-k * (along * b.twice[0] + across * b.twice[1])).exp();
                }
                x[b.column as usize] * y[b.row as usize] * pass
            })
            .collect()
    }

    /// Takes a spectrum through the filter, times `factor`, to pixels; the real
    /// and the imaginary part are two pictures.
    fn to_detector(
        &self,
        spectrum: &[Complex32],
        filter: &[Complex32],
        factor: impl Fn(&Bin) -> Complex32,
        array: &mut Vec<Complex32>,
        scratch: &mut Scratch,
    ) -> (Vec<f32>, Vec<f32>) {
        let n = self.detector.size;
        array.clear();
        array.resize(n * n, Complex32::default());
        for (b, h) in self.bins.iter().zip(filter) {
            array[b.to as usize] += spectrum[b.from as usize] * h * factor(b);
        }
        self.detector.inverse(array, self.size, scratch);
        let mut out = (
            Vec::with_capacity(self.size.pow(2)),
            Vec::with_capacity(self.size.pow(2)),
        );
        for x in 0..self.size {
            for z in &array[x * n..x * n + self.size] {
                out.0.push(z.re);
                out.1.push(z.im);
            }
        }
        out
    }
}

/// One frequency of the filter.
#[derive(Clone)]
struct Bin {
    /// Place in the focal spectrum and in the detector's.
    from: u32,
    to: u32,
    /// Column and row in the focal spectrum.
    column: u16,
    row: u16,
    /// Index into [`Model::exponents`].
    radius: u32,
    /// The pixel's transfer, over the number of pixels.
    base: f32,
    /// Cosine and sine of twice its direction.
    twice: [f32; 2],
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]
    use super::*;
    use crate::frame::Side;

    const SIZE: usize = 40;

    fn model() -> Model {
        model_of(SIZE, 22.0)
    }

    fn model_of(size: usize, reach: f64) -> Model {
        let setup = Setup {
            aperture_mm: 200.0,
            focal_mm: 1600.0,
            obstruction: 0.3,
            pixel_um: 4.4,
            wavelength_nm: 550.0,
            bandwidth_nm: 80.0,
            side: Side::Outside,
            vanes: None,
        };
        let fineness = Fineness {
            cells_per_lambda_n: 2.0,
            lines: 3,
        };
        let modes: Vec<usize> = (4..=15).collect();
        Model::new(&setup, Pupil::annular(0.3), &modes, size, reach, fineness)
    }

    fn state() -> State {
        let mut waves = vec![0.02; 12];
        waves[0] = 1.2;
        waves[4] = -0.06;
        State {
            waves,
            shadow: [0.01, -0.02, 0.3],
            at: [19.2, 20.4],
            blur: 2.0,
            stretch: [0.3, -0.4],
            registered: 0.4,
            narrowing: 0.3,
            sizes: Sizes::default(),
        }
    }

    /// The donut is 33 pixels across; rings of diffraction and the wings of the
    /// air's blur carry one part in forty of the light beyond a stamp of 40.
    #[test]
    fn all_light_arrives() {
        const WIDE: usize = 120;
        let off = (WIDE - SIZE) / 2;
        let mut shifted = state();
        shifted.at = shifted.at.map(|v| v + off as f64);
        let wide = model_of(WIDE, 60.0).image(&shifted);
        let all: f64 = wide.iter().map(|v| f64::from(*v)).sum();
        assert!((all - 1.0).abs() < 1e-4, "{all}");
        let near = model().image(&state());
        let within: f64 = near.iter().map(|v| f64::from(*v)).sum();
        let cut: f64 = (0..SIZE * SIZE)
            .map(|i| f64::from(wide[(i / SIZE + off) * WIDE + i % SIZE + off]))
            .sum();
        // The small stamp folds back in what the air throws far beyond it.
        assert!((within - cut).abs() < 0.01, "{within} {cut}");
        assert!(within < all && within > 0.95, "{within}");
    }

    #[test]
    fn derivatives_are_differences_in_the_limit() {
        let mut model = model();
        let here = state();
        let slopes = model.slopes(&here, 0..3);
        let scale = slopes.image.iter().copied().fold(0f32, f32::max);
        assert!(
            model
                .image(&here)
                .iter()
                .zip(&slopes.image)
                .all(|(a, b)| (a - b).abs() < 1e-4 * scale)
        );
        let mut check = |name: &str, slope: &[f32], step: f64, turn: &dyn Fn(&mut State, f64)| {
            let mut at = |h: f64| {
                let mut s = here.clone();
                turn(&mut s, h);
                model.image(&s)
            };
            let (up, down) = (at(step), at(-step));
            let (mut off, mut size) = (0.0, 0.0);
            for ((u, d), s) in up.iter().zip(&down).zip(slope) {
                let difference = f64::from(u - d) / (2.0 * step);
                off += (difference - f64::from(*s)).powi(2);
                size += f64::from(*s).powi(2);
            }
            let share = (off / size).sqrt();
            assert!(share < 0.02, "{name}: off by {share}");
        };
        for k in 0..12 {
            check(&format!("mode {k}"), &slopes.waves[k], 1e-3, &|s, h| {
                s.waves[k] += h
            });
        }
        for k in 0..2 {
            check(&format!("place {k}"), &slopes.at[k], 0.02, &|s, h| {
                s.at[k] += h
            });
            check(&format!("shadow {k}"), &slopes.shadow[k], 2e-3, &|s, h| {
                s.shadow[k] += h
            });
        }
        check("blur", &slopes.blur, 0.05, &|s, h| s.blur += h);
        // All at once, backwards: the same sums.
        let mut model = self::tests::model();
        let q: Vec<f32> = (0..SIZE * SIZE)
            .map(|i| ((i * 7919) % 101) as f32 / 50.0 - 1.0)
            .collect();
        let pull = model.pull(&here, &q, 0..3, true);
        let forward = |slope: &[f32]| {
            let sum: f64 = q.iter().zip(slope).map(|(a, b)| f64::from(a * b)).sum();
            let size: f64 = slope.iter().map(|v| f64::from(v * v)).sum();
            (sum, size.sqrt())
        };
        let agree = |name: &str, slope: &[f32], back: f64| {
            let (sum, size) = forward(slope);
            assert!(
                (sum - back).abs() < 2e-3 * size,
                "{name}: {sum} {back} {size}"
            );
        };
        for k in 0..12 {
            agree(&format!("mode {k}"), &slopes.waves[k], pull.waves[k]);
        }
        for k in 0..3 {
            agree(&format!("shadow {k}"), &slopes.shadow[k], pull.shadow[k]);
        }
        for k in 0..2 {
            agree(&format!("place {k}"), &slopes.at[k], pull.at[k]);
            agree(&format!("stretch {k}"), &slopes.stretch[k], pull.stretch[k]);
        }
        agree("blur", &slopes.blur, pull.blur);
        agree("registered", &slopes.registered, pull.registered);
        agree("narrowing", &slopes.narrowing, pull.narrowing);
        check("registered", &slopes.registered, 0.05, &|s, h| {
            s.registered += h
        });
        check("narrowing", &slopes.narrowing, 0.1, &|s, h| {
            s.narrowing += h
        });
        for k in 0..2 {
            check(
                &format!("stretch {k}"),
                &slopes.stretch[k],
                0.05,
                &|s, h| s.stretch[k] += h,
            );
        }
        // Scale, inequality and colour: by differences of what pull sums up.
        let sizes = pull.sizes.unwrap();
        let mut off = |k: usize, turn: &dyn Fn(&mut Sizes, f64)| {
            let mut at = |h: f64| {
                let mut s = here.clone();
                turn(&mut s.sizes, h);
                let image = model.image(&s);
                let sum: f64 = q.iter().zip(&image).map(|(a, b)| f64::from(a * b)).sum();
                sum
            };
            let difference = (at(2e-3) - at(-2e-3)) / 4e-3;
            (difference - sizes[k]).abs() / sizes[k].abs().max(0.1)
        };
        assert!(off(0, &|s, h| s.scale += h) < 0.1);
        assert!(off(1, &|s, h| s.unequal[0] += h) < 0.1);
        assert!(off(2, &|s, h| s.unequal[1] += h) < 0.1);
        assert!(off(3, &|s, h| s.colour += h) < 0.1);
    }
}
