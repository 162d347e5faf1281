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

use crate::{
    optics::{
        REFERENCE_NM,
        fourier::{Scratch, Square, fast_size, signed},
        pupil::Pupil,
        seeing, zernike,
    },
    startest::frame::Setup,
};
use rayon::prelude::*;
use rustfft::num_complex::Complex32;
use std::{f64::consts::TAU, sync::Mutex};

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

/// How finely to compute.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Fineness {
    /// Focal cells per lambda N at the shortest wavelength; 2 is without
    /// aliasing, less is enough where the blur removes fine detail.
    pub cells_per_lambda_n: f64,
    /// Wavelengths across the band.
    pub lines: usize,
}

/// The pupil on the grid that belongs to one wavelength.
struct Line {
    weight: f32,
    /// 550 nm / wavelength.
    scale: f64,
    cell: f64,
    rows: usize,
    /// Position in the focal array, place in the pupil.
    index: Vec<u32>,
    place: Vec<[f64; 2]>,
    /// What rim and vanes leave open.
    open: Vec<f64>,
    /// Mode after mode, one value per cell.
    basis: Vec<Vec<f32>>,
    amplitude: Vec<f32>,
    by_shadow: Vec<(u32, [f32; 3])>,
    power: f64,
}

pub(super) struct Model {
    pub modes: Vec<usize>,
    pub size: usize,
    focal: Square,
    detector: Square,
    lines: Vec<Line>,
    pupil: Pupil,
    bins: Vec<Bin>,
    /// k(f) of the blur for each distinct radius of a bin.
    exponents: Vec<f64>,
    spare: Mutex<Vec<Workspace>>,
    /// Two-dimensional transforms made so far.
    transforms: std::sync::atomic::AtomicUsize,
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
        let lines = spectrum(setup, fineness.lines);
        let shortest = lines.iter().map(|l| l.0).fold(f64::INFINITY, f64::min);
        let view = fast_size(size.max((2.0 * reach_px).ceil() as usize));
        // The shortest wavelength's lambda N in pixels.
        let unit = shortest * 1e-3 * ratio / setup.pixel_um;
        let focal = fast_size((fineness.cells_per_lambda_n * view as f64 / unit).ceil() as usize);
        let lines = lines
            .into_iter()
            .map(|(nm, weight)| {
                let unit = nm * 1e-3 * ratio / setup.pixel_um;
                Line::new(
                    &pupil,
                    weight,
                    REFERENCE_NM / nm,
                    2.0 * unit / view as f64,
                    focal,
                    modes,
                )
            })
            .collect();
        let mut model = Self {
            modes: modes.to_vec(),
            size,
            focal: Square::new(focal),
            detector: Square::new(view),
            lines,
            pupil,
            bins: Vec::new(),
            exponents: Vec::new(),
            spare: Mutex::new(Vec::new()),
            transforms: std::sync::atomic::AtomicUsize::new(0),
        };
        model.plan_filter();
        model.draw();
        model
    }

    /// Side of the focal grid.
    pub fn focal_size(&self) -> usize {
        self.focal.size
    }

    /// Two-dimensional transforms made so far.
    pub fn transforms(&self) -> usize {
        self.transforms.load(std::sync::atomic::Ordering::Relaxed)
    }

    fn draw(&mut self) {
        let pupil = &self.pupil;
        self.lines.par_iter_mut().for_each(|l| l.draw(pupil));
    }

    /// Takes over the shadow's place and size, if they changed.
    fn follow(&mut self, shadow: [f64; 3]) {
        let (p, [u, v, eps]) = (&mut self.pupil, shadow);
        if p.shadow != [u, v] || p.obstruction != eps {
            p.shadow = [u, v];
            p.obstruction = eps;
            self.draw();
        }
    }

    fn count(&self, n: usize) {
        self.transforms
            .fetch_add(n, std::sync::atomic::Ordering::Relaxed);
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
        self.follow(state.shadow);
        let filter = self.filter(state);
        let mut work = self.workspace();
        self.spectrum_of_image(&self.pupil_functions(state), &mut work);
        let Workspace {
            pixel_scratch,
            sum,
            pixels,
            ..
        } = &mut work;
        let one = |_: &Bin| Complex32::new(1.0, 0.0);
        let (image, _) = self.to_detector(sum, &filter, one, pixels, pixel_scratch);
        self.count(1);
        self.give_back(work);
        image
    }

    /// The picture and its derivatives; `by_shadow` says by which of the
    /// shadow's u, v and radius.
    pub fn slopes(&mut self, state: &State, by_shadow: std::ops::Range<usize>) -> Slopes {
        self.follow(state.shadow);
        let filter = self.filter(state);
        let functions = self.pupil_functions(state);
        let mut work = self.workspace();
        let fields = self.spectrum_of_image(&functions, &mut work);
        let Workspace {
            pixel_scratch,
            sum,
            pixels,
            ..
        } = &mut work;
        let turn = std::f32::consts::TAU / self.detector.size as f32;
        let m = self.focal.size;
        let at = |k: u16| turn * signed(k as usize, m) as f32;
        let exponent = |b: &Bin| self.exponents[b.radius as usize] as f32;
        let (image, blur) = self.to_detector(
            sum,
            &filter,
            |b| Complex32::new(1.0, -exponent(b)),
            pixels,
            pixel_scratch,
        );
        // By x: -2 pi i kx / n; by y the same, a quarter turn on in the array.
        let by_place = |b: &Bin| Complex32::new(at(b.row), -at(b.column));
        let (dx, dy) = self.to_detector(sum, &filter, by_place, pixels, pixel_scratch);
        self.count(2);
        self.give_back(work);

        let modes = self.modes.len();
        let which: Vec<usize> = (0..modes).chain(by_shadow.map(|k| modes + k)).collect();
        let mut columns = self.columns(&functions, &fields, &filter, &which);
        let shadow = columns.split_off(modes);
        Slopes {
            image,
            waves: columns,
            shadow,
            at: [dx, dy],
            blur,
        }
    }

    /// The derivatives by the shadow's place alone.
    pub fn slopes_by_shadow(&mut self, state: &State) -> Vec<Vec<f32>> {
        self.follow(state.shadow);
        let filter = self.filter(state);
        let functions = self.pupil_functions(state);
        let mut work = self.workspace();
        let fields = self.spectrum_of_image(&functions, &mut work);
        self.give_back(work);
        let modes = self.modes.len();
        self.columns(&functions, &fields, &filter, &[modes, modes + 1])
    }

    /// Derivatives by the coefficients (0 to the number of modes) and by the
    /// shadow (the three after them).
    fn columns(
        &self,
        functions: &[Vec<Complex32>],
        fields: &[Vec<Complex32>],
        filter: &[Complex32],
        which: &[usize],
    ) -> Vec<Vec<f32>> {
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
                    for ((line, a), u) in self.lines.iter().zip(functions).zip(fields) {
                        line.slope_field(a, k, modes, self.focal.size, field);
                        self.focal.forward(field, line.rows, scratch);
                        line.add_slope(u, field, k >= modes, part, sum);
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
        for (line, u) in self.lines.iter().zip(&fields) {
            let w = line.gain(m);
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
                }
                let side = n as i64;
                self.bins.push(Bin {
                    from: (row * m + column) as u32,
                    to: (ky.rem_euclid(side) * side + kx.rem_euclid(side)) as u32,
                    column: column as u16,
                    row: row as u16,
                    radius: *radius,
                    base: base as f32,
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
            .map(|e| (-e * state.blur).exp() as f32)
            .collect();
        self.bins
            .iter()
            .map(|b| x[b.column as usize] * y[b.row as usize] * (b.base * blur[b.radius as usize]))
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
}

impl Line {
    fn new(
        pupil: &Pupil,
        weight: f64,
        scale: f64,
        cell: f64,
        focal: usize,
        modes: &[usize],
    ) -> Self {
        let half = (1.0 / cell + 0.5).floor();
        let rows = 2 * half as usize + 1;
        let mut index = Vec::new();
        let mut place = Vec::new();
        for row in 0..rows {
            for column in 0..rows {
                // Rows run downwards.
                let (u, v) = ((column as f64 - half) * cell, (half - row as f64) * cell);
                if u * u + v * v < (1.0 + 0.75 * cell).powi(2) && row < focal && column < focal {
                    index.push((row * focal + column) as u32);
                    place.push([u, v]);
                }
            }
        }
        let open = place.iter().map(|&[u, v]| pupil.open(u, v, cell)).collect();
        let basis = modes
            .iter()
            .map(|&j| {
                place
                    .iter()
                    .map(|&[u, v]| zernike::noll(j, u, v) as f32)
                    .collect()
            })
            .collect();
        Self {
            weight: weight as f32,
            scale,
            cell,
            rows: rows.min(focal),
            index,
            place,
            open,
            basis,
            amplitude: Vec::new(),
            by_shadow: Vec::new(),
            power: 1.0,
        }
    }

    fn draw(&mut self, pupil: &Pupil) {
        self.amplitude.clear();
        self.by_shadow.clear();
        self.power = 0.0;
        for (k, (&[u, v], &open)) in self.place.iter().zip(&self.open).enumerate() {
            let c = pupil.shade(open, u, v, self.cell);
            self.power += c.amplitude * c.amplitude;
            self.amplitude.push(c.amplitude as f32);
            if c.by_shadow != [0.0; 3] {
                self.by_shadow
                    .push((k as u32, c.by_shadow.map(|d| d as f32)));
            }
        }
    }

    /// Weight that makes all pixels of all wavelengths sum to 1.
    fn gain(&self, focal: usize) -> f32 {
        (f64::from(self.weight) / (self.power.max(1e-9) * (focal * focal) as f64)) as f32
    }

    fn pupil_function(&self, waves: &[f64]) -> Vec<Complex32> {
        let mut turns = vec![0f32; self.index.len()];
        for (basis, &a) in self.basis.iter().zip(waves) {
            let a = (a * self.scale) as f32;
            if a != 0.0 {
                for (t, b) in turns.iter_mut().zip(basis) {
                    *t += a * b;
                }
            }
        }
        turns
            .iter()
            .zip(&self.amplitude)
            .map(|(&t, &p)| {
                let (s, c) = sin_cos_turns(t);
                Complex32::new(p * c, p * s)
            })
            .collect()
    }

    /// Writes the pupil function's derivative by parameter `k` (without the
    /// factor 2 pi i of a phase) into `field`.
    fn slope_field(
        &self,
        a: &[Complex32],
        k: usize,
        modes: usize,
        focal: usize,
        field: &mut [Complex32],
    ) {
        field[..self.rows * focal].fill(Complex32::default());
        if k < modes {
            for ((&i, &z), &b) in self.index.iter().zip(a).zip(&self.basis[k]) {
                field[i as usize] = z * b;
            }
        } else {
            for (cell, d) in &self.by_shadow {
                let c = *cell as usize;
                let p = self.amplitude[c];
                // A cell wholly in shadow has lost its phase: only cells the
                // edge crosses are listed, and those keep some light.
                if p > 1e-4 {
                    field[self.index[c] as usize] = a[c] * (d[k - modes] / p);
                }
            }
        }
    }

    /// Adds the derivative of |U|^2 to the real (part 0) or imaginary part.
    fn add_slope(
        &self,
        u: &[Complex32],
        v: &[Complex32],
        is_amplitude: bool,
        part: usize,
        sum: &mut [Complex32],
    ) {
        let side = (u.len() as f64).sqrt() as usize;
        let gain = self.gain(side);
        let factor = if is_amplitude {
            2.0 * gain
        } else {
            -2.0 * gain * (TAU * self.scale) as f32
        };
        for ((s, u), v) in sum.iter_mut().zip(u).zip(v) {
            let product = u.conj() * v;
            let d = factor * if is_amplitude { product.re } else { product.im };
            if part == 0 {
                s.re += d;
            } else {
                s.im += d;
            }
        }
    }
}

/// Wavelengths (nm) and weights that sum to 1: Gauss-Legendre over the band.
fn spectrum(setup: &Setup, lines: usize) -> Vec<(f64, f64)> {
    if setup.bandwidth_nm <= 0.0 || lines <= 1 {
        return vec![(setup.wavelength_nm, 1.0)];
    }
    gauss_legendre(lines)
        .into_iter()
        .map(|(x, w)| (setup.wavelength_nm + x * setup.bandwidth_nm / 2.0, w / 2.0))
        .collect()
}

/// Nodes and weights on (-1, 1), by Newton's method on the Legendre recurrence.
fn gauss_legendre(n: usize) -> Vec<(f64, f64)> {
    let order = n as f64;
    (0..n)
        .map(|i| {
            let mut x = (std::f64::consts::PI * (i as f64 + 0.75) / (order + 0.5)).cos();
            let mut slope = 1.0;
            for _ in 0..20 {
                let (mut p0, mut p1) = (1.0, x);
                for k in 2..=n {
                    let k = k as f64;
                    (p0, p1) = (p1, ((2.0 * k - 1.0) * x * p1 - (k - 1.0) * p0) / k);
                }
                slope = order * (x * p1 - p0) / (x * x - 1.0);
                x -= p1 / slope;
            }
            (x, 2.0 / ((1.0 - x * x) * slope * slope))
        })
        .collect()
}

/// Sine and cosine of 2 pi t, to 1e-6; written so that it vectorises.
#[inline]
fn sin_cos_turns(t: f32) -> (f32, f32) {
    // Reduce to a quarter turn either way of 0 or 1/2.
    let t = t - t.round();
    let half = (2.0 * t).round();
    let x = std::f32::consts::TAU * (t - 0.5 * half);
    let sign = 1.0 - 2.0 * half.abs();
    let y = x * x;
    let s = x
        * (1.0
            + y * (-1.0 / 6.0
                + y * (1.0 / 120.0
                    + y * (-1.0 / 5040.0 + y * (1.0 / 362_880.0 - y / 39_916_800.0)))));
    let c = 1.0
        + y * (-0.5
            + y * (1.0 / 24.0 + y * (-1.0 / 720.0 + y * (1.0 / 40_320.0 - y / 3_628_800.0))));
    (sign * s, sign * c)
}
